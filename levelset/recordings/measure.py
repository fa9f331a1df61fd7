"""Recordings of any length to readings, one window in memory at a time."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from levelset.analysis.combined import Drift
from levelset.analysis.continuity import find_breaks
from levelset.analysis.distortion import band
from levelset.analysis.fit import strongest_line
from levelset.analysis.health import SHORTEST_S, input_void, peak_dbfs
from levelset.analysis.long_window import read_long
from levelset.analysis.result import ToneResult, Void
from levelset.analysis.steady_part import steady_part
from levelset.errors import InputError, UsageError
from levelset.limits import require_between
from levelset.probe.budget import BudgetLine, budget_lines
from levelset.probe.reading import Reading, reading_as_json

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.record.audio_files import Recording
    from levelset.recordings.scale import Scale

SCHEMA = "levelset.measurement.v1"
WINDOW_S = 10.0
"""A recording up to this length gives one reading, a longer one gives one for each such part."""
WINDOW_LIMITS_S = (0.02, 60.0)
LIMIT_PERCENT = (0.001, 100.0)
PARTIAL_PERIODS = 10.0
SAME_HZ = 5e-4
"""Tones so near share what was made for one of them."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked of a recording.

    Parameters
    ----------
    scale : Scale or None
        Full scale to volts.
    channel : int or None
        Only this one, from 1.
    window_s : float or None
        Length of a window, s; None: one reading up to 10 s, else one for each 10 s.
    limit_percent : float
        THD above which a signal is not clean, %.
    """

    scale: Scale | None
    channel: int | None
    window_s: float | None
    limit_percent: float

    def __post_init__(self) -> None:
        if self.channel is not None and self.channel < 1:
            raise UsageError(f"there is no channel {self.channel}", "count channels from 1")
        if self.window_s is not None:
            require_between(self.window_s, "window", *WINDOW_LIMITS_S, "s")
        require_between(self.limit_percent, "THD limit", *LIMIT_PERCENT, "%")


@dataclass(frozen=True, slots=True)
class Measured:
    """One reading of a recording.

    Parameters
    ----------
    reading : Reading
        The reading; its time is that of the recording.
    drift : Drift or None
        How a window of several segments moved.
    budget : tuple of BudgetLine
        Where the uncertainty of its voltage comes from; empty without one.
    """

    reading: Reading
    drift: Drift | None
    budget: tuple[BudgetLine, ...]

    def as_json(self, *, explain: bool) -> dict[str, Any]:
        """Return it as ``READING`` with ``drift``, and if asked with its ``budget``."""
        drift = self.drift
        out = reading_as_json(self.reading)
        out["drift"] = (
            None
            if drift is None
            else {
                "level_db": drift.level_db.as_json(),
                "frequency_hz": drift.frequency_hz.as_json(),
                "segments": drift.segments,
            }
        )
        if explain:
            out["budget"] = [
                {
                    "name": line.name,
                    "distribution": line.distribution,
                    "dof": line.dof,
                    "percent": line.percent,
                    "share_percent": line.share_percent,
                }
                for line in self.budget
            ]
        return out


def header_as_json(recording: Recording, scale: Scale | None) -> dict[str, Any]:
    """Return the object of ``measure --json`` without its readings."""
    calibration = None
    if scale is not None:
        name = None if scale.calibration is None else scale.calibration.name
        calibration = {"name": name, "volts_per_full_scale": scale.volts_per_full_scale[0]}
    return {
        "schema": SCHEMA,
        "source": {
            "kind": "recording",
            "path": str(recording.path),
            "rate_hz": recording.rate_hz,
            "channels": recording.channels,
            "frames": recording.frames,
            "lossy": recording.lossy,
        },
        "calibration": calibration,
    }


def measure(
    recording: Recording, wanted: Wanted, progress: Callable[[float], None]
) -> Iterator[Measured]:
    """Read a recording window by window.

    Parameters
    ----------
    recording : Recording
        The file.
    wanted : Wanted
        What to read.
    progress : callable
        Called with the part that is done, 0 to 1, after each window.

    Yields
    ------
    Measured
        For each window one of every channel, as soon as it is read. One window of all channels
        is in memory at a time, whatever the length of the file.

    Raises
    ------
    InputError
        If the channel is not there, or the file cannot be read to its end.
    """
    if wanted.channel is not None and wanted.channel > recording.channels:
        raise InputError(
            f"{recording.path}: has no channel {wanted.channel}",
            f"name one of 1 to {recording.channels}" if recording.channels > 1 else "leave it out",
        )
    rate_hz = recording.rate_hz
    if wanted.window_s is not None:
        frames = max(1, round(wanted.window_s * rate_hz))
    elif recording.frames <= WINDOW_S * rate_hz:
        frames = recording.frames
    else:
        frames = round(WINDOW_S * rate_hz)
    channels = range(recording.channels) if wanted.channel is None else (wanted.channel - 1,)
    known_hz: dict[int, float] = {}
    first = 0
    with ThreadPoolExecutor(min(len(channels), os.cpu_count() or 1)) as readers:
        for block in _ahead(recording.blocks(frames)):
            partial = first > 0 and len(block) < frames

            def read(
                channel: int,
                block: NDArray[np.float64] = block,
                first: int = first,
                partial: bool = partial,
            ) -> Measured | None:
                last_hz = known_hz.get(channel)
                if partial and len(block) < _least_frames(last_hz, rate_hz):
                    return None
                samples = np.ascontiguousarray(block[:, channel])
                found = _Channel(recording, wanted, channel + 1).read(samples, first, last_hz)
                return None if partial and _is_too_short(found.reading.tone) else found

            for channel, found in zip(channels, readers.map(read, channels), strict=True):
                if found is None:
                    continue
                if found.reading.tone.frequency_hz is not None:
                    found_hz = found.reading.tone.frequency_hz.value
                    known_hz[channel] = _same(found_hz, known_hz)
                yield found
            first += len(block)
            progress(min(1.0, first / max(recording.frames, 1)))


def _same(frequency_hz: float, known_hz: Mapping[int, float]) -> float:
    """Return a frequency that is known already where it is as good, since its basis is there."""
    near = (known for known in known_hz.values() if abs(known - frequency_hz) < SAME_HZ)
    return next(near, frequency_hz)


def _ahead(blocks: Iterator[NDArray[np.float64]]) -> Iterator[NDArray[np.float64]]:
    """Yield the blocks while the next one is being decoded."""
    with ThreadPoolExecutor(1) as decoder:
        coming = decoder.submit(next, blocks, None)
        while (block := coming.result()) is not None:
            coming = decoder.submit(next, blocks, None)
            yield block


def _least_frames(frequency_hz: float | None, rate_hz: int) -> float:
    """Return the frames from which a last partial window counts."""
    if frequency_hz is None:
        return SHORTEST_S * rate_hz
    return max(SHORTEST_S, PARTIAL_PERIODS / frequency_hz) * rate_hz


def _is_too_short(tone: ToneResult) -> bool:
    return tone.void is not None and tone.void.code == "too_short"


@dataclass(frozen=True, slots=True)
class _Channel:
    """One channel of one recording."""

    recording: Recording
    wanted: Wanted
    channel: int

    def read(self, samples: NDArray[np.float64], first: int, last_hz: float | None) -> Measured:
        """Read one window, of which `first` is the first frame in the recording."""
        rate_hz, scale = self.recording.rate_hz, self.wanted.scale
        start, stop = steady_part(samples, rate_hz)
        part = samples[start:stop]
        start_s = (first + start) / rate_hz
        void = self._void(part, start_s)
        drift = None
        if void is not None:
            tone = ToneResult(void, peak_dbfs=peak_dbfs(part), band_hz=band(rate_hz))
        else:
            tone, drift = self._tone(part, start_s, last_hz)
        volts = total = None
        budget: tuple[BudgetLine, ...] = ()
        if scale is not None and tone.void is None:
            volts, total = scale.volts(self.channel, tone)
            if volts is not None:
                budget = budget_lines(scale.budget(tone))
        reading = Reading(self.channel, start_s, part.size / rate_hz, tone, volts, total)
        return Measured(reading, drift, budget)

    def _tone(
        self, part: NDArray[np.float64], start_s: float, last_hz: float | None
    ) -> tuple[ToneResult, Drift | None]:
        scale = self.wanted.scale
        found = read_long(
            part,
            self.recording.rate_hz,
            limit_percent=self.wanted.limit_percent,
            start_hz=last_hz,
            response=None if scale is None else scale.response,
            start_s=start_s,
        )
        return found.tone, found.drift

    def _void(self, part: NDArray[np.float64], start_s: float) -> Void | None:
        rate_hz, scale = self.recording.rate_hz, self.wanted.scale
        void = input_void(part[:, None], rate_hz, live=False)[0]
        if void is not None and void.code == "silent_input":
            # What stands still in the middle of a tone is a gap in it, not a silent input.
            frequency_hz = strongest_line(part) * rate_hz / (2.0 * math.pi)
            held = [b for b in find_breaks(part, rate_hz, frequency_hz) if b.held]
            if held:
                return held[0].void(start_s, rate_hz)
        if void is None and scale is not None:
            return scale.void(self.channel, rate_hz, float(np.abs(part).max()))
        return void
