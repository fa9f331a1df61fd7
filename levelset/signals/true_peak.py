"""True peak: the largest value between the samples too."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

OVERSAMPLING = 8
"""ITU-R BS.1770-4, Annex 2 asks for at least 4 at 48 kHz."""
TAPS = 64
"""Samples that one value between the samples is made from."""
KAISER_BETA = 7.0
_CHUNK = 1 << 15


@lru_cache(maxsize=1)
def _phases() -> NDArray[np.float64]:
    """Windowed sinc for every place between two samples, shape (TAPS, OVERSAMPLING)."""
    delay = np.arange(OVERSAMPLING) / OVERSAMPLING
    place = np.arange(TAPS)[:, None] - (TAPS // 2 - 1) - delay
    inside = np.clip(1.0 - np.square(place / (TAPS / 2)), 0.0, None)
    taps = np.sinc(place) * np.i0(KAISER_BETA * np.sqrt(inside)) / np.i0(KAISER_BETA)
    phases: NDArray[np.float64] = taps / taps.sum(axis=0)
    return phases


def true_peak(samples: NDArray[np.float64]) -> float:
    """Return the largest magnitude of the band-limited signal through the samples.

    Oversampling by 8 and taking the largest magnitude, the method of ITU-R BS.1770-4, Annex 2;
    its own filter of 12 taps a phase is replaced by one of 64. Between two of the places a sine
    of frequency f may be under-read by ``20 lg cos(pi f / (8 fs))``, 0.14 dB at 0.45 fs.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel; silence is assumed before and after.

    Returns
    -------
    float
        In the unit of the samples; 0 for no samples.
    """
    if samples.ndim != 1:
        raise ValueError(f"samples need the shape (frames,), got {samples.shape}")
    if samples.size == 0:
        return 0.0
    padded = np.concatenate((np.zeros(TAPS // 2), samples, np.zeros(TAPS)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, TAPS)
    peak = float(np.abs(samples).max())
    for start in range(0, len(windows), _CHUNK):
        between = windows[start : start + _CHUNK] @ _phases()
        peak = max(peak, float(np.abs(between).max()))
    return peak
