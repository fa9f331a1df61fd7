"""Random numbers that stay the same: raw integers of PCG64 at any place of its stream.

numpy promises the integers of a bit generator, not what its distributions make of them; so
triangular and near-normal numbers are made here.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def _raw(seed: int, first: int, count: int) -> NDArray[np.uint64]:
    return np.random.PCG64(seed).advance(first).random_raw(count)


def triangular(seed: int, first: int, count: int) -> NDArray[np.float64]:
    """Return triangular numbers between -1 and 1, both excluded.

    Parameters
    ----------
    seed : int
        Stream, not negative.
    first, count : int
        Place of the first number in the stream, and how many.

    Returns
    -------
    ndarray, shape (count,)
        Difference of two uniform numbers of 32 bits.
    """
    raw = _raw(seed, first, count)
    upper = (raw >> np.uint64(32)).astype(np.float64)
    lower = (raw & np.uint64(0xFFFFFFFF)).astype(np.float64)
    return (upper - lower) * 2.0**-32


def near_normal(seed: int, count: int) -> NDArray[np.float64]:
    """Return numbers of variance 1 that are nearly normal: sums of four uniform ones of 16 bits.

    Parameters
    ----------
    seed, count : int
        Stream, and how many.
    """
    raw = _raw(seed, 0, count)
    mask = np.uint64(0xFFFF)
    total = np.zeros(count)
    for shift in (0, 16, 32, 48):
        total += ((raw >> np.uint64(shift)) & mask).astype(np.float64)
    # Four uniform numbers of width 1 have the mean 2 and the variance 4/12.
    return (total * 2.0**-16 - 2.0) * math.sqrt(3.0)
