"""Live readings: one window after the other of every channel of an open port."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.health import input_void
from levelset.analysis.result import ToneResult
from levelset.analysis.tone import read_tone
from levelset.probe.reading import Reading

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.result import Void
    from levelset.ports.base import Block, Port
    from levelset.recordings.scale import Scale

WINDOW_S = 0.25
WINDOW_PERIODS = 10
LONGEST_WINDOW_S = 1.0


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
        of the tone that was read last, and starts again after every interruption.
    """
    rate_hz, channels = port.info.rate_hz, port.info.channels
    known_hz: list[float | None] = [None] * channels
    held: list[Block] = []
    for block in port.blocks():
        if held and block.first_frame != held[-1].first_frame + len(held[-1].samples):
            held = []
        if held and block.stream != held[-1].stream:
            held = []
        held.append(block)
        first = held[0].first_frame
        frames = block.first_frame + len(block.samples) - first
        if frames < _window_frames(known_hz, rate_hz):
            continue
        samples = np.concatenate([part.samples for part in held])
        lost = port.path_void(block.stream, first, frames)
        voids = input_void(samples, rate_hz, live=True)
        for channel in range(channels):
            part = np.ascontiguousarray(samples[:, channel])
            void = lost or voids[channel]
            reading = _read(
                part, channel + 1, held[0].time_s, rate_hz, void, scale, limit_percent, known_hz
            )
            found = reading.tone.frequency_hz
            known_hz[channel] = None if found is None else found.value
            yield reading
        held = []


def _window_frames(known_hz: list[float | None], rate_hz: int) -> float:
    lowest_hz = min((hz for hz in known_hz if hz is not None), default=None)
    periods_s = 0.0 if lowest_hz is None else WINDOW_PERIODS / lowest_hz
    return min(max(WINDOW_S, periods_s), LONGEST_WINDOW_S) * rate_hz


def _read(
    samples: NDArray[np.float64],
    channel: int,
    start_s: float,
    rate_hz: int,
    void: Void | None,
    scale: Scale | None,
    limit_percent: float,
    known_hz: list[float | None],
) -> Reading:
    peak = float(np.abs(samples).max())
    if void is None and scale is not None:
        void = scale.void(channel, rate_hz, peak)
    if void is not None:
        peak_dbfs = 20.0 * float(np.log10(peak)) if peak > 0.0 and np.isfinite(peak) else None
        tone = ToneResult(void, peak_dbfs=peak_dbfs)
    else:
        tone = read_tone(
            samples,
            rate_hz,
            limit_percent=limit_percent,
            expected_hz=None,
            start_hz=known_hz[channel - 1],
            response=None if scale is None else scale.response,
        )
    volts = total = None
    if scale is not None and tone.void is None:
        volts, total = scale.volts(channel, tone)
    return Reading(channel, start_s, len(samples) / rate_hz, tone, volts, total)
