"""Overdrive from the harmonics, where a period has too few samples to show its flat top.

The ratios of the visible harmonics to the fundamental depend only on the two angles at which the
sine is held. With ``phi = arccos(limit / amplitude)``, ``E1`` as in :mod:`clipped_sine` and the
Fourier coefficients of the cap ::

    En = 2 (sin n phi cos phi - n cos n phi sin phi) / (pi n (n**2 - 1))

the n-th harmonic is ``-En(upper) + (-1)**n En(lower)``, the fundamental ``1 - E1 - E1``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.clipped_sine import cap_fundamental

if TYPE_CHECKING:
    from numpy.typing import NDArray

STEPS = 12
SMALLEST_RAD, LARGEST_RAD = 0.01, 0.5 * math.pi - 0.01


@dataclass(frozen=True, slots=True)
class HeldAngles:
    """Angles at which the sine is held.

    Parameters
    ----------
    upper, lower : float
        rad; 0 where that half is not clipped.
    upper_u, lower_u : float
        95 % uncertainties from noise and misfit, rad.
    """

    upper: float
    lower: float
    upper_u: float
    lower_u: float


def _cap(n: NDArray[np.float64], phi: float) -> NDArray[np.float64]:
    return np.asarray(
        2.0
        * (np.sin(n * phi) * math.cos(phi) - n * np.cos(n * phi) * math.sin(phi))
        / (math.pi * n * (n * n - 1.0))
    )


def fundamental_left(upper: float, lower: float) -> float:
    """Return the fundamental of a unit cosine held at both angles (rad)."""
    return 1.0 - cap_fundamental(upper) - cap_fundamental(lower)


def _ratios(n: NDArray[np.float64], upper: float, lower: float) -> NDArray[np.float64]:
    signs = np.where(n % 2 == 0, 1.0, -1.0)
    return np.asarray((signs * _cap(n, lower) - _cap(n, upper)) / fundamental_left(upper, lower))


def held_angles(
    ratios: NDArray[np.float64], start_upper: float, start_lower: float, scatter: float
) -> HeldAngles:
    """Fit the angles to the harmonics.

    Parameters
    ----------
    ratios : ndarray, shape (K - 1,)
        H2, H3, ... over the fundamental, signed, in the fundamental's cosine phase.
    start_upper, start_lower : float
        Start values, rad; 0 keeps that half unclipped.
    scatter : float
        Standard deviation of one ratio from noise.

    Returns
    -------
    HeldAngles
    """
    n = np.arange(2.0, ratios.size + 2.0)
    angles = np.asarray([start_upper, start_lower])
    free = np.flatnonzero(angles > 0.0)
    angles[free] = np.clip(angles[free], SMALLEST_RAD, LARGEST_RAD)
    jacobian = np.zeros((n.size, free.size))
    left = ratios - _ratios(n, *angles)
    for _ in range(STEPS):
        for column, index in enumerate(free):
            moved = angles.copy()
            moved[index] += 1e-6
            jacobian[:, column] = (_ratios(n, *moved) - _ratios(n, *angles)) * 1e6
        step = np.linalg.lstsq(jacobian, left, rcond=None)[0]
        # A step may halve an angle at most; where it makes the misfit worse it is shortened.
        step = np.clip(step, -0.5 * angles[free], 0.5 * angles[free])
        for _ in range(6):
            trial = angles.copy()
            trial[free] = np.clip(angles[free] + step, SMALLEST_RAD, LARGEST_RAD)
            left_trial = ratios - _ratios(n, *trial)
            if left_trial @ left_trial <= left @ left:
                break
            step = 0.5 * step
        moved_by = float(np.abs(trial - angles).max())
        angles, left = trial, left_trial
        if moved_by < 1e-9:
            break
    variance = max(scatter**2, float(left @ left) / max(1, n.size - free.size))
    spread = np.zeros(2)
    spread[free] = np.sqrt(np.diag(np.linalg.pinv(jacobian.T @ jacobian)) * variance)
    return HeldAngles(
        float(angles[0]), float(angles[1]), 2.0 * float(spread[0]), 2.0 * float(spread[1])
    )
