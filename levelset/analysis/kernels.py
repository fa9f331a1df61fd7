"""Closed sums of sines and cosines over a window whose time is centred.

With ``t = -(N-1)/2 ... (N-1)/2`` every sum of a cosine times a sine vanishes, so the normal
equations of a harmonic fit fall apart into a cosine and a sine system, and every entry is a value
of the Dirichlet kernel ``D0(m) = sum_t cos(m w t) = sin(N m w / 2) / sin(m w / 2)`` or of its
derivatives by ``w``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Kernels:
    """Sums over the window for multiples ``m = 0 ... M`` of ``w``.

    Parameters
    ----------
    d0, d1, d2 : ndarray, shape (M + 1,)
        ``sum cos(m w t)``, ``sum t sin(m w t)`` and ``sum t**2 cos(m w t)``.
    """

    d0: NDArray[np.float64]
    d1: NDArray[np.float64]
    d2: NDArray[np.float64]


def dirichlet(w: float, n: int, highest: int) -> Kernels:
    """Return the kernel and what its first two derivatives give.

    ``D0 sin x = sin N x`` with ``x = m w / 2``, differentiated once and twice by ``x``.

    Parameters
    ----------
    w : float
        Angular frequency in rad per sample; ``0 < m w < 2 pi`` for every m up to `highest`.
    n : int
        Samples of the window.
    highest : int
        Largest multiple.

    Returns
    -------
    Kernels
        Arrays of shape (highest + 1,).
    """
    d0 = np.empty(highest + 1)
    d1 = np.empty(highest + 1)
    d2 = np.empty(highest + 1)
    d0[0], d1[0], d2[0] = n, 0.0, n * (n * n - 1.0) / 12.0
    x = np.arange(1, highest + 1) * (0.5 * w)
    sin_x, cos_x, sin_nx, cos_nx = np.sin(x), np.cos(x), np.sin(n * x), np.cos(n * x)
    kernel = sin_nx / sin_x
    slope = (n * cos_nx - kernel * cos_x) / sin_x
    d0[1:] = kernel
    d1[1:] = -0.5 * slope
    d2[1:] = 0.25 * (n * n * sin_nx - kernel * sin_x + 2.0 * slope * cos_x) / sin_x
    return Kernels(d0, d1, d2)


@lru_cache(maxsize=64)
def _pairs(
    multiples: tuple[int, ...],
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    k = np.asarray(multiples)
    difference = k[None, :] - k[:, None]
    return np.abs(difference), k[None, :] + k[:, None], np.sign(difference).astype(np.float64)


def gram(kernels: Kernels, multiples: tuple[int, ...]) -> NDArray[np.float64]:
    """Return the cosine and the sine system as one stack.

    Parameters
    ----------
    kernels : Kernels
        Sums up to twice the largest multiple.
    multiples : tuple of int
        Multiples in the model, the first of them 0 (the offset).

    Returns
    -------
    ndarray, shape (2, K, K)
        Entries ``(D0(k - l) +- D0(k + l)) / 2``. The sine of multiple 0 does not exist; its row
        is that of the unit matrix, so that both systems have one size.
    """
    near, far, _ = _pairs(multiples)
    out = _halves(kernels.d0[near], kernels.d0[far])
    out[1, 0, 0] = 1.0
    return out


@dataclass(frozen=True, slots=True)
class Tangent:
    """Products of the model's derivative by ``w``, for any coefficients a and b.

    The derivative of ``sum a cos(k w t) + b sin(k w t)`` is
    ``d = sum k t (b cos(k w t) - a sin(k w t))``.

    Parameters
    ----------
    multiples : ndarray, shape (K,)
        Multiples in the model, the first of them 0.
    mixed : ndarray, shape (2, K, K)
        ``sum t cos(k w t) sin(l w t)``, and ``sum t sin(k w t) cos(l w t)``.
    squares : ndarray, shape (2, K, K)
        ``sum t**2 sin(k w t) sin(l w t)``, and that of cosines.
    """

    multiples: NDArray[np.float64]
    mixed: NDArray[np.float64]
    squares: NDArray[np.float64]

    @classmethod
    def of(cls, kernels: Kernels, multiples: tuple[int, ...]) -> Tangent:
        """Return those of a window, from its sums up to twice the largest multiple."""
        near, far, sign = _pairs(multiples)
        return cls(
            np.asarray(multiples, dtype=np.float64),
            _halves(kernels.d1[far], sign * kernels.d1[near]),
            _halves(kernels.d2[near], -kernels.d2[far]),
        )

    def products(
        self, cosines: NDArray[np.float64], sines: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], float]:
        """Return the products of the derivative with the model and with itself.

        Parameters
        ----------
        cosines, sines : ndarray, shape (K,)
            Coefficients a and b.

        Returns
        -------
        products : ndarray, shape (2, K)
            ``d`` times every cosine, and times every sine.
        square : float
            ``d`` times ``d``.
        """
        weighted = np.stack((-self.multiples * cosines, self.multiples * sines))[:, :, None]
        square = float(np.vdot(weighted, self.squares @ weighted))
        return np.asarray((self.mixed @ weighted)[:, :, 0]), square


def _halves(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return half the sum and half the difference of two systems, one above the other."""
    out = np.empty((2, *a.shape))
    np.add(a, b, out=out[0])
    np.subtract(a, b, out=out[1])
    out *= 0.5
    return out
