"""About one row per millisecond: the step lives far below the audio band."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

PASS_HZ = 300.0
STOP_HZ = 700.0
STOP_DB = 100.0
ROWS_PER_S = 1000.0


def slowed(samples: NDArray[np.float64], rate_hz: int) -> tuple[NDArray[np.float64], float]:
    """Return the samples below 300 Hz, at about 1000 rows a second.

    A plain mean of blocks lets a 1 kHz tone through as slow beats (its first zero is all that
    stops it), so a filter with 100 dB of rejection above 700 Hz is used. What it leaves between
    500 and 700 Hz appears mirrored between 300 and 500 Hz, far from the step.

    Parameters
    ----------
    samples : ndarray, shape (n, channels)
        Full scale = 1.
    rate_hz : int
        Sample rate, Hz, 8000 or above.

    Returns
    -------
    rows : ndarray, shape (m, channels)
        Row i stands for the middle of the filter, ``(i * step + (taps - 1) / 2) / rate_hz`` s.
    row_rate_hz : float
        Rows per second.
    """
    step = round(rate_hz / ROWS_PER_S)
    taps = _taps(rate_hz)
    if len(samples) < len(taps):
        return np.empty((0, samples.shape[1])), rate_hz / step
    windows = np.lib.stride_tricks.sliding_window_view(samples, len(taps), axis=0)[::step]
    return windows @ taps, rate_hz / step


def half_length_rows(rate_hz: int) -> int:
    """Return how many rows before and after an edge the filter smears it over."""
    return math.ceil(len(_taps(rate_hz)) / 2 / round(rate_hz / ROWS_PER_S))


@lru_cache(maxsize=8)
def _taps(rate_hz: int) -> NDArray[np.float64]:
    """Return the low-pass, by the Kaiser window.

    Oppenheim and Schafer, Discrete-Time Signal Processing, ch. 7: beta = 0.1102 (A - 8.7),
    length (A - 7.95) / (2.285 transition); from memory.
    """
    width = 2.0 * math.pi * (STOP_HZ - PASS_HZ) / rate_hz
    order = 2 * math.ceil((STOP_DB - 7.95) / (2.285 * width) / 2.0)
    at = np.arange(order + 1) - order / 2.0
    cut = (PASS_HZ + STOP_HZ) / rate_hz
    taps = np.sinc(cut * at) * np.kaiser(order + 1, 0.1102 * (STOP_DB - 8.7))
    unity: NDArray[np.float64] = taps / taps.sum()
    unity.flags.writeable = False
    return unity
