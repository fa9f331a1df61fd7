"""Products of a window with many harmonics, and the way back, in two levels.

The window is cut into blocks of about ``sqrt(N)`` samples. A harmonic inside a block is the same
small wave in every block, turned by the block's phase: one small basis serves all blocks, and the
block phases do the rest. Even and odd halves of each block are folded first, which halves the
basis again. The result is exact for any frequency; nothing is interpolated or synchronised.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Layout:
    """How a window of `n` samples is cut.

    Parameters
    ----------
    n : int
        Samples of the window.
    half : int
        Samples of half a block.
    blocks : int
        Number of blocks; the last is filled up with zeros.
    inside : ndarray, shape (half,)
        Distance of a sample of the right half from its block's centre, in samples.
    centres : ndarray, shape (blocks,)
        Distance of each block's centre from the window's, in samples.
    """

    n: int
    half: int
    blocks: int
    inside: NDArray[np.float64]
    centres: NDArray[np.float64]


def best_half(n: int) -> int:
    """Return half the block length that makes the least work of a window of `n` samples."""
    return max(1, round(0.55 * math.sqrt(n)))


@lru_cache(maxsize=64)
def layout(n: int, half: int | None = None) -> Layout:
    """Return the cut of a window of `n` samples, into blocks of twice `half`."""
    half = best_half(n) if half is None else half
    blocks = -(-n // (2 * half))
    inside = np.arange(half, dtype=np.float64) + 0.5
    centres = np.arange(blocks, dtype=np.float64) * (2.0 * half) + half - 0.5 * n
    return Layout(n, half, blocks, inside, centres)


def powers(angle: NDArray[np.float64], highest: int) -> NDArray[np.complex128]:
    """Return ``exp(j k angle)``, k = 1 ... highest, by doubling; shape (highest, angle.size)."""
    out = np.empty((highest, angle.size), dtype=np.complex128)
    np.exp(1j * angle, out=out[0])
    done = 1
    while done < highest:
        count = min(done, highest - done)
        np.multiply(out[:count], out[done - 1], out=out[done : done + count])
        done += count
    return out


@dataclass(frozen=True, slots=True)
class Basis:
    """Harmonics 1 ... K of one frequency over one layout.

    Parameters
    ----------
    w : float
        Angular frequency, rad per sample.
    cosines, sines : ndarray, shape (K, half)
        Harmonics over the right half of a block.
    phases : ndarray of complex, shape (K, blocks)
        ``exp(j k w centre)``.
    """

    w: float
    cosines: NDArray[np.float64]
    sines: NDArray[np.float64]
    phases: NDArray[np.complex128]


def basis(cut: Layout, w: float, highest: int) -> Basis:
    """Return the basis of harmonics 1 ... `highest` of `w` (rad per sample)."""
    waves = powers(w * cut.inside, highest)
    return Basis(
        w,
        np.ascontiguousarray(waves.real),
        np.ascontiguousarray(waves.imag),
        powers(w * cut.centres, highest),
    )


@dataclass(frozen=True, slots=True)
class Folded:
    """A window, cut and folded.

    Parameters
    ----------
    cut : Layout
        The cut.
    even, odd : ndarray, shape (half, blocks)
        Sum and difference of each block's right and left half, counted from its centre.
    total, energy : float
        Sum of the samples and of their squares.
    """

    cut: Layout
    even: NDArray[np.float64]
    odd: NDArray[np.float64]
    total: float
    energy: float


def fold(samples: NDArray[np.float64], cut: Layout | None = None) -> Folded:
    """Return the window, shape (n,), folded; cut as is best for it, or as it is given."""
    cut = layout(samples.size) if cut is None else cut
    padded = np.zeros(cut.blocks * 2 * cut.half)
    padded[: cut.n] = samples
    blocks = padded.reshape(cut.blocks, 2 * cut.half)
    right, left = blocks[:, cut.half :].T, blocks[:, cut.half - 1 :: -1].T
    return Folded(
        cut,
        np.ascontiguousarray(right + left),
        np.ascontiguousarray(right - left),
        float(samples.sum()),
        float(samples @ samples),
    )


def project(window: Folded, waves: Basis) -> NDArray[np.complex128]:
    """Return ``sum_t y exp(-j k w t)`` for every harmonic; shape (K,)."""
    blocks = np.empty(waves.phases.shape, dtype=np.complex128)
    blocks.real = waves.cosines @ window.even
    blocks.imag = -(waves.sines @ window.odd)
    return np.asarray(np.einsum("ki,ki->k", waves.phases.conj(), blocks))


def project_with_moment(
    window: Folded, waves: Basis
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Return ``sum_t y exp(-j k w t)`` and ``sum_t t y exp(-j k w t)``; shapes (K,)."""
    count = waves.phases.shape[0]
    inside = window.cut.inside
    even = np.concatenate((waves.cosines, waves.sines * inside)) @ window.even
    odd = np.concatenate((waves.sines, waves.cosines * inside)) @ window.odd
    blocks = np.empty(waves.phases.shape, dtype=np.complex128)
    blocks.real, blocks.imag = even[:count], -odd[:count]
    moments = np.empty_like(blocks)
    moments.real, moments.imag = odd[count:], -even[count:]
    back = waves.phases.conj()
    blocks *= back
    moments *= back
    return blocks.sum(axis=1), blocks @ window.cut.centres + moments.sum(axis=1)


def synthesise(
    cut: Layout, waves: Basis, amplitudes: NDArray[np.complex128]
) -> NDArray[np.float64]:
    """Return ``sum_k Re{c_k exp(j k w t)}`` over the window.

    Parameters
    ----------
    cut : Layout
        The cut of the window.
    waves : Basis
        At least as many harmonics as there are amplitudes.
    amplitudes : ndarray of complex, shape (K,)
        Phasors at the window's centre.

    Returns
    -------
    ndarray, shape (n,)
    """
    count = amplitudes.size
    turned = amplitudes[:, None] * waves.phases[:count]
    even = turned.real.T @ waves.cosines[:count]
    odd = turned.imag.T @ waves.sines[:count]
    out = np.empty((cut.blocks, 2 * cut.half))
    np.subtract(even, odd, out=out[:, cut.half :])
    np.add(even, odd, out=out[:, cut.half - 1 :: -1])
    return out.reshape(-1)[: cut.n]


def backwards(cut: Layout, waves: Basis) -> NDArray[np.complex128]:
    """Return ``exp(-j w t)`` over the window, shape (n,)."""
    inside = waves.cosines[0] - 1j * waves.sines[0]
    block = np.concatenate((inside[::-1].conj(), inside))
    whole: NDArray[np.complex128] = np.multiply.outer(waves.phases[0].conj(), block).reshape(-1)
    return whole[: cut.n]
