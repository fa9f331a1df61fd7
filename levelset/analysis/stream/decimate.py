"""A high sample rate brought down once, before anything else is computed from it.

The band that is counted ends at 20 kHz, so 44.1 or 48 thousand samples a second hold it. Each
stage halves the rate with a linear-phase low-pass, a windowed ideal one with a Kaiser window
(J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", IEEE Int.
Symp. Circuits and Systems, 1974). What folds back lands above the band.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.distortion import band

if TYPE_CHECKING:
    from numpy.typing import NDArray

LOWEST_RATE_HZ = 44_100.0
ATTENUATION_DB = 130.0
"""Ripple in the band is as small, 3e-7 of the level: as much as the fit allows for rounding."""


def halving_filter(rate_hz: float, top_hz: float) -> NDArray[np.float64]:
    """Return the taps of one stage, an odd number.

    Parameters
    ----------
    rate_hz : float
        Rate before the stage, Hz.
    top_hz : float
        Upper end of the band that is kept, Hz, below a quarter of the rate.
    """
    stop_hz = 0.5 * rate_hz - top_hz
    width = 2.0 * math.pi * (stop_hz - top_hz) / rate_hz
    half = math.ceil((ATTENUATION_DB - 8.0) / (2.285 * width) / 2.0)
    n = np.arange(-half, half + 1, dtype=np.float64)
    # The middle of the transition is a quarter of the rate, whatever the band.
    taps = 0.5 * np.sinc(0.5 * n) * np.kaiser(n.size, 0.1102 * (ATTENUATION_DB - 8.7))
    return np.asarray(taps / taps.sum())


class _Stage:
    """Half the rate of several signals; keeps what the next block needs."""

    def __init__(self, taps: NDArray[np.float64], signals: int) -> None:
        self.taps = taps
        self._even, self._odd = taps[0::2].copy(), taps[1::2].copy()
        self._rest = np.empty((signals, 0))

    def push(self, samples: NDArray[np.float64]) -> NDArray[np.float64]:
        held = np.concatenate((self._rest, samples), axis=1)
        count = max(0, (held.shape[1] - self.taps.size) // 2 + 1)
        self._rest = held[:, 2 * count :]
        out = np.empty((held.shape[0], count))
        if count:
            for row, signal in zip(out, held, strict=True):
                even = np.ascontiguousarray(signal[0::2][: count + self._even.size - 1])
                odd = np.ascontiguousarray(signal[1::2][: count + self._odd.size - 1])
                row[:] = np.correlate(even, self._even) + np.correlate(odd, self._odd)
        return out


class Decimator:
    """Several signals at 44.1 to 88.2 thousand samples a second, from any higher rate.

    Parameters
    ----------
    rate_hz : float
        Rate of the input, Hz.
    signals : int
        Number of signals.
    """

    def __init__(self, rate_hz: float, signals: int) -> None:
        factor = 1
        while rate_hz / (2 * factor) >= LOWEST_RATE_HZ:
            factor *= 2
        self.factor = factor
        """Input samples for one of the output."""
        self.rate_hz = rate_hz / factor
        """Rate of the output, Hz."""
        self.delay = 0
        """Input sample, from the first pushed, at the middle of the first output sample."""
        self._stages: list[_Stage] = []
        top_hz = band(self.rate_hz)[1]
        for done in range(factor.bit_length() - 1):
            taps = halving_filter(rate_hz / 2**done, top_hz)
            self._stages.append(_Stage(taps, signals))
            self.delay += (taps.size - 1) // 2 * 2**done

    def push(self, samples: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the output that these samples complete; shapes (signals, n) and (signals, m)."""
        for stage in self._stages:
            samples = stage.push(samples)
        return samples
