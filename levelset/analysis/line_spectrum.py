"""Spectrum of a window as it is shown: tones at their own height, whatever their frequency.

The windows of the fit are short and hold no whole number of periods. A window with low side lobes
keeps a strong tone from covering weak harmonics; its height at a bin between two is within 0.9 dB.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

BLACKMAN_HARRIS = (0.35875, -0.48829, 0.14128, -0.01168)
"""Four terms, side lobes below -92 dB (F. J. Harris, Proc. IEEE 66, 1978, table 1; from memory)."""
LOWEST_DB = -200.0


def line_spectrum(
    x: NDArray[np.float64],
    rate_hz: float,
    *,
    places: int,
    low_hz: float,
    high_hz: float,
    response: Callable[[NDArray[np.float64]], NDArray[np.complex128]] | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the largest level in each of many places, equally spaced by ratio.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Samples, any unit; the mean is removed.
    rate_hz : float
        Sample rate, Hz.
    places : int
        Places between the lowest and the highest frequency; those without a bin are left out.
    low_hz, high_hz : float
        Lowest and highest frequency, Hz.
    response : callable or None
        Transfer of the input, by which every bin is divided.

    Returns
    -------
    frequency_hz : ndarray, shape (p,)
        Of the largest bin of each place, Hz, ascending.
    level_db : ndarray, shape (p,)
        20 lg of the peak of a sine with that height.
    """
    n = x.size
    turns = 2.0 * math.pi * np.arange(n) / n
    window = sum(a * np.cos(k * turns) for k, a in enumerate(BLACKMAN_HARRIS))
    heights = np.abs(np.fft.rfft((x - x.mean()) * window)) * (2.0 / (n * BLACKMAN_HARRIS[0]))
    frequency = np.arange(heights.size, dtype=np.float64) * (rate_hz / n)
    inside = (frequency >= low_hz) & (frequency <= high_hz)
    frequency, heights = frequency[inside], heights[inside]
    if response is not None and frequency.size:
        heights = heights / np.abs(response(frequency))
    if not frequency.size:
        return frequency, heights
    ratio = np.log(frequency / low_hz) / math.log(high_hz / low_hz)
    place = np.minimum((ratio * places).astype(np.intp), places - 1)
    order = np.lexsort((-heights, place))
    first = np.r_[True, np.diff(place[order]) > 0]
    largest = order[first]
    floor = 10.0 ** (LOWEST_DB / 20.0)
    return frequency[largest], 20.0 * np.log10(np.maximum(heights[largest], floor))
