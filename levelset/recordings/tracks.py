"""Tracks for a USB stick, and the sheet that goes with them."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from levelset.errors import InputError, UsageError
from levelset.record import durable
from levelset.record.audio_files import write_track
from levelset.signals.track import FADE_S, SILENCE_S, Bits, Track, codes

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SHEET = "tracks.txt"
CHANNELS = 2
Format = Literal["wav", "flac"]

WIDTH = 76
INDENT = "    "
CAUTIONS = (
    "A steady tone at full power burns voice coils in seconds: loudspeakers off or disconnected "
    "wherever a step says so. Start every track with the volume at zero. Protect your hearing. "
    "Equaliser, loudness, volume levelling, balance and fader of the player off or centred. The "
    "manuals of vehicle and equipment, local codes and licensed practice come first."
)
FORM = (
    f"Each track: {SILENCE_S:g} s of silence, {FADE_S:g} s fade-in, the signal, {FADE_S:g} s "
    "fade-out; triangular dither of one code. Levels in dBFS: a full-scale sine is 0 dBFS "
    "(AES17). True peak over full scale (ITU-R BS.1770-4, Annex 2), without dither."
)


def chosen_tracks(tracks: Sequence[Track], names: Sequence[str]) -> tuple[Track, ...]:
    """Return the tracks of these names, all where there are none.

    Raises
    ------
    UsageError
        If a name is not there.
    """
    known = {track.name: track for track in tracks}
    for name in names:
        if name not in known:
            raise UsageError(f"no track {name!r:.40}", f"choose of {', '.join(known)}")
    return tuple(track for track in tracks if not names or track.name in names)


def write_tracks(
    folder: Path,
    tracks: Sequence[Track],
    rate_hz: int,
    bits: Bits,
    file_format: Format,
    progress: Callable[[Track, float], None],
) -> list[Path]:
    """Write tracks and their sheet.

    Parameters
    ----------
    folder : Path
        Where to; made if it is missing.
    tracks : sequence of Track
        Which.
    rate_hz : int
        Sample rate, Hz.
    bits : {16, 24}
        Word length.
    file_format : {"wav", "flac"}
        Kind of file.
    progress : callable
        Called with the track and the part of it that is written, 0 to 1.

    Returns
    -------
    list of Path
        The files, the sheet last.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _not_written(folder, error) from error

    def blocks(track: Track) -> Iterator[NDArray[np.int32]]:
        done = 0
        for block in codes(track, rate_hz, bits, channels_of(track)):
            yield block
            done += len(block)
            progress(track, done / track.frames(rate_hz))

    written = []
    for track in tracks:
        path = folder / f"{track.name}.{file_format}"
        write_track(path, blocks(track), rate_hz, channels_of(track), bits)
        written.append(path)
    sheet = folder / SHEET
    try:
        durable.write_whole(sheet, track_sheet(tracks, rate_hz, bits).encode())
    except OSError as error:
        raise _not_written(sheet, error) from error
    return [*written, sheet]


def channels_of(track: Track) -> int:
    """Return how many channels its file has."""
    return len(track.channels) or CHANNELS


def track_sheet(tracks: Sequence[Track], rate_hz: int, bits: Bits) -> str:
    """Return the sheet to print: name, purpose, frequency, level, true peak, length, caution."""
    lines = [
        f"Test signals, {rate_hz} Hz, {bits} bit, two channels alike where nothing else is said",
        "",
        *textwrap.wrap(CAUTIONS, WIDTH),
        "",
        *textwrap.wrap(FORM, WIDTH),
    ]
    for track in tracks:
        lowered = track.lowered_codes(bits)
        rows = [track.signal.purpose, facts(track, bits), f"Caution: {track.caution}"]
        if track.channels:
            rows.insert(2, f"channels: {', '.join(track.channels)}, each with its own signal")
        if lowered > 0.0:
            rows.insert(2, f"lowered by {lowered:.0f} codes so that dither stays in full scale")
        lines += ["", track.name]
        for row in rows:
            lines += textwrap.wrap(row, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT)
    return "\n".join(lines) + "\n"


def facts(track: Track, bits: Bits) -> str:
    """Return frequency, level, true peak and length of a track in one line."""
    parts = []
    if track.frequency_hz is not None:
        parts.append(f"{track.frequency_hz:g} Hz")
    level, peak = track.signal.level_dbfs, track.true_peak_dbfs(bits)
    if level is not None and peak is not None:
        parts += [f"{level:.1f} dBFS", f"true peak {peak:.3f} dB"]
    else:
        parts.append("no level")
    if track.channels:
        parts.append(f"{len(track.channels)} channels")
    parts.append(f"{track.length_s // 60:.0f}:{track.length_s % 60:02.0f} min")
    return ", ".join(parts)


def _not_written(path: Path, error: OSError) -> InputError:
    return InputError(
        f"{path}: cannot be written ({error.strerror or error})",
        "make room or choose another folder",
    )
