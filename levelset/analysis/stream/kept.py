"""What overlapping windows share: folded blocks and their products at one frequency.

The stream is cut into blocks that every window starts and ends with. A block's products with the
harmonics of a frequency, and with time times the harmonics, are computed once; a window's products
at a frequency beside it follow to first order, ``S(w) = S(w0) - j k (w - w0) M(w0)`` for the
harmonic k, since a block is short.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from levelset.analysis.fit import (
    FOLLOWED_SHARE,
    HarmonicFit,
    Solved,
    System,
    highest_order,
    up_to,
)
from levelset.analysis.projection import Basis, Layout, basis, layout

if TYPE_CHECKING:
    from numpy.typing import NDArray

FARTHEST_RAD = 1e-3
"""Phase of the highest harmonic at a block's end up to which first order is enough: what is left
out is half its square, 126 dB down."""

MAX_STEPS = 4
LEAST_STEP = 3.0
"""Standard deviations of the frequency within which a step changes nothing but the frequency: what
is left of it in the residual is nine times the variance of one sample."""


class _Newest:
    """The newest columns of an array that grows at its end.

    Twice the room is taken, so that what is kept moves to the front only now and then.

    Parameters
    ----------
    shape : tuple of int
        Shape of what is kept; it grows along the second axis.
    dtype : type
        Of its elements.
    """

    def __init__(self, shape: tuple[int, ...], dtype: type = np.float64) -> None:
        self._kept = shape[1]
        self._room: NDArray[Any] = np.zeros((shape[0], 2 * shape[1], *shape[2:]), dtype=dtype)
        self._end = shape[1]

    def append(self, new: NDArray[Any]) -> None:
        """Append columns; the oldest are forgotten."""
        new = new[:, -self._kept :]
        if self._end + new.shape[1] > self._room.shape[1]:
            rest = self._kept - new.shape[1]
            self._room[:, :rest] = self._room[:, self._end - rest : self._end]
            self._end = rest
        self._room[:, self._end : self._end + new.shape[1]] = new
        self._end += new.shape[1]

    def last(self, count: int) -> NDArray[Any]:
        """Return the newest columns, a view."""
        return self._room[:, self._end - count : self._end]


class KeptBlocks:
    """The last blocks of several signals.

    Parameters
    ----------
    signals : int
        Number of signals.
    half : int
        Half the length of a block, samples.
    capacity : int
        Blocks that are kept.
    """

    def __init__(self, signals: int, half: int, capacity: int) -> None:
        self.half = half
        self.capacity = capacity
        """Blocks that are kept."""
        self.filled = 0
        self._samples = _Newest((signals, capacity * 2 * half))
        self._even = _Newest((signals, capacity, half))
        self._odd = _Newest((signals, capacity, half))
        self._totals = _Newest((signals, capacity, 2))
        self._waves: Basis | None = None
        self._sums = self._moments = _Newest((signals, capacity, 0), np.complex128)
        self._system: System | None = None

    def add(self, samples: NDArray[np.float64]) -> None:
        """Append whole blocks; samples of shape (signals, blocks * 2 * half)."""
        count = samples.shape[1] // (2 * self.half)
        blocks = samples.reshape(samples.shape[0], count, 2 * self.half)
        right, left = blocks[:, :, self.half :], blocks[:, :, self.half - 1 :: -1]
        self._samples.append(samples)
        self._even.append(right + left)
        self._odd.append(right - left)
        self._totals.append(
            np.stack((blocks.sum(axis=2), np.einsum("sbi,sbi->sb", blocks, blocks)), axis=2)
        )
        if self._waves is not None:
            self._project(self._waves, min(count, self.capacity))
        self.filled = min(self.filled + count, self.capacity)

    def window(self, blocks: int) -> NDArray[np.float64]:
        """Return the samples of the newest blocks, shape (signals, n)."""
        return self._samples.last(blocks * 2 * self.half)

    def totals(self, blocks: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return sum and sum of squares of each signal over the newest blocks."""
        total, energy = self._totals.last(blocks).sum(axis=1).T
        return total, energy

    def products(
        self, cut: Layout, waves: Basis
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Return the products of the newest window with each harmonic, and with time as well.

        Parameters
        ----------
        cut : Layout
            The window, of whole blocks.
        waves : Basis
            The harmonics on that window.

        Returns
        -------
        products, moments : ndarray of complex, shape (signals, K)
            ``sum_t y exp(-j k w t)`` and ``sum_t t y exp(-j k w t)``.
        """
        order = waves.phases.shape[0]
        kept = self._waves
        if (
            kept is None
            or kept.phases.shape[0] != order
            or abs(waves.w - kept.w) * order * self.half > FARTHEST_RAD
        ):
            kept = self._waves = waves
            shape = (self._totals.last(1).shape[0], self.capacity, order)
            self._sums = _Newest(shape, np.complex128)
            self._moments = _Newest(shape, np.complex128)
            self._project(waves, self.capacity)
        back = waves.phases.conj().T
        turn = -1j * (waves.w - kept.w) * np.arange(1.0, order + 1.0)
        of_blocks = self._moments.last(cut.blocks) * back
        sums = self._sums.last(cut.blocks) * back + turn * of_blocks
        return sums.sum(axis=1), cut.centres @ sums + of_blocks.sum(axis=1)

    def system(self, w: float, n: int, multiples: tuple[int, ...]) -> System:
        """Return the normal equations at a frequency, solved with the last inverse if it serves."""
        self._system = System.at(w, n, multiples, self._system)
        return self._system

    def _project(self, waves: Basis, blocks: int) -> None:
        """Append the products of the newest blocks, each about its own centre."""
        even, odd = self._even.last(blocks), self._odd.last(blocks)
        inside = np.arange(self.half) + 0.5
        sums = np.empty((*even.shape[:2], waves.cosines.shape[0]), dtype=np.complex128)
        sums.real, sums.imag = even @ waves.cosines.T, -(odd @ waves.sines.T)
        self._sums.append(sums)
        sums.real = odd @ (waves.cosines * inside).T
        sums.imag = -(even @ (waves.sines * inside).T)
        self._moments.append(sums)


def fit_together(kept: KeptBlocks, blocks: int, w: float, order: int) -> list[HarmonicFit]:
    """Fit one frequency to the newest blocks of all signals.

    Parameters
    ----------
    kept : KeptBlocks
        The signals.
    blocks : int
        Length of the window, blocks; at least 3 periods.
    w : float
        Frequency of the window before, rad per sample.
    order : int
        Harmonics to fit, as far as they lie below half the rate.

    Returns
    -------
    list of HarmonicFit
        One for each signal, all solved at the frequency that fits those with the tone best,
        weighted by what each says about it; the frequency that each states is its own.
    """
    cut = layout(blocks * 2 * kept.half, kept.half)
    totals, energies = kept.totals(blocks)
    alternating = energies - np.square(totals) / cut.n
    multiples = up_to(highest_order(w, cut.n, order))
    farthest = 2.0 * math.pi / cut.n
    for _ in range(MAX_STEPS):
        waves = basis(cut, w, multiples[-1])
        products, moments = kept.products(cut, waves)
        system = kept.system(w, cut.n, multiples)
        solved = [
            Solved.of(system, float(total), float(energy), one)
            for total, energy, one in zip(totals, energies, products, strict=True)
        ]
        slope = curvature = 0.0
        for one, moment, power in zip(solved, moments, alternating, strict=True):
            if 0.0 < one.residual_energy < FOLLOWED_SHARE * power and one.curvature > 0.0:
                weight = cut.n / one.residual_energy
                slope += weight * one.slope(moment)
                curvature += weight * one.curvature
        step = slope / curvature if curvature > 0.0 else 0.0
        if step == 0.0 or abs(step) < LEAST_STEP / math.sqrt(curvature):
            break
        w += min(max(step, -farthest), farthest)
    return [
        one.fit(waves.w + _own_step(one, moment, farthest), waves)
        for one, moment in zip(solved, moments, strict=True)
    ]


def _own_step(one: Solved, moments: NDArray[np.complex128], farthest: float) -> float:
    step = one.slope(moments) / one.curvature if one.curvature > 0.0 else 0.0
    return min(max(step, -farthest), farthest)
