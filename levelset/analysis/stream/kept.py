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
        self.filled = 0
        self.samples = np.zeros((signals, capacity * 2 * half))
        self._even = np.zeros((signals, half, capacity))
        self._odd = np.zeros((signals, half, capacity))
        self._totals = np.zeros((signals, capacity))
        self._energies = np.zeros((signals, capacity))
        self._waves: Basis | None = None
        self._sums = self._moments = np.zeros((signals, 0, capacity), dtype=np.complex128)

    @property
    def capacity(self) -> int:
        """Blocks that are kept."""
        return self._totals.shape[1]

    def add(self, samples: NDArray[np.float64]) -> None:
        """Append whole blocks; samples of shape (signals, blocks * 2 * half)."""
        count = samples.shape[1] // (2 * self.half)
        blocks = samples.reshape(samples.shape[0], count, 2 * self.half)
        right = blocks[:, :, self.half :].transpose(0, 2, 1)
        left = blocks[:, :, self.half - 1 :: -1].transpose(0, 2, 1)
        _append(self.samples, samples)
        _append(self._even, right + left)
        _append(self._odd, right - left)
        _append(self._totals, blocks.sum(axis=2))
        _append(self._energies, np.square(blocks).sum(axis=2))
        if self._waves is not None:
            sums, moments = self._of_blocks(self._waves, count)
            _append(self._sums, sums)
            _append(self._moments, moments)
        self.filled = min(self.filled + count, self.capacity)

    def window(self, blocks: int) -> NDArray[np.float64]:
        """Return the samples of the newest blocks, shape (signals, n)."""
        return self.samples[:, -blocks * 2 * self.half :]

    def totals(self, blocks: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return sum and sum of squares of each signal over the newest blocks."""
        return self._totals[:, -blocks:].sum(axis=1), self._energies[:, -blocks:].sum(axis=1)

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
            self._sums, self._moments = self._of_blocks(waves, self.capacity)
        back = waves.phases.conj()
        moments = self._moments[:, :, -cut.blocks :]
        turn = -1j * (waves.w - kept.w) * np.arange(1.0, order + 1.0)
        sums = (self._sums[:, :, -cut.blocks :] + turn[:, None] * moments) * back
        of_blocks = np.einsum("skb,kb->sk", moments, back)
        return sums.sum(axis=2), sums @ cut.centres + of_blocks

    def _of_blocks(
        self, waves: Basis, blocks: int
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Return the products of the newest blocks, each about its own centre."""
        even, odd = self._even[:, :, -blocks:], self._odd[:, :, -blocks:]
        inside = np.arange(self.half) + 0.5
        sums = np.empty((even.shape[0], waves.cosines.shape[0], blocks), dtype=np.complex128)
        moments = np.empty_like(sums)
        sums.real, sums.imag = waves.cosines @ even, -(waves.sines @ odd)
        moments.real, moments.imag = (waves.cosines * inside) @ odd, -(waves.sines * inside) @ even
        return sums, moments


def _append(kept: NDArray[Any], new: NDArray[Any]) -> None:
    """Push new columns in from the right."""
    count = new.shape[-1]
    if count < kept.shape[-1]:
        kept[..., :-count] = kept[..., count:]
    kept[..., -min(count, kept.shape[-1]) :] = new[..., -kept.shape[-1] :]


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
        system = System.at(w, cut.n, multiples)
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
        # Within its own scatter the step changes nothing but the frequency itself.
        if step == 0.0 or abs(step) < 1.0 / math.sqrt(curvature):
            break
        w += min(max(step, -farthest), farthest)
    return [
        one.fit(waves.w + _own_step(one, moment, farthest), waves)
        for one, moment in zip(solved, moments, strict=True)
    ]


def _own_step(one: Solved, moments: NDArray[np.complex128], farthest: float) -> float:
    step = one.slope(moments) / one.curvature if one.curvature > 0.0 else 0.0
    return min(max(step, -farthest), farthest)
