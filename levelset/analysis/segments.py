"""Equal segments of one window, fitted together at one frequency.

The basis of all segments is the same, so that offset, tone and harmonics of all of them are a few
matrix products; even and odd halves of each segment are folded first, as in
:mod:`levelset.analysis.projection`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.fit import COUNTED, fit_tone, highest_order
from levelset.analysis.kernels import dirichlet, gram
from levelset.analysis.projection import fold, synthesise

if TYPE_CHECKING:
    from numpy.typing import NDArray

SAME_PHASE_RAD = 0.02
"""Phase at the ends of a segment by which the highest harmonic may be off at the common frequency:
the amplitude is then right to 1e-5."""
ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Segments:
    """Offset, tone and harmonics of every segment.

    Parameters
    ----------
    n : int
        Frames of a segment.
    w : ndarray, shape (S,)
        Angular frequency of each, rad per sample.
    offset : ndarray, shape (S,)
        Constant part of each.
    phasors : ndarray of complex, shape (S, K)
        Harmonics 1 ... K at the centre of each segment: ``Re{c_k exp(j k w t)}``.
    residual : ndarray, shape (S, n)
        What the fit leaves.
    phase : ndarray, shape (S,)
        Phase of the fundamental at the centres less that of a steady tone of `mean_w`, unwrapped.
    mean_w : float
        Frequency that the phases move by on the whole.
    variance : ndarray, shape (S,)
        Variance per sample of what the fit leaves.
    """

    n: int
    w: NDArray[np.float64]
    offset: NDArray[np.float64]
    phasors: NDArray[np.complex128]
    residual: NDArray[np.float64]
    phase: NDArray[np.float64]
    mean_w: float
    variance: NDArray[np.float64]

    @property
    def count(self) -> int:
        """Number of segments."""
        return int(self.w.size)

    @property
    def order(self) -> int:
        """Number of harmonics, the fundamental included."""
        return int(self.phasors.shape[1])


@dataclass(frozen=True, slots=True)
class _Common:
    """The basis at one frequency, for half a segment, and the inverse of its normal equations."""

    cosines: NDArray[np.float64]
    sines: NDArray[np.float64]
    inverse: NDArray[np.float64]


@lru_cache(maxsize=4)
def _common(w: float, n: int, order: int) -> _Common:
    inside = np.arange(n // 2) + 0.5
    cosines, sines = np.empty((order, n // 2)), np.empty((order, n // 2))
    turn = np.exp(1j * w * inside)
    wave = np.ones_like(turn)
    for k in range(order):
        wave = wave * turn
        cosines[k], sines[k] = wave.real, wave.imag
    system = gram(dirichlet(w, n, 2 * order), tuple(range(order + 1)))
    return _Common(cosines, sines, np.asarray(np.linalg.inv(system), dtype=np.float64))


def _fit(
    segments: NDArray[np.float64], w: float, order: int
) -> tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.float64]]:
    """Return offsets, phasors and residual of segments of shape (S, n), n even."""
    count, n = segments.shape
    waves = _common(w, n, order)
    right, left = segments[:, n // 2 :], segments[:, n // 2 - 1 :: -1]
    even, odd = right + left, right - left
    products = np.empty((2, order + 1, count))
    products[0, 0] = even.sum(axis=1)
    products[0, 1:] = waves.cosines @ even.T
    products[1, 0] = 0.0
    products[1, 1:] = waves.sines @ odd.T
    cosine, sine = waves.inverse @ products
    even = cosine[1:].T @ waves.cosines
    even += cosine[0][:, None]
    odd = sine[1:].T @ waves.sines
    residual = segments.copy()
    residual[:, n // 2 :] -= even + odd
    residual[:, n // 2 - 1 :: -1] -= even - odd
    return cosine[0], (cosine[1:] - 1j * sine[1:]).T, residual


def _phases(phasors: NDArray[np.complex128], w: float, n: int) -> NDArray[np.float64]:
    """Return the fundamental's phases less those of a steady tone of `w`, unwrapped."""
    count = phasors.shape[0]
    return np.unwrap(np.angle(phasors[:, 0] * np.exp(-1j * w * n * np.arange(count))))


def _variance(residual: NDArray[np.float64], order: int) -> NDArray[np.float64]:
    free = max(1, residual.shape[1] - 2 * order - 2)
    return np.asarray(np.einsum("sn,sn->s", residual, residual) / free)


def fit_segments(segments: NDArray[np.float64], start_w: float, order: int) -> Segments:
    """Fit every segment of a window.

    Parameters
    ----------
    segments : ndarray, shape (S, n)
        Consecutive segments, n even.
    start_w : float
        Frequency within half a bin of a segment, rad per sample; where it is so near that it does
        not matter, the basis of an earlier window or of the other channel is used again.
    order : int
        Harmonics that a segment shows; at least 40 are fitted where they exist.

    Returns
    -------
    Segments
        At one common frequency, or where the frequency moves each at its own.
    """
    count, n = segments.shape
    order = highest_order(start_w, n, max(order, COUNTED))
    w = start_w
    for _ in range(ROUNDS):
        offset, phasors, residual = _fit(segments, w, order)
        phase = _phases(phasors, w, n)
        moves = np.diff(phase) / n
        usual = float(np.median(moves))
        if abs(usual) * order * 0.5 * n <= SAME_PHASE_RAD:
            break
        w += usual
    variance = _variance(residual, order)
    noise = np.sqrt(2.0 * variance / n)
    scatter = 6.0 * float(np.median(noise / np.abs(phasors[:, 0]))) / n
    moved = np.abs(moves - usual)
    if float(np.median(moved)) * order * 0.5 * n > SAME_PHASE_RAD and np.median(moved) > scatter:
        return _one_by_one(segments, w, order)
    return Segments(n, np.full(count, w), offset, phasors, residual, phase, w, variance)


def _one_by_one(segments: NDArray[np.float64], w: float, order: int) -> Segments:
    """Fit segments whose frequency moves, each from the frequency of the one before."""
    count, n = segments.shape
    found = np.empty(count)
    offset = np.empty(count)
    phasors = np.zeros((count, order), dtype=np.complex128)
    residual = np.empty_like(segments)
    start_w = w
    for index, segment in enumerate(segments):
        window = fold(np.ascontiguousarray(segment))
        fit = fit_tone(window, start_w, refit=True)
        found[index] = start_w = fit.w
        offset[index] = fit.offset
        kept = min(order, fit.order)
        phasors[index, :kept] = fit.phasors[:kept]
        residual[index] = segment - fit.offset - synthesise(window.cut, fit.waves, fit.phasors)
    mean_w = float(found.mean())
    phase = _phases(phasors, mean_w, n)
    variance = _variance(residual, order)
    return Segments(n, found, offset, phasors, residual, phase, mean_w, variance)
