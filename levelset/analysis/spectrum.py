"""Power spectrum of what a fit leaves: where the noise is, and how much of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.fit import hann

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class NoiseSpectrum:
    """One-sided power of a Hann-windowed residual.

    Parameters
    ----------
    power : ndarray, shape (n // 2 + 1,)
        Mean square per bin; the sum over a band is the mean square of the residual in it.
    n : int
        Samples of the window.
    rate_hz : float
        Sample rate, Hz.
    """

    power: NDArray[np.float64]
    n: int
    rate_hz: float

    @property
    def bin_hz(self) -> float:
        """Distance of two bins, Hz."""
        return self.rate_hz / self.n

    def band_power(
        self,
        low_hz: float,
        high_hz: float,
        response: Callable[[NDArray[np.float64]], NDArray[np.complex128]] | None,
    ) -> float:
        """Return the mean square from `low_hz` to `high_hz`, corrected by 1/|response|**2."""
        first = math.ceil(low_hz / self.bin_hz)
        last = min(math.floor(high_hz / self.bin_hz), self.power.size - 1)
        part = self.power[first : last + 1]
        if response is None:
            return float(part.sum())
        gain = np.abs(response(np.arange(first, last + 1, dtype=np.float64) * self.bin_hz))
        return float((part / np.square(gain)).sum())

    def typical_variance(self, centre_hz: float, reach_hz: float) -> float:
        """Return the variance of white noise with the typical density about `centre_hz`.

        The median over the band leaves out single lines and the skirt of a tone that moves.
        """
        middle, reach = centre_hz / self.bin_hz, reach_hz / self.bin_hz
        first = max(1, round(middle - reach))
        part = self.power[first : max(round(middle + reach), first + 1) + 1]
        middle = part.size // 2
        median = np.partition(part, middle)[middle]
        return float(median) / math.log(2.0) * 0.5 * self.n

    def variance_near(self, low_hz: float, high_hz: float, fitted: int) -> tuple[float, float]:
        """Return the variance of white noise with the density found in a band.

        Parameters
        ----------
        low_hz, high_hz : float
            The band, Hz.
        fitted : int
            Harmonics in the band; the fit has taken one bin's worth of noise with each.

        Returns
        -------
        variance, freedom : float
            Variance per sample and its degrees of freedom.
        """
        first = max(1, round(low_hz / self.bin_hz))
        last = min(max(round(high_hz / self.bin_hz), first), self.power.size - 1)
        part = self.power[first : last + 1]
        free = max(part.size - fitted, 0.5)
        return float(part.sum()) * 0.5 * self.n / free, 2.0 * free


def noise_spectrum(residual: NDArray[np.float64], rate_hz: float) -> NoiseSpectrum:
    """Return the spectrum of a residual of shape (n,)."""
    n = residual.size
    lines = np.fft.rfft(residual * hann(n))
    power = np.square(lines.real) + np.square(lines.imag)
    power *= 2.0 / (0.375 * n * n)
    return NoiseSpectrum(power, n, rate_hz)


def student_95(freedom: float) -> float:
    """Return the two-sided 95 % factor of Student's distribution.

    Series by 1/freedom about the normal quantile (M. Abramowitz and I. Stegun, "Handbook of
    Mathematical Functions", 26.7.5); within 0.5 % from 3 degrees of freedom up.
    """
    z = 1.959964
    v = max(freedom, 2.0)
    return (
        z
        + (z**3 + z) / (4 * v)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * v**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * v**3)
    )
