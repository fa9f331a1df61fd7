"""Build the reference set: short test signals, their expected values and the hashes of their codes.

Usage: ``python -m testsignals.make`` writes the files beside this script again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from levelset.record.audio_files import write_track
from levelset.signals.catalogue import Tones, catalogue
from levelset.signals.channels import part_of
from levelset.signals.multitone import PeriodicTones
from levelset.signals.track import Bits, Track, codes
from levelset.units import db_from_ratio

FOLDER = Path(__file__).parent
MANIFEST = FOLDER / "manifest.json"
RATE_HZ = 44_100
LENGTH_S = 5.0
STEADY_S = (3.0, 4.0)
CHOSEN: tuple[tuple[str, Bits], ...] = (
    ("silence", 16),
    ("calibrate", 16),
    ("check-level", 24),
    ("set-bass", 16),
    ("set-upper", 16),
    ("pink-noise", 16),
    ("which-wire", 16),
)
TONES = Tones(bass=43.0, midbass=128.0, mid=486.0, upper=997.0, calibrate=94.0)
DERIVATION = {
    "level_dbfs": "10**(level/20) is the peak of a sine over full scale (AES17: a full-scale sine "
    "is 0 dBFS), lowered for dither; of noise: 20 lg(sqrt 2 RMS) over its period, not over the "
    "short excerpt",
    "true_peak_dbfs": "of a sine its amplitude, closed form; of noise by oversampling (ITU-R "
    "BS.1770-4, Annex 2) over its period, a bound for the excerpt",
    "offset_fs": "0: sines and noise have no mean, and triangular dither has none",
    "lines": "peaks of the sines over full scale, from their definition, lowered for dither; a "
    "table for each channel",
    "sha256": "of the codes as 32-bit little-endian integers, frame by frame",
}


def short_tracks() -> Iterator[tuple[str, Track, Bits]]:
    """Yield file name, track and word length of the set."""
    tracks = {track.name: track for track in catalogue(TONES)}
    for name, bits in CHOSEN:
        yield f"{name}-{bits}.flac", replace(tracks[name], length_s=LENGTH_S), bits


def codes_of(track: Track, bits: Bits) -> np.ndarray:
    """Return the codes, shape (frames, channels)."""
    return np.concatenate(list(codes(track, RATE_HZ, bits, channels_of(track))))


def channels_of(track: Track) -> int:
    """Return the channels of its file: those with signals of their own, else one."""
    return len(track.channels) or 1


def lines_of(track: Track, bits: Bits) -> list[dict[str, float]]:
    """Return the peak of every line by its frequency, Hz, for each channel of periodic tones."""
    parts = [part_of(track.signal, n) for n in range(channels_of(track))]
    return [
        {f"{c.frequency_hz:g}": round(c.amplitude_fs * track.gain(bits), 9) for c in p.components}
        for p in parts
        if isinstance(p, PeriodicTones)
    ]


def hash_of(values: np.ndarray) -> str:
    """Return the SHA-256 of codes."""
    return hashlib.sha256(values.astype("<i4").tobytes()).hexdigest()


def entry(track: Track, bits: Bits) -> dict[str, object]:
    """Return what the manifest says of a track, from its definition."""
    level, gain, peak = track.signal.level_dbfs, track.gain(bits), track.true_peak_dbfs(bits)
    return {
        "purpose": track.signal.purpose,
        "rate_hz": RATE_HZ,
        "bits": bits,
        "frames": track.frames(RATE_HZ),
        "steady_s": list(STEADY_S),
        "frequency_hz": track.frequency_hz,
        "level_dbfs": None if level is None else round(level + db_from_ratio(gain), 6),
        "true_peak_dbfs": None if peak is None else round(peak, 6),
        "lowered_codes": round(track.lowered_codes(bits), 6),
        "offset_fs": 0.0,
        "channels": list(track.channels),
        "lines": lines_of(track, bits),
        "sha256": hash_of(codes_of(track, bits)),
    }


def main() -> None:
    """Write the set."""
    files = {}
    for name, track, bits in short_tracks():
        channels = channels_of(track)
        blocks = codes(track, RATE_HZ, bits, channels)
        write_track(FOLDER / name, blocks, RATE_HZ, channels, bits)
        files[name] = entry(track, bits)
    text = json.dumps({"derivation": DERIVATION, "files": files}, indent=2)
    MANIFEST.write_text(text + "\n", "utf-8")


if __name__ == "__main__":
    main()
