"""Least-squares fit of offset, tone and harmonics at an unknown frequency.

In white noise this is the maximum-likelihood estimate, so its scatter is the Cramer-Rao bound
(D. C. Rife and R. R. Boorstyn, "Single-tone parameter estimation from discrete-time
observations", IEEE Trans. Inf. Theory 20(5), 1974). Offset, cosines and sines are linear and
solved exactly; the frequency is found by Gauss-Newton on what they leave, with few harmonics
first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.kernels import Tangent, dirichlet, gram
from levelset.analysis.projection import Basis, Folded, basis, project, project_with_moment

if TYPE_CHECKING:
    from numpy.typing import NDArray

COUNTED = 40
"""Harmonics that are always fitted where they exist, and the most that THD counts."""
LADDER = (3, 12)
EXTENSIONS = (80, 120)
MAX_STEPS = 6
FARTHEST_INVERSE_RAD = 3e-5
"""Phase over a window within which one frequency's inverse serves another. Entries off the diagonal
are at most 1 / (pi periods) of those on it and turn by so much: 2e-6 over 4 periods. The refinement
squares that, so what is left out is 114 dB below the tone."""
LINE_OVER_NOISE = 50.0
"""Power over the median of all bins from which one is a line: 17 dB."""
FOLLOWED_SHARE = 0.05
"""A window that has more of its power outside tone and harmonics has not the tone of the last."""


@dataclass(frozen=True, slots=True)
class HarmonicFit:
    """The best offset, tone and harmonics of one window.

    Parameters
    ----------
    w : float
        Angular frequency, rad per sample.
    var_w_ratio : float
        Variance of `w` over the noise variance.
    offset : float
        Constant part.
    phasors : ndarray of complex, shape (K,)
        Harmonics 1 ... K at the window's centre: ``Re{c_k exp(j k w t)}``.
    var_amplitude_ratio : float
        Variance of the fundamental's amplitude over the noise variance.
    waves : Basis
        The basis at `w`.
    residual_energy : float
        Sum of squares that the model leaves (limited by rounding to 1e-15 of the whole).
    """

    w: float
    var_w_ratio: float
    offset: float
    phasors: NDArray[np.complex128]
    var_amplitude_ratio: float
    waves: Basis
    residual_energy: float

    @property
    def order(self) -> int:
        """Number of harmonics fitted, the fundamental included."""
        return int(self.phasors.size)


@lru_cache(maxsize=32)
def hann(n: int) -> NDArray[np.float64]:
    """Return the periodic Hann window of `n` samples (do not change it)."""
    window: NDArray[np.float64] = 0.5 - 0.5 * np.cos(
        np.arange(n, dtype=np.float64) * (2.0 * math.pi / n)
    )
    window.setflags(write=False)
    return window


def strongest_line(samples: NDArray[np.float64]) -> float:
    """Return the angular frequency of the strongest line, from a Hann spectrum.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        At least 8 samples.

    Returns
    -------
    float
        rad per sample.
    """
    return highest_line(hann_magnitude(samples), samples.size)


def hann_magnitude(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the magnitude of the Hann spectrum without the mean, shape (n // 2 + 1,)."""
    magnitude: NDArray[np.float64] = np.abs(
        np.fft.rfft((samples - samples.mean()) * hann(samples.size))
    )
    magnitude[0] = 0.0
    return magnitude


def highest_line(magnitude: NDArray[np.float64], n: int) -> float:
    """Return the angular frequency of the highest line of a Hann spectrum, rad per sample.

    Three-bin interpolation on magnitudes a, b, c: ``2 (c - a) / (a + 2 b + c)`` bins, exact for a
    lone Hann-windowed line.

    Parameters
    ----------
    magnitude : ndarray, shape (n // 2 + 1,)
        As of `hann_magnitude`.
    n : int
        Samples that it is of, at least 8.
    """
    peak = min(max(int(magnitude[1:-1].argmax()) + 1, 1), magnitude.size - 2)
    a, b, c = (float(v) for v in magnitude[peak - 1 : peak + 2])
    shift = 2.0 * (c - a) / (a + 2.0 * b + c) if b > 0.0 else 0.0
    return 2.0 * math.pi * (peak + min(max(shift, -0.6), 0.6)) / n


def any_line(magnitude: NDArray[np.float64]) -> bool:
    """Return whether any line of a Hann spectrum stands out of the noise.

    The largest of n bins of white noise has some ``ln n`` times their mean power, 10 dB; lines
    have far more.

    Parameters
    ----------
    magnitude : ndarray, shape (n // 2 + 1,)
        As of `hann_magnitude`.
    """
    power = np.square(magnitude)
    return bool(power.max() > LINE_OVER_NOISE * np.median(power))


