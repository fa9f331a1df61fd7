"""Preferred values of resistors and capacitors (IEC 60063)."""

from __future__ import annotations

import math
from functools import cache

E24 = (
    *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
    *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
)
"""One decade of the series of resistors."""
E12 = E24[::2]
"""One decade of the series of capacitors."""


@cache
def preferred(decade: tuple[float, ...], low: float, high: float) -> tuple[float, ...]:
    """Return the preferred values within inclusive limits, rising.

    Parameters
    ----------
    decade : tuple of float
        One decade, such as `E24`.
    low, high : float
        Limits above 0, in any unit.

    Returns
    -------
    tuple of float
        Exact to the printed digits (820.0, not 819.9999).
    """
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    values = (round(v * 10.0**power, 6) for power in range(first, last + 1) for v in decade)
    return tuple(value for value in values if low <= value <= high)
