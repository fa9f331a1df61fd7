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
        return 0.0 if limit is None else _held_angle(limit, self.amplitude)

    @property
    def overdrive_db(self) -> float:
        """Amplitude over the lower of the limits, dB."""
        limits = [v for v in (self.upper, self.lower) if v is not None]
        return 20.0 * math.log10(self.amplitude / min(limits)) if limits else 0.0


def _held_angle(limit: float, amplitude: float) -> float:
    return math.acos(limit / amplitude) if limit < amplitude else 0.0


def _cap_mean(phi: float) -> float:
    return (math.sin(phi) - phi * math.cos(phi)) / math.pi


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
    mean = 0.0
    amplitude = fundamental
    largest = fundamental * 10.0 ** (LARGEST_OVERDRIVE_DB / 20.0)
    least = 1e-3 * fundamental
    for _ in range(60):
        high = math.inf if upper is None else max(upper + mean, least)
        low = math.inf if lower is None else max(lower - mean, least)
        high_angle, low_angle = _held_angle(high, amplitude), _held_angle(low, amplitude)
        taken = cap_fundamental(high_angle) + cap_fundamental(low_angle)
        # d held / d amplitude at fixed limits is the share of the sine that is not held.
        slope = 1.0 - sum(p + 0.5 * math.sin(2.0 * p) for p in (high_angle, low_angle)) / math.pi
        step = (fundamental - amplitude * (1.0 - taken)) / max(slope, 1e-6)
        moved = amplitude * (_cap_mean(low_angle) - _cap_mean(high_angle)) - mean
        amplitude = min(max(amplitude + step, 0.5 * amplitude), 3.0 * amplitude, largest)
        mean += moved
        if abs(step) < 1e-10 * amplitude and abs(moved) < 1e-10 * amplitude:
            break
    return ClippedSine(amplitude, None if upper is None else high, None if lower is None else low)
