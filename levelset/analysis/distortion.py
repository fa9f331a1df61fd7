"""THD and THD+N from a fit and the noise it leaves, with their uncertainties."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.spectrum import NoiseSpectrum, student_95

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from levelset.analysis.fit import HarmonicFit

    Response = Callable[[NDArray[np.float64]], NDArray[np.complex128]]

BAND_LOW_HZ = 20.0
BAND_HIGH_HZ = 20_000.0
BAND_OF_RATE = 0.45
NEAR_BINS = 12.0


def band(rate_hz: float) -> tuple[float, float]:
    """Return the band that THD and THD+N count, Hz: 20 Hz to min(20 kHz, 0.45 rate)."""
    return BAND_LOW_HZ, min(BAND_HIGH_HZ, BAND_OF_RATE * rate_hz)


def counted_harmonics(frequency_hz: float, rate_hz: float, most: int) -> int:
    """Return the highest harmonic within the band, at most `most` and at least 1."""
    return max(1, min(most, int(band(rate_hz)[1] / frequency_hz)))


@dataclass(frozen=True, slots=True)
class Spread:
    """Noise as it bears on one amplitude.

    Parameters
    ----------
    variance : float
        Variance per sample of white noise with the density found near the harmonic.
    freedom : float
        Degrees of freedom of that variance.
    """

    variance: float
    freedom: float

    @property
    def factor(self) -> float:
        """The 95 % coverage factor."""
        return student_95(self.freedom)


def spread_at_fundamental(spectrum: NoiseSpectrum, frequency_hz: float, order: int) -> Spread:
    """Return the noise beside the fundamental.

    Noise is seldom white down to a low tone; what counts is its density beside the line. With
    few periods in the window the gap between two harmonics holds too few bins, and more gaps
    are taken.
    """
    reach_hz = min(0.5 * frequency_hz, NEAR_BINS * spectrum.bin_hz)
    low_hz, high_hz = frequency_hz - reach_hz, frequency_hz + reach_hz
    high_hz = max(high_hz, low_hz + 2.0 * NEAR_BINS * spectrum.bin_hz)
    fitted = min(order, int(high_hz / frequency_hz))
    return Spread(*spectrum.variance_near(low_hz, high_hz, fitted))


def harmonic_variances(
    spectrum: NoiseSpectrum, frequency_hz: float, order: int
) -> NDArray[np.float64]:
    """Return the variance per sample of the noise about every harmonic, shape (order,)."""
    spacing = frequency_hz / spectrum.bin_hz
    edges = np.rint((np.arange(order + 1) + 0.5) * spacing).astype(np.intp)
    edges = np.minimum(np.maximum(edges, 1), spectrum.power.size - 1)
    sums = np.add.reduceat(spectrum.power, edges)[:-1]
    counts = np.maximum(np.diff(edges) - 1.0, 0.5)
    raw = sums * (0.5 * spectrum.n) / counts
    if order < 5:
        return np.asarray(raw)
    # Five neighbours together: single gaps hold few bins when the window has few periods.
    padded = np.concatenate((raw[:1], raw[:1], raw, raw[-1:], raw[-1:]))
    return np.convolve(padded, np.full(5, 0.2), mode="valid")


@dataclass(frozen=True, slots=True)
class Distortion:
    """Distortion over the fundamental, as ratios.

    Parameters
    ----------
    thd, thd_u : float or None
        Harmonics counted, less the power that noise adds to them, and the 95 % uncertainty;
        None where no harmonic lies within the band.
    thd_n, thd_n_u : float
        All but the fundamental within the band.
    total_amplitude : float
        sqrt 2 times the RMS of fundamental and harmonics.
    """

    thd: float | None
    thd_u: float | None
    thd_n: float
    thd_n_u: float
    total_amplitude: float


def distortion(
    fit: HarmonicFit,
    amplitudes: NDArray[np.float64],
    gains: NDArray[np.float64],
    spectrum: NoiseSpectrum,
    other_power: float,
    doubt: float,
) -> Distortion:
    """Return THD and THD+N of one window.

    Parameters
    ----------
    fit : HarmonicFit
        The fit.
    amplitudes : ndarray, shape (K,)
        Amplitudes of fundamental and harmonics, corrected for the response.
    gains : ndarray, shape (K,)
        Magnitude of the response at each.
    spectrum : NoiseSpectrum
        Of the residual.
    other_power : float
        Mean square of all else within the band (noise and hum), corrected for the response.
    doubt : float
        Amplitude of hum that may hide in the harmonics, corrected for the response.

    Returns
    -------
    Distortion
    """
    frequency_hz = fit.w * spectrum.rate_hz / (2.0 * math.pi)
    variances = harmonic_variances(spectrum, frequency_hz, fit.order)
    # Variance of one quadrature of each harmonic; noise adds twice that to its square.
    quadrature = variances * (2.0 / spectrum.n) / np.square(gains)
    squares = np.square(amplitudes)
    fundamental = float(amplitudes[0])
    highest = counted_harmonics(frequency_hz, spectrum.rate_hz, min(40, fit.order))

    in_band = min(fit.order, counted_harmonics(frequency_hz, spectrum.rate_hz, fit.order))
    everything = float(squares[1:in_band].sum()) + 2.0 * other_power
    thd_n = math.sqrt(everything) / fundamental
    # Noise power over B independent bins scatters by 1/sqrt(B); a Hann window leaves
    # (sum w^2)^2 / (N sum w^4) = 18/35 of them independent. Harmonics scatter by 2 A times one
    # quadrature.
    width_hz = band(spectrum.rate_hz)[1] - BAND_LOW_HZ
    bins = max(1.0, width_hz / spectrum.bin_hz * (18.0 / 35.0))
    noise_scatter = 2.0 * other_power / math.sqrt(bins)
    by_harmonics = 2.0 * math.sqrt(float((squares[1:in_band] * quadrature[1:in_band]).sum()))
    thd_n_u = (
        2.0 * math.hypot(noise_scatter, by_harmonics) / (2.0 * math.sqrt(everything) * fundamental)
        if everything > 0.0
        else 0.0
    )
    thd_n_u += doubt / fundamental

    signal = squares[1:] - 2.0 * quadrature[1:]
    total = math.sqrt(fundamental**2 + max(float(signal.sum()), 0.0))
    if highest < 2:
        return Distortion(None, None, thd_n, thd_n_u, total)
    part, noise = signal[: highest - 1], quadrature[1:highest]
    power = float(part.sum())
    scatter = math.sqrt(float((4.0 * np.maximum(part, 0.0) * noise + 4.0 * noise**2).sum()))
    thd = math.sqrt(max(power, 0.0)) / fundamental
    upper = math.sqrt(max(power, 0.0) + 2.0 * scatter) / fundamental
    lower = math.sqrt(max(power - 2.0 * scatter, 0.0)) / fundamental
    thd_u = max(upper - thd, thd - lower) + doubt / fundamental
    # Rounding of the fit, far below any converter.
    return Distortion(thd, thd_u + 1e-9, thd_n, thd_n_u + 1e-9, total)
