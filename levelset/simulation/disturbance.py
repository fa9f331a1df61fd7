"""What stands on a wire besides the signal: noise, hum, and whine that follows the engine."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from levelset.simulation.sines import Sines, sum_of_sines

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]

NOISE_BAND_HZ = (20.0, 20_000.0)
"""Band in which the stated noise voltage counts, Hz."""

HUM_PARTS = (1.0, 0.6, 0.4, 0.15, 0.2)
"""Size of the mains frequency and its multiples against the first (invented, plausible)."""

WHINE_PARTS = {1: 0.5, 2: 0.25, 3: 0.2, 6: 1.0, 12: 0.35}
"""Size of the multiples of the alternator's frequency; its rectifier's six pulses stand out
(invented, plausible)."""


def noise_rms_factor(rate_hz: float) -> float:
    """Return the RMS of white noise up to half a rate, Hz, over its RMS in `NOISE_BAND_HZ`."""
    return math.sqrt(0.5 * rate_hz / (NOISE_BAND_HZ[1] - NOISE_BAND_HZ[0]))


def hum(rms_v: float, mains_hz: float) -> Sines:
    """Return the lines of hum: all together have that RMS voltage."""
    size: Values = np.array(HUM_PARTS)
    size *= rms_v * math.sqrt(2.0 / float(np.square(size).sum()))
    number = np.arange(1.0, len(size) + 1.0)
    return Sines(mains_hz * number, size, 0.7 * number * number)


class Whine:
    """Lines that move with the engine's speed, without a jump of phase.

    Parameters
    ----------
    rms_v : float
        All lines together, V.
    hz_per_rpm : float
        Alternator's frequency for each turn a minute of the engine, Hz.
    rpm : float
        Speed now.
    """

    def __init__(self, rms_v: float, hz_per_rpm: float, rpm: float) -> None:
        self._number = np.array(tuple(WHINE_PARTS), dtype=np.float64)
        size = np.array(tuple(WHINE_PARTS.values()))
        self._size_v = size * rms_v * math.sqrt(2.0 / float(np.square(size).sum()))
        self._hz_per_rpm = hz_per_rpm
        self._rpm = rpm
        self._frame = 0
        self._turns = 0.0

    def arrive(self, rpm: float) -> None:
        """Take the speed over at once."""
        self._rpm = rpm

    def rows(self, first: int, frames: int, factor: int, rate_hz: int, rpm: float) -> Values:
        """Return the next values, V, shape (frames, factor), on the way to a speed.

        A speed that changed is reached by the end of these frames; at standstill nothing whines.
        """
        before, self._rpm = self._rpm, rpm
        if before == rpm:
            rows = self.past_rows(first, frames, factor, rate_hz)
            self._turns = self._turns_at(first + frames, rate_hz)
        else:
            count = frames * factor
            speed = np.linspace(before, rpm, count, endpoint=False)
            turns = self._turns + np.cumsum(speed) * (self._hz_per_rpm / (rate_hz * factor))
            value = self._size_v @ np.sin(2.0 * np.pi * np.outer(self._number, turns))
            if min(before, rpm) == 0.0:
                value *= speed / max(before, rpm)
            rows = value.reshape(frames, factor)
            self._turns = float(turns[-1])
        self._frame = first + frames
        return rows

    def past_rows(self, first: int, frames: int, factor: int, rate_hz: int) -> Values:
        """Return the values at the speed in force from any frame on."""
        if self._rpm == 0.0:
            return np.zeros((frames, factor))
        start = self._turns_at(first, rate_hz) * rate_hz / (self._hz_per_rpm * self._rpm)
        return sum_of_sines(self.lines(self._rpm), start, 1.0 / rate_hz, frames, factor)

    def lines(self, rpm: float) -> Sines:
        """Return the lines at a speed, all with phase 0 at a whole turn."""
        size_v = self._size_v if rpm > 0.0 else 0.0 * self._size_v
        return Sines(self._hz_per_rpm * rpm * self._number, size_v, np.zeros(len(size_v)))

    def _turns_at(self, frame: int, rate_hz: int) -> float:
        turns = self._turns + (frame - self._frame) * (self._hz_per_rpm * self._rpm / rate_hz)
        return turns % 1.0
