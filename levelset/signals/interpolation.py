"""Values between the points of a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

POINTS = 8
"""Points of the interpolation: at 0.21 of the table's rate it is 0.02 dB down, at 0.11 of it
0.0001 dB."""


def between_points(table: NDArray[np.float64], place: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the values of a table that repeats at places between its points.

    Parameters
    ----------
    table : ndarray, shape (m,)
        One period.
    place : ndarray, shape (n,)
        Places in points, any; fractions too.

    Returns
    -------
    ndarray, shape (n,)
        Lagrange interpolation through the nearest points.
    """
    whole = np.floor(place)
    part = place - whole
    index = whole.astype(np.int64)
    nodes = range(1 - POINTS // 2, POINTS // 2 + 1)
    value = np.zeros_like(place)
    for node in nodes:
        weight = np.ones_like(part)
        for other in nodes:
            if other != node:
                weight *= (part - other) / (node - other)
        value += weight * table[(index + node) % len(table)]
    return value
