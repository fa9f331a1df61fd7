"""The two curves that explain a verdict: one period, and output against input."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.result import Picture

if TYPE_CHECKING:
    from numpy.typing import NDArray

PERIOD_POINTS = 240
TRANSFER_POINTS = 121


def _means(
    place: NDArray[np.intp], values: NDArray[np.float64], size: int
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    counts = np.bincount(place, minlength=size)
    sums = np.bincount(place, values, minlength=size)
    return counts > 0, sums / np.maximum(counts, 1)


def picture(
    signal: NDArray[np.float64], turns: NDArray[np.float64], amplitude: float, offset: float
) -> Picture:
    """Return the curves, every period of the window folded on one.

    Parameters
    ----------
    signal : ndarray, shape (n,)
        Samples corrected for the response, mean removed, full scale.
    turns : ndarray, shape (n,)
        Phase of the fundamental cosine, turns.
    amplitude, offset : float
        Fundamental and mean, full scale.
    """
    # A sine rises through zero a quarter turn before its peak. Only the deviation from the sine is
    # averaged, so that the width of a place does not round anything off.
    fitted = np.cos(2.0 * math.pi * turns)
    deviation = signal - amplitude * fitted
    points = int(min(PERIOD_POINTS, max(16, signal.size // 4)))
    place = np.rint((turns + 0.25) % 1.0 * points).astype(np.intp) % points
    filled, level = _means(place, deviation, points)
    grid = np.arange(points) / points
    sine = amplitude * np.sin(2.0 * math.pi * grid)
    measured = sine + np.interp(grid, grid[filled], level[filled], period=1.0)

    size = int(min(TRANSFER_POINTS, max(9, signal.size // 8)))
    inputs = amplitude * np.linspace(-1.0, 1.0, size)
    place = np.rint((fitted + 1.0) * (0.5 * (size - 1))).astype(np.intp)
    filled, level = _means(place, deviation, size)
    outputs = inputs + np.interp(inputs, inputs[filled], level[filled])
    return Picture(measured + offset, sine + offset, inputs, outputs + offset)
