"""From the oversampled voltages to the interface's rate, as a converter does it."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.lib.stride_tricks import as_strided

if TYPE_CHECKING:
    from numpy.typing import NDArray

ROWS = 72
"""Length of the filter, frames."""

ATTENUATION_DB = 110.0
HIGHEST_FACTOR = 32
LOWEST_FACTOR = 4

HARMONIC_REACH = 1500.0
"""Harmonics up to this one are kept from folding back. The n-th harmonic of a hard clipped sine
is at most 4/pi * sqrt(overdrive^2 - 1) / n^2 of the clip level (Fourier series of the corners'
slopes), -106 dB at 1500 for 6 dB of overdrive."""


def oversampling(highest_hz: float, rate_hz: int) -> int:
    """Return the factor for signals up to this frequency: 4, 8, 16 or 32.

    Harmonics fold back into the band from ``factor * rate - rate / 2`` on. The largest factor is
    enough for 1 kHz; above it aliases of clipped tones rise by 12 dB an octave.
    """
    wanted = 0.5 + HARMONIC_REACH * highest_hz / rate_hz
    factor = LOWEST_FACTOR
    while factor < wanted and factor < HIGHEST_FACTOR:
        factor *= 2
    return factor


@lru_cache(maxsize=8)
def _filter(factor: int) -> NDArray[np.float64]:
    """Return the taps as shape (factor, ROWS): phase within the frame, age in frames.

    Windowed ideal low-pass at half the rate with a Kaiser window (Kaiser's design formulas, in
    any textbook on digital filters): within 1e-4 dB to 0.45 of the rate, 110 dB down from 0.55.
    """
    count = factor * ROWS
    beta = 0.1102 * (ATTENUATION_DB - 8.7)
    n = np.arange(count) - (count - 1) / 2.0
    taps = np.sinc(n / factor) * np.kaiser(count, beta)
    taps /= taps.sum()
    # Row n holds the samples n * factor ... n * factor + factor - 1; the newest has age 0.
    taps_by_age = taps.reshape(ROWS, factor)
    return np.ascontiguousarray(taps_by_age[:, ::-1].T)


def passed(frequency_hz: float, rate_hz: int, factor: int) -> complex:
    """Return what the filter leaves of a sine at any frequency, as a ratio to the sine itself.

    Frequencies beyond half the oversampled rate count as kept out before.
    """
    turns = frequency_hz / (rate_hz * factor)
    if turns >= 0.5:
        return 0j
    taps = _filter(factor)[::-1].T.ravel()
    delay = np.arange(factor * ROWS) - (factor - 1)
    return complex(taps @ np.exp(-2j * np.pi * turns * delay))


def decimate(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Filter and decimate.

    Parameters
    ----------
    rows : ndarray, shape (ROWS - 1 + frames, factor)
        Oversampled values, a row per frame, the first ``ROWS - 1`` rows being those before the
        first frame.

    Returns
    -------
    ndarray, shape (frames,)
        Values at the interface's rate.
    """
    # Every row against all ages at once, then the sum along the skewed diagonals: row n - age
    # at age belongs to frame n.
    products = np.ascontiguousarray(rows @ _filter(rows.shape[1]))
    step = products.itemsize
    skewed = as_strided(
        products[ROWS - 1 :],
        shape=(len(rows) - ROWS + 1, ROWS),
        strides=(ROWS * step, -(ROWS - 1) * step),
        writeable=False,
    )
    total: NDArray[np.float64] = skewed.sum(axis=1)
    return total
