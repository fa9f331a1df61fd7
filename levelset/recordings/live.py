"""Live readings of every channel of an open port, window after window or overlapping."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.health import input_void, peak_dbfs
from levelset.analysis.path_watch import PathWatch
from levelset.analysis.result import ToneResult
from levelset.analysis.stream.meter import LONGEST_WINDOW_S, StreamMeter, Wanted
from levelset.analysis.tone import read_tone
from levelset.ports.base import joined
from levelset.probe.path_stage import WAITING, not_throughout
from levelset.probe.reading import Reading
from levelset.probe.tips_meter import HEALTH_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.result import Void
    from levelset.ports.base import Block, Port
    from levelset.recordings.scale import Scale

WINDOW_S = 0.25
WINDOW_PERIODS = 10


def watch(port: Port, scale: Scale | None, limit_percent: float) -> Iterator[Reading]:
    """Read every channel of a port, window by window, without overlap.

    Parameters
    ----------
    port : Port
        An open port.
    scale : Scale or None
        Full scale to volts.
    limit_percent : float
        THD above which a signal is not clean, %.

    Yields
    ------
    Reading
        For each window one of every channel, voids included. A window is 0.25 s or ten periods
        of the tone that was read last, and starts again after every interruption. Where nothing
        comes for a while that is said once, by a void reading without length.
    """
    rate_hz, channels = port.info.rate_hz, port.info.channels
    known_hz: list[float | None] = [None] * channels
    path = PathWatch(rate_hz)
    held: list[Block] = []
    for block in _one_wait(port.blocks()):
        if len(block.samples) == 0:
            yield from _waiting(block, channels)
            continue
        if held and not block.follows(held[-1]):
            held = []
        held.append(block)
        first = held[0].first_frame
        frames = block.first_frame + len(block.samples) - first
        if frames < _window_frames(known_hz, rate_hz):
            continue
        samples = joined(held)
        path.take(samples, block.stream, first, tone_hz=_known(known_hz))
        lost = path.void(first, frames, port.path_void(block.stream, first, frames))
        voids = input_void(samples, rate_hz, live=True)
        for channel in range(channels):
            part = np.ascontiguousarray(samples[:, channel])
            void = lost or voids[channel] or _scale_void(part, channel + 1, rate_hz, scale)
            if void is None:
                tone = not_throughout(
                    read_tone(
                        part,
                        rate_hz,
                        limit_percent=limit_percent,
                        expected_hz=None,
                        start_hz=known_hz[channel],
                        response=None if scale is None else scale.response,
                    )
                )
            else:
                tone = ToneResult(void, peak_dbfs=peak_dbfs(part))
            found = tone.frequency_hz
            known_hz[channel] = None if found is None else found.value
            yield _in_volts(channel + 1, held[0].time_s, frames / rate_hz, tone, scale)
        held = []


def follow(
    port: Port, scale: Scale | None, limit_percent: float, updates_hz: float
) -> Iterator[Reading]:
    """Read every channel of a port over the newest window, several times a second.

    Parameters
    ----------
    port, scale, limit_percent
        As for `watch`.
    updates_hz : float
        Readings of each channel a second.

    Yields
    ------
    Reading
        For each update one of every channel, voids included. A window is that of `watch` while
        the tone is steady, and as short as 50 ms or four periods while it moves.
    """
    rate_hz, channels = port.info.rate_hz, port.info.channels
    wanted = Wanted(
        updates_hz=updates_hz,
        window_s=WINDOW_S,
        window_periods=WINDOW_PERIODS,
        limit_percent=limit_percent,
        response=None if scale is None else scale.response,
    )
    meter = StreamMeter(rate_hz, channels, wanted)
    path = PathWatch(rate_hz)
    newest = np.empty((0, channels))
    unseen: list[Block] = []
    last: Block | None = None
    tone_hz: float | None = None
    for block in _one_wait(port.blocks()):
        if len(block.samples) == 0:
            yield from _waiting(block, channels)
            continue
        if last is None or not block.follows(last):
            meter.restart(block.first_frame)
            newest = newest[:0]
            unseen.clear()
        last = block
        unseen.append(block)
        newest = np.concatenate((newest, block.samples))[-round(HEALTH_S * rate_hz) :]
        updates = meter.push(block.samples)
        if not updates:
            continue
        update = updates[-1]
        path.take(joined(unseen), block.stream, unseen[0].first_frame, tone_hz=tone_hz)
        unseen.clear()
        port_void = port.path_void(block.stream, update.first, update.count)
        lost = path.void(update.first, update.count, port_void)
        found = [tone.frequency_hz for tone in update.tones]
        tone_hz = _known([None if hz is None else hz.value for hz in found])
        voids = input_void(newest, rate_hz, live=True)
        start_s = block.time_s + (update.first - block.first_frame) / rate_hz
        for channel, tone in enumerate(update.tones):
            part = newest[:, channel]
            void = lost or voids[channel] or _scale_void(part, channel + 1, rate_hz, scale)
            tone = (
                not_throughout(tone)
                if void is None
                else ToneResult(void, peak_dbfs=peak_dbfs(part))
            )
            yield _in_volts(channel + 1, start_s, update.count / rate_hz, tone, scale)


def _one_wait(blocks: Iterator[Block]) -> Iterator[Block]:
    """Yield the blocks, and of those without frames in a row the first alone."""
    waits = False
    for block in blocks:
        if len(block.samples) or not waits:
            yield block
        waits = len(block.samples) == 0


def _waiting(block: Block, channels: int) -> Iterator[Reading]:
    for channel in range(1, channels + 1):
        yield Reading(channel, block.time_s, 0.0, ToneResult(WAITING), None, None)


def _known(known_hz: list[float | None]) -> float | None:
    return next((hz for hz in known_hz if hz is not None), None)


def _window_frames(known_hz: list[float | None], rate_hz: int) -> float:
    lowest_hz = min((hz for hz in known_hz if hz is not None), default=None)
    periods_s = 0.0 if lowest_hz is None else WINDOW_PERIODS / lowest_hz
    return min(max(WINDOW_S, periods_s), LONGEST_WINDOW_S) * rate_hz


def _scale_void(
    samples: NDArray[np.float64], channel: int, rate_hz: int, scale: Scale | None
) -> Void | None:
    if scale is None:
        return None
    return scale.void(channel, rate_hz, float(np.abs(samples).max()))


def _in_volts(
    channel: int, start_s: float, duration_s: float, tone: ToneResult, scale: Scale | None
) -> Reading:
    volts = total = None
    if scale is not None and tone.void is None:
        volts, total = scale.volts(channel, tone)
    return Reading(channel, start_s, duration_s, tone, volts, total)
