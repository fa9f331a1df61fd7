"""The sine behind a flat top: closed forms of a clipped sine, solved for its overdrive.

For a cosine of amplitude A cut at ``V = A cos(phi)`` the cut takes ``A E1`` of the fundamental
and moves the mean by ``A E0`` (Fourier coefficients of the cap, elementary integrals)::

    E0 = (sin phi - phi cos phi) / pi
    E1 = (phi - sin phi cos phi) / pi
"""

from __future__ import annotations

import math
from dataclasses import dataclass

LARGEST_OVERDRIVE_DB = 60.0
START_RAD = 0.7
STEPS = 60


@dataclass(frozen=True, slots=True)
class ClippedSine:
    """A sine and its two limits.

    Parameters
    ----------
    amplitude : float
        Peak that the sine would have had.
    upper, lower : float or None
        Magnitudes of the limits, counted from the sine's middle; None where not clipped.
    """

    amplitude: float
    upper: float | None
    lower: float | None

    def angle(self, limit: float | None) -> float:
        """Return half the angle that the sine spends at a limit, rad."""
        if limit is None or limit >= self.amplitude:
            return 0.0
        return math.acos(limit / self.amplitude)

    @property
    def overdrive_db(self) -> float:
        """Amplitude over the lower of the limits, dB."""
        limits = [v for v in (self.upper, self.lower) if v is not None]
        return 20.0 * math.log10(self.amplitude / min(limits)) if limits else 0.0

    def harmonic_percent(self, number: int) -> float:
        """Return the magnitude of one harmonic over the fundamental, %.

        For number n from 2 a cap of half angle phi takes ``En = 2 (sin(n phi) cos(phi) - n cos(n
        phi) sin(phi)) / (pi n (n^2 - 1))`` of the n-th harmonic of a unit cosine (elementary
        integral); the caps of the two halves add with alternating sign.
        """
        high, low = self.angle(self.upper), self.angle(self.lower)
        sign = -1.0 if number % 2 else 1.0
        harmonic = sign * _cap_harmonic(number, low) - _cap_harmonic(number, high)
        fundamental = 1.0 - cap_fundamental(high) - cap_fundamental(low)
        return 100.0 * abs(harmonic) / fundamental


def _cap_mean(phi: float) -> float:
    return (math.sin(phi) - phi * math.cos(phi)) / math.pi


def _cap_harmonic(n: int, phi: float) -> float:
    part = math.sin(n * phi) * math.cos(phi) - n * math.cos(n * phi) * math.sin(phi)
    return 2.0 * part / (math.pi * n * (n * n - 1))


def cap_fundamental(phi: float) -> float:
    """Return E1, what holding a unit cosine within +-`phi` rad of one peak takes of it."""
    return (phi - math.sin(phi) * math.cos(phi)) / math.pi


def explain(fundamental: float, upper: float | None, lower: float | None) -> ClippedSine:
    """Return the clipped sine with this fundamental and these flat tops.

    Parameters
    ----------
    fundamental : float
        Amplitude of the fundamental, above 0.
    upper, lower : float or None
        Distance of each flat top from the signal's mean, above 0; None where not flat.

    Returns
    -------
    ClippedSine
        Its limits are counted from the middle of the sine, not from the mean, which clipping of
        one half moves and which an AC-coupled input does not pass.
    """
    largest = math.acos(10.0 ** (-LARGEST_OVERDRIVE_DB / 20.0))
    high = 0.0 if upper is None else START_RAD
    low = 0.0 if lower is None else START_RAD
    for _ in range(STEPS):
        left = 1.0 - cap_fundamental(high) - cap_fundamental(low)
        mean = _cap_mean(high) - _cap_mean(low)
        # What is missing of both levels, in units of the sine, and its derivatives:
        # E0' = phi sin(phi) / pi and E1' = 2 sin(phi)**2 / pi.
        wanted_high = 0.0 if upper is None else upper / fundamental
        wanted_low = 0.0 if lower is None else lower / fundamental
        miss_high = 0.0 if upper is None else math.cos(high) + mean - wanted_high * left
        miss_low = 0.0 if lower is None else math.cos(low) - mean - wanted_low * left
        sin_high, sin_low = math.sin(high), math.sin(low)
        mean_by_high, mean_by_low = high * sin_high / math.pi, -low * sin_low / math.pi
        by_high, by_low = 2.0 * sin_high**2 / math.pi, 2.0 * sin_low**2 / math.pi
        a = 1.0 if upper is None else mean_by_high - sin_high + wanted_high * by_high
        b = 0.0 if upper is None else mean_by_low + wanted_high * by_low
        c = 0.0 if lower is None else wanted_low * by_high - mean_by_high
        d = 1.0 if lower is None else wanted_low * by_low - mean_by_low - sin_low
        determinant = a * d - b * c
        if determinant == 0.0:
            break
        step_high = (b * miss_low - d * miss_high) / determinant
        step_low = (c * miss_high - a * miss_low) / determinant
        if upper is not None:
            high = min(max(high + step_high, 0.2 * high), largest)
        if lower is not None:
            low = min(max(low + step_low, 0.2 * low), largest)
        if abs(step_high) + abs(step_low) < 1e-11:
            break
    amplitude = fundamental / (1.0 - cap_fundamental(high) - cap_fundamental(low))
    return ClippedSine(
        amplitude,
        None if upper is None else amplitude * math.cos(high),
        None if lower is None else amplitude * math.cos(low),
    )
