"""A-weighting by IEC 61672-1:2013."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
"""f1 (double), f2, f3 and f4 (double) of IEC 61672-1:2013, Annex E (from memory)."""


def a_weighting(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the ratio of A-weighting, 1 at 1 kHz.

    Parameters
    ----------
    frequency_hz : ndarray
        Frequencies, Hz, not negative.

    Returns
    -------
    ndarray
        ``f4**2 f**4 / ((f**2 + f1**2) sqrt(f**2 + f2**2) sqrt(f**2 + f3**2) (f**2 + f4**2))``
        over its value at 1 kHz; the same shape.
    """
    return _unscaled(np.asarray(frequency_hz, dtype=np.float64)) / _unscaled(np.asarray(1000.0))


def _unscaled(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    square = np.square(frequency_hz)
    f1, f2, f3, f4 = (pole * pole for pole in POLES_HZ)
    weight: NDArray[np.float64] = (
        f4 * square * square / ((square + f1) * np.sqrt((square + f2) * (square + f3)))
    ) / (square + f4)
    return weight
