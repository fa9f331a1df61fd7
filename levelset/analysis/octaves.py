"""Fractional-octave frequencies by the base-ten system of IEC 61260-1:2014."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

OCTAVE = 10.0**0.3
"""Octave ratio G of the base-ten system (IEC 61260-1:2014, 5.2; clause from memory)."""
REFERENCE_HZ = 1000.0
FRACTIONS = (1, 3, 6, 12)


def exact_frequencies(fraction: int, low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Return exact mid-band frequencies.

    Parameters
    ----------
    fraction : int
        Bands an octave: 1, 3, 6 or 12.
    low_hz, high_hz : float
        Limits, Hz: bands whose mid-band frequency rounds to one of them in the nominal series are
        included (20 Hz stands for 19.953 Hz).

    Returns
    -------
    ndarray, shape (bands,)
        ``1000 G**(x/b)`` for odd b, ``1000 G**((2x + 1)/(2b))`` for even b, Hz (IEC 61260-1:2014,
        formulas 2 and 3; numbers from memory).

    Raises
    ------
    ValueError
        If the fraction is none of these or the limits are not in order.
    """
    if fraction not in FRACTIONS:
        raise ValueError(f"bands of 1/{fraction} octave are not offered")
    if not 0.0 < low_hz < high_hz:
        raise ValueError(f"limits of {low_hz} to {high_hz} Hz are not in order")
    shift = 0.0 if fraction % 2 else 0.5
    # Half a percent: nominal frequencies differ from the exact ones by at most that here.
    first = math.ceil(_place(low_hz * 0.995, fraction) - shift)
    last = math.floor(_place(high_hz * 1.005, fraction) - shift)
    return REFERENCE_HZ * OCTAVE ** ((np.arange(first, last + 1) + shift) / fraction)


def band_edges(middle_hz: NDArray[np.float64], fraction: int) -> NDArray[np.float64]:
    """Return lower and upper edges, Hz, shape (2, bands): ``f G**(-+1/(2b))`` (IEC 61260-1)."""
    half = OCTAVE ** (0.5 / fraction)
    return np.stack((middle_hz / half, middle_hz * half))


def _place(frequency_hz: float, fraction: int) -> float:
    return fraction * math.log(frequency_hz / REFERENCE_HZ) / math.log(OCTAVE)
