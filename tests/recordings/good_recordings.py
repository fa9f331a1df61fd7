"""Random recordings that every reading of must hold, in great number.

Usage: ``python -m tests.recordings.good_recordings [--count 1000] [--seed 1]``

Tones of 20 Hz to 15 kHz, clean or distorted, with noise, offset, hum, silence and fades at the
ends, a slow drift, as 16-bit, 24-bit and floating-point files of 8 to 192 kHz. Prints every void,
every error beyond its uncertainty, and the exit status is 1 after a void.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from levelset.record.audio_files import open_recording
from levelset.recordings.measure import Wanted, measure
from tests.analysis import closed_forms as forms

RATES_HZ = (8000, 22050, 44100, 48000, 96000, 192000)
WANTED = Wanted(None, None, None, 1.0)


@dataclass
class Good:
    """A recording and what it holds."""

    samples: np.ndarray
    rate_hz: int
    subtype: str
    frequency_hz: float
    amplitude_fs: float
    words: str


def harmonics_of_kind(kind, rng, highest):
    """Cosine harmonics 0 ... of one kind of distortion."""
    if kind == "clean":
        return np.array([0.0, 1.0])
    if kind == "hard":
        upper = rng.uniform(0.2, 3.0)
        return forms.clipped_cosine(highest, upper, upper * rng.uniform(0.3, 1.0))
    drive = rng.uniform(0.1, 0.8)
    return forms.harmonics_of(lambda x: np.tanh(drive * x) / drive, min(highest, 30))


def draw(rng):
    """One random good recording."""
    rate_hz = int(rng.choice(RATES_HZ))
    frequency_hz = math.exp(rng.uniform(math.log(20.0), math.log(min(15e3, 0.4 * rate_hz))))
    seconds = max(math.exp(rng.uniform(math.log(0.3), math.log(9.0))), 12.0 / frequency_hz)
    n = int(seconds * rate_hz)
    kind = str(rng.choice(["clean", "hard", "soft"]))
    harmonics = harmonics_of_kind(kind, rng, forms.below_nyquist(frequency_hz, rate_hz))
    level = 10.0 ** (-rng.uniform(0.5, 45.0) / 20.0)
    x = forms.sampled(harmonics, frequency_hz, rate_hz, n, rng.uniform(0.0, 6.28))
    scale = 0.9 * level / max(float(np.abs(x).max()), 1e-9)
    x *= scale
    fundamental = float(abs(harmonics[1])) * scale
    drift_db = float(rng.choice([0.0, rng.uniform(-0.05, 0.05)]))
    if drift_db:
        gain = 10.0 ** (drift_db / 20.0 * (np.arange(n) / n - 0.5))
        x *= gain
        fundamental *= float(gain.mean())
    snr_db = rng.uniform(25.0, 90.0)
    silence_s, fade_s = rng.uniform(0.2, 1.5), rng.uniform(0.02, 1.0)
    lead = bool(rng.integers(2)) and seconds > 4.0
    if lead:
        envelope = np.clip((np.arange(n) / rate_hz - silence_s) / fade_s, 0.0, 1.0)
        envelope *= np.clip((seconds - np.arange(n) / rate_hz) / fade_s, 0.0, 1.0)
        x *= envelope
    x += forms.white_noise(rng, n, fundamental, snr_db)
    x += rng.uniform(-0.02, 0.02) * level
    hum = bool(rng.integers(3) == 0)
    if hum:
        hum_hz = float(rng.choice([50.0, 60.0])) * (1.0 + rng.uniform(-1e-3, 1e-3))
        size = fundamental * 10.0 ** (-rng.uniform(45.0, 80.0) / 20.0)
        x += size * np.cos(2.0 * math.pi * hum_hz * np.arange(n) / rate_hz)
    x = np.clip(x, -0.99, 0.99)
    subtype = str(rng.choice(["PCM_16", "PCM_24", "FLOAT"]))
    words = (
        f"{kind} {frequency_hz:.3f} Hz at {rate_hz} Hz, {seconds:.2f} s, {snr_db:.0f} dB, "
        f"peak {0.9 * level:.4f}, drift {drift_db:.3f} dB{', ends' if lead else ''}"
        f"{', hum' if hum else ''}, {subtype}"
    )
    return Good(x, rate_hz, subtype, frequency_hz, fundamental, words)


def read(good, folder):
    """The one reading of a recording."""
    path = folder / "good.wav"
    soundfile.write(path, good.samples, good.rate_hz, subtype=good.subtype)
    [found] = measure(open_recording(path), WANTED, lambda part: None)
    return found.reading


def run(count, seed, say=lambda line: None):
    """Return voids, and how many of the levels and frequencies lie within their uncertainty."""
    rng = np.random.default_rng(seed)
    voids, level_held, frequency_held, worst_db = [], 0, 0, 0.0
    with tempfile.TemporaryDirectory() as name:
        for _ in range(count):
            good = draw(rng)
            tone = read(good, Path(name)).tone
            if tone.void is not None:
                voids.append(f"{good.words}: {tone.void.code}, {tone.void.reason}")
                say(f"void  {voids[-1]}")
                continue
            off = tone.amplitude_fs.value - good.amplitude_fs
            off_db = 20.0 * abs(math.log10(tone.amplitude_fs.value / good.amplitude_fs))
            worst_db = max(worst_db, off_db)
            held = abs(off) <= tone.amplitude_fs.u
            level_held += held
            off_hz = tone.frequency_hz.value - good.frequency_hz
            frequency_held += abs(off_hz) <= tone.frequency_hz.u
            if abs(off) > 3.0 * tone.amplitude_fs.u:
                say(f"level {off / tone.amplitude_fs.u:6.1f} u, {off_db:.5f} dB  {good.words}")
            if abs(off_hz) > 3.0 * tone.frequency_hz.u:
                say(f"freq  {off_hz / tone.frequency_hz.u:6.1f} u  {good.words}")
    return voids, level_held / count, frequency_held / count, worst_db


def main():
    """Run the campaign from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    voids, level, frequency, worst_db = run(options.count, options.seed, say=print)  # noqa: T201
    print(  # noqa: T201
        f"{options.count} recordings, {len(voids)} voids; truth within the uncertainty: level "
        f"{100.0 * level:.1f} %, frequency {100.0 * frequency:.1f} %; worst level {worst_db:.4f} dB"
    )
    return 1 if voids else 0


if __name__ == "__main__":
    sys.exit(main())