def highest_order(w: float, n: int, limit: int) -> int:
    """Return how many harmonics fit: two bins below half the rate, and a third of the data."""
    below_nyquist = int((math.pi - 4.0 * math.pi / n) / w)
    return max(1, min(limit, below_nyquist, (n - 2) // 6))


@dataclass(frozen=True, slots=True)
class System:
    """The normal equations of one frequency over one window, solved for any signal.

    Parameters
    ----------
    n : int
        Samples of the window.
    multiples : tuple of int
        Multiples of the frequency in the model, the first of them 0.
    matrix, inverse : ndarray, shape (2, K, K)
        The cosine and the sine system, and the inverse of these at the frequency `inverted_w`.
    inverted_w : float
        That frequency, rad per sample: near that of the matrix.
    tangent : Tangent
        Products of the derivative by frequency.
    """

    n: int
    multiples: tuple[int, ...]
    matrix: NDArray[np.float64]
    inverse: NDArray[np.float64]
    inverted_w: float
    tangent: Tangent

    @classmethod
    def at(cls, w: float, n: int, multiples: tuple[int, ...], last: System | None = None) -> System:
        """Return the system of a frequency (rad per sample), with the inverse of the last if near.

        Every solution is refined once, so that an error of the inverse counts squared.
        """
        kernels = dirichlet(w, n, 2 * multiples[-1])
        matrix, tangent = gram(kernels, multiples), Tangent.of(kernels, multiples)
        if (
            last is not None
            and (last.n, last.multiples) == (n, multiples)
            and abs(last.inverted_w - w) * n <= FARTHEST_INVERSE_RAD
        ):
            return cls(n, multiples, matrix, last.inverse, last.inverted_w, tangent)
        inverse = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
        return cls(n, multiples, matrix, inverse, w, tangent)

    def solve(self, right: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the solution of both systems; shapes (2, K)."""
        column = right[:, :, None]
        first = self.inverse @ column
        return np.asarray((first + self.inverse @ (column - self.matrix @ first))[:, :, 0])


@dataclass(frozen=True, slots=True)
class Solved:
    """The best model of one signal at a given frequency.

    Parameters
    ----------
    system : System
        The frequency and window.
    coefficients : ndarray, shape (2, K)
        Of cosines and of sines; the first is the offset.
    residual_energy : float
        Sum of squares that the model leaves.
    weights : ndarray, shape (K,)
        Weight of each harmonic in the derivative by frequency.
    with_model, solved : ndarray, shape (2, K)
        The derivative times the model, and its solution.
    curvature : float
        Curvature of the cost by frequency.
    """

    system: System
    coefficients: NDArray[np.float64]
    residual_energy: float
    weights: NDArray[np.float64]
    with_model: NDArray[np.float64]
    solved: NDArray[np.float64]
    curvature: float

    @classmethod
    def of(
        cls, system: System, total: float, energy: float, products: NDArray[np.complex128]
    ) -> Solved:
        """Solve for a signal of this sum, sum of squares and products with every harmonic."""
        multiples = system.multiples
        if len(multiples) != products.size + 1:
            products = products[np.asarray(multiples[1:]) - 1]
        right = np.zeros((2, len(multiples)))
        right[0, 0] = total
        right[0, 1:] = products.real
        right[1, 1:] = -products.imag
        coefficients = system.solve(right)
        left = max(energy - float(np.vdot(coefficients, right)), 1e-15 * energy)
        weights = _weights(coefficients, left, system.n)
        cosines, sines = coefficients * weights
        with_model, square = system.tangent.products(cosines, sines)
        solved = system.solve(with_model)
        curvature = square - float(np.vdot(with_model, solved))
        return cls(system, coefficients, left, weights, with_model, solved, curvature)

    def slope(self, moments: NDArray[np.complex128]) -> float:
        """Return the slope of the cost by frequency; slope over curvature is a Newton step."""
        cosines, sines = (self.coefficients * self.weights)[:, 1:]
        k = np.asarray(self.system.multiples[1:])
        chosen = moments[k - 1]
        slope = float((k * sines) @ chosen.real + (k * cosines) @ chosen.imag)
        return slope - float(np.vdot(self.with_model, self.coefficients))

    def fit(self, w: float, waves: Basis) -> HarmonicFit:
        """Return the fit at the frequency `w` that this is the best model of."""
        multiples, coefficients = self.system.multiples, self.coefficients
        phasors = np.zeros(multiples[-1], dtype=np.complex128)
        phasors[np.asarray(multiples[1:]) - 1] = coefficients[0, 1:] - 1j * coefficients[1, 1:]
        spread = self.system.inverse[:, 1, 1]
        direction = coefficients[:, 1] / max(abs(phasors[multiples[1] - 1]), 1e-300)
        var_w = 1.0 / self.curvature if self.curvature > 0.0 else math.inf
        by_frequency = float(direction @ self.solved[:, 1])
        return HarmonicFit(
            w,
            var_w,
            float(coefficients[0, 0]),
            phasors,
            float(np.square(direction) @ spread) + by_frequency**2 * var_w,
            waves,
            self.residual_energy,
        )


@lru_cache(maxsize=512)
def up_to(order: int) -> tuple[int, ...]:
    """Return the multiples 0 ... `order`."""
    return tuple(range(order + 1))


def _weights(
    coefficients: NDArray[np.float64], residual_energy: float, n: int
) -> NDArray[np.float64]:
    """Return the weight of each harmonic in the derivative by frequency.

    A harmonic that is only noise says nothing about the frequency, but its share in the
    derivative, k times its size, would cost efficiency at low signal-to-noise ratio.
    """
    noise = residual_energy / max(1, n - 2 * coefficients.shape[1]) * (4.0 / n)
    power = np.square(coefficients).sum(axis=0)
    power[0] = np.inf
    weights: NDArray[np.float64] = np.maximum(0.0, 1.0 - 2.0 * noise / np.maximum(power, 1e-300))
    weights[1] = 1.0
    return weights


def _descend(
    window: Folded, w: float, order: int, multiples: tuple[int, ...], steps: int
) -> tuple[float, System | None]:
    """Return the frequency after up to `steps` steps, stopping where a step no longer matters.

    The system is that of the last step's start.
    """
    n = window.cut.n
    farthest = 2.0 * math.pi / n
    system: System | None = None
    for _ in range(steps):
        system = System.at(w, n, multiples, system)
        products, moments = project_with_moment(window, basis(window.cut, w, order))
        here = Solved.of(system, window.total, window.energy, products)
        if not here.curvature > 0.0:
            break
        step = here.slope(moments) / here.curvature
        w += min(max(step, -farthest), farthest)
        scatter = math.sqrt(here.residual_energy / n / here.curvature)
        # After a Gauss-Newton step the error left is of second order in the step; the harmonics'
        # phases at the window's ends, order * n / 2 * step, give its scale.
        if 0.5 * order * n * step * step < 0.1 * scatter:
            break
    return w, system


def _fitted(
    window: Folded, w: float, order: int, multiples: tuple[int, ...], steps: int
) -> HarmonicFit:
    """Return the fit at the frequency after up to `steps` steps."""
    w, last = _descend(window, w, order, multiples, steps)
    waves = basis(window.cut, w, order)
    system = System.at(w, window.cut.n, multiples, last)
    products = project(window, waves)
    return Solved.of(system, window.total, window.energy, products).fit(w, waves)


def needs_more(fit: HarmonicFit, n: int) -> bool:
    """Return whether one of the highest harmonics stands out of the noise."""
    noise = fit.residual_energy / (n - 2 * fit.order - 2) * (4.0 / n)
    return bool(np.square(np.abs(fit.phasors[-6:])).max() > 9.0 * noise)


def fit_tone(window: Folded, start_w: float, *, refit: bool) -> HarmonicFit:
    """Fit offset, tone and as many harmonics as the window shows.

    The order is 40, or what fits below half the rate; it grows to 80 and 120 while one of the
    highest harmonics stands out.

    Parameters
    ----------
    window : Folded
        The window, at least 3 periods.
    start_w : float
        Start value within half a bin, rad per sample.
    refit : bool
        True where the start value is the last window's frequency: no ladder is climbed then.

    Returns
    -------
    HarmonicFit
    """
    n = window.cut.n
    w = start_w
    if not refit:
        for order, steps in zip(LADDER, (3, 1), strict=True):
            order = highest_order(w, n, order)
            w, _ = _descend(window, w, order, up_to(order), steps)
    order = highest_order(w, n, COUNTED)
    fit = _fitted(window, w, order, up_to(order), MAX_STEPS)
    for more in EXTENSIONS:
        larger = highest_order(fit.w, n, more)
        if larger <= fit.order or not needs_more(fit, n):
            break
        fit = _fitted(window, fit.w, larger, up_to(larger), 2)
    return fit


def fit_chosen(window: Folded, start_w: float, chosen: tuple[int, ...]) -> HarmonicFit:
    """Fit offset and only the harmonics in `chosen` (ascending, from 1) of one frequency."""
    return _fitted(window, start_w, chosen[-1], (0, *chosen), MAX_STEPS)
