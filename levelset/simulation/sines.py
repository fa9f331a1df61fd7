"""Sums of sines at evenly spaced times, many at once."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.signals.signal import Component

    Values = NDArray[np.float64]

COLUMNS = 256
"""Values that one row of the product of many sines has."""


@dataclass(frozen=True, slots=True, eq=False)
class Sines:
    """Frequencies, peaks and phases at time 0 as arrays, each of shape (m,).

    Two are the same only where they are one: what is computed of them is kept.

    Parameters
    ----------
    frequency_hz, peak, phase_rad : ndarray, shape (m,)
        Hz; any unit; rad.
    """

    frequency_hz: Values
    peak: Values
    phase_rad: Values


@lru_cache(maxsize=16)
def sines_of(components: tuple[Component, ...]) -> Sines:
    """Return the components of a signal."""
    table = [(c.frequency_hz, c.amplitude_fs, c.phase_rad) for c in components]
    columns = np.array(table).reshape(-1, 3).T
    return Sines(columns[0], columns[1], columns[2])


def sum_of_sines(sines: Sines, start: float, frame_s: float, frames: int, factor: int) -> Values:
    """Return the sum at ``frames * factor`` times from a start.

    By sin(a + b) = sin a cos b + cos a sin b it is one matrix product instead of a sine for
    every value; the result is the same to a few units in the last place.

    Parameters
    ----------
    sines : Sines
        Which.
    start, frame_s : float
        Time of the first value, frames, and length of a frame, s.
    frames, factor : int
        Number of frames, and of values in each.

    Returns
    -------
    ndarray, shape (frames, factor)
        A row per frame.
    """
    if not len(sines.peak):
        return np.zeros((frames, factor))
    # With many sines it pays to have few, long rows: fewer sines are computed.
    group = 1 if len(sines.peak) == 1 else max(1, COLUMNS // factor)
    rows = math.ceil(frames / group)
    omega = 2.0 * np.pi * sines.frequency_hz
    starts = start + np.arange(0, rows * group, group, dtype=np.float64)
    a = np.multiply.outer(starts * frame_s, omega) + sines.phase_rad
    left = np.concatenate((sines.peak * np.sin(a), sines.peak * np.cos(a)), axis=1)
    product: Values = left @ _row(sines, frame_s / factor, group * factor)
    return product.reshape(-1, factor)[:frames]


@lru_cache(maxsize=16)
def _row(sines: Sines, step_s: float, count: int) -> Values:
    """Return cosines and sines at the times of one row, shape (2 m, count)."""
    b = np.multiply.outer(2.0 * np.pi * sines.frequency_hz, step_s * np.arange(count))
    return np.concatenate((np.cos(b), np.sin(b)))
