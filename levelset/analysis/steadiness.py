"""Whether the tone keeps its level and phase through the window."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_SEGMENTS = 8


@dataclass(frozen=True, slots=True)
class Steadiness:
    """How far level and phase move between segments of the window.

    Parameters
    ----------
    level_spread : float
        Largest less smallest segment amplitude, over the mean.
    phase_spread_rad : float
        The same of the phase.
    noise_spread : float
        Spread that the residual's noise alone may reach (about 5 standard deviations).
    last_level : float
        Amplitude of the last segment over that of the window, less 1.
    """

    level_spread: float
    phase_spread_rad: float
    noise_spread: float
    last_level: float


def steadiness(
    residual: NDArray[np.float64],
    back: NDArray[np.complex128],
    periods: float,
    amplitude: float,
    noise: float,
) -> Steadiness:
    """Compare the tone's phasor in whole-period segments of the window.

    Parameters
    ----------
    residual : ndarray, shape (n,)
        What tone, harmonics and hum leave.
    back : ndarray of complex, shape (n,)
        Unit phasor that turns against the fitted fundamental.
    periods : float
        Periods in the window.
    amplitude : float
        Amplitude of the fundamental.
    noise : float
        Standard deviation of the noise beside the tone.
    """
    n = residual.size
    segments = int(min(MOST_SEGMENTS, max(3.0, periods // 2.0)))
    segments = max(1, min(segments, int(periods + 1e-6)))
    edges = np.linspace(0, n, segments + 1).astype(np.intp)
    turned = residual * back
    counts = np.diff(edges)
    deviation = 2.0 * np.add.reduceat(turned, edges[:-1]) / counts / amplitude
    scatter = noise * math.sqrt(2.0 / float(counts.min())) / amplitude
    return Steadiness(
        float(np.ptp(deviation.real)),
        float(np.ptp(deviation.imag)),
        7.0 * scatter,
        float(deviation.real[-1]),
    )
