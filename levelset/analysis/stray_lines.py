"""Lines of hum or whine among the lines of a known signal: taken apart, or kept out.

A line that is not the signal's own lies between the bins of whole periods, or stands alone where
distortion would be spread over many.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.periodic import Heard

ABOUT = np.arange(-2.0, 3.0)
"""Bins that a tone and a stray line beside it are told by: a product beside them leaves none."""
OFF_BINS = np.concatenate((np.arange(-2.4, -0.09, 0.05), np.arange(0.1, 2.41, 0.05)))
"""Where a stray line is looked for, bins from the tone."""
STRAY = 20.0
"""Sum of four squared errors over the noise, by chance in one of 300 000 tones."""
SPREAD = 3.0
"""What all tones leave alike, such as a slow drift of the level, counts so many times."""
ALONE = 15.0
"""Power of one place over the mean of those about it; noise reaches it once in three million."""
FEWEST_ABOUT = 24
BESIDE = 2
"""So many places to both sides hold what leaks out of a line that stands alone."""


def hann_leak(off_bins: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the height of a line so many bins away, Hann window, 1 at its own place.

    ``sinc(x) / (1 - x**2)`` (F. J. Harris, Proc. IEEE 66, 1978), phase at the window's middle.
    """
    x = np.asarray(off_bins, dtype=np.float64)
    near_one = np.abs(np.abs(x) - 1.0) < 1e-9
    below = np.where(near_one, 1.0, 1.0 - x * x)
    leak: NDArray[np.float64] = np.where(near_one, 0.5, np.sinc(x) / below)
    return leak


def tones_apart(
    heard: Heard, number: NDArray[np.intp], noise: NDArray[np.float64]
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Return each tone's phasor with a stray line beside it taken off, and its noise power.

    Parameters
    ----------
    heard : Heard
        Whole periods.
    number : ndarray of int, shape (L,)
        Multiples of the tones.
    noise : ndarray, shape (L,)
        What noise adds to their squared amplitude.

    Returns
    -------
    phasor : ndarray of complex, shape (L,)
        Full scale.
    error : ndarray, shape (L,)
        `noise`, larger where a line had to be taken off: without bound where it lies on the tone.
    """
    phasor, error = heard.phasors(number).copy(), noise.copy()
    places = number[:, np.newaxis] * heard.periods + ABOUT.astype(np.intp)
    inside = np.flatnonzero(places[:, -1] < heard.spectrum.size)
    bins = heard.spectrum[places[inside]]
    # Neighbouring bins of a Hann window share two thirds and one sixth of their noise.
    apart = np.abs(np.subtract.outer(ABOUT, ABOUT))
    shared = np.select([apart == 0.0, apart == 1.0, apart == 2.0], [1.0, 2.0 / 3.0, 1.0 / 6.0])
    inverse = np.linalg.inv(shared)
    own = hann_leak(ABOUT)[:, np.newaxis]
    alone, left = _solved(bins, own, inverse)
    size = np.square(np.abs(alone[:, 0]))
    drift = float(np.median((left - 4.0 * noise[inside]) / np.maximum(size, 1e-300)))
    allowed = noise[inside] + SPREAD * max(drift, 0.0) * size
    for i in np.flatnonzero(left > STRAY * allowed):
        best = left[i]
        for off in OFF_BINS:
            pair = np.hstack((own, hann_leak(ABOUT - off)[:, np.newaxis]))
            both, rest = _solved(bins[i : i + 1], pair, inverse)
            if rest[0] < best:
                best = rest[0]
                spread = float(np.linalg.inv(pair.T @ inverse @ pair)[0, 0])
                phasor[inside[i]] = both[0, 0]
                # Two degrees are left; what they hold beyond noise is a line that moves.
                error[inside[i]] = spread * max(allowed[i], 0.5 * best)
    return phasor, error


def _solved(
    bins: NDArray[np.complex128], shapes: NDArray[np.float64], inverse: NDArray[np.float64]
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Return sizes of shapes that make up bins, shape (rows, shapes), and the square left."""
    weighted = inverse @ shapes
    sizes = bins @ weighted @ np.linalg.inv(shapes.T @ weighted)
    rest = bins - sizes @ shapes.T
    left: NDArray[np.float64] = np.einsum("ij,jk,ik->i", np.conj(rest), inverse, rest).real
    return sizes, left


def standing_alone(
    number: NDArray[np.intp], square: NDArray[np.float64], reach: float
) -> NDArray[np.bool_]:
    """Tell which places hold a line that stands alone, and those beside it.

    Distortion of many tones falls on many places; hum, whine and other tones on few.

    Parameters
    ----------
    number : ndarray of int, shape (P,)
        Places, ascending.
    square : ndarray, shape (P,)
        Their squared amplitudes.
    reach : float
        Part of a place's number within which its neighbours count.

    Returns
    -------
    ndarray of bool, shape (P,)
    """
    found = np.zeros(number.size, dtype=np.bool_)
    for _ in range(4):
        kept = np.flatnonzero(~found)
        if kept.size <= FEWEST_ABOUT:
            break
        at, level = number[kept], square[kept]
        total = np.concatenate(([0.0], np.cumsum(level)))
        low = np.searchsorted(at, at - reach * at)
        high = np.searchsorted(at, at + reach * at, side="right")
        half = FEWEST_ABOUT // 2
        middle = np.arange(kept.size)
        low = np.minimum(low, np.clip(middle - half, 0, kept.size - FEWEST_ABOUT))
        high = np.maximum(high, np.clip(middle + half, FEWEST_ABOUT, kept.size))
        mean = (total[high] - total[low] - level) / (high - low - 1)
        high_ones = level > ALONE * mean
        if not bool(high_ones.any()):
            break
        lines = at[high_ones]
        near = np.searchsorted(lines, number - BESIDE) < np.searchsorted(
            lines, number + BESIDE, side="right"
        )
        found |= near
    return found
