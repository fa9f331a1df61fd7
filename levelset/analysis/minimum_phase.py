"""Phase that a magnitude brings with it, and what is left: delay and polarity."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

STEP = 0.02
"""Spacing of the grid, natural logarithm of frequency."""
BELOW, ABOVE = 5.0, 3.0
"""How far the outermost slopes are continued, natural logarithm of frequency."""
SMOOTHING = 0.06
EDGE = 0.35
"""Stretch that gives the slope at each end, natural logarithm of frequency."""


def minimum_phase(
    frequency_hz: NDArray[np.float64], power: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the phase of the minimum-phase system with this magnitude.

    ``phase(u0) = (1/pi) integral of (dA/du) ln coth(|u - u0|/2) du`` with ``A = ln|H|`` and
    ``u = ln f`` (H. W. Bode, "Network Analysis and Feedback Amplifier Design", 1945, chapter 14).
    Beyond the outermost frequencies the slope there goes on.

    Parameters
    ----------
    frequency_hz : ndarray, shape (L,)
        Ascending, Hz.
    power : ndarray, shape (L,)
        Squared magnitude, above 0.
    weight : ndarray, shape (L,)
        How much each counts where neighbours are smoothed together, above 0.

    Returns
    -------
    ndarray, shape (L,)
        rad.
    """
    u = np.log(frequency_hz)
    smooth = _smoothed(u, 0.5 * np.log(power), weight)
    grid = np.arange(u[0] - BELOW, u[-1] + ABOVE + STEP, STEP)
    slope = np.diff(np.interp(grid, u, smooth)) / STEP
    middle = 0.5 * (grid[1:] + grid[:-1])
    slope[middle < u[0]] = _end_slope(u, smooth, u <= u[0] + EDGE)
    slope[middle > u[-1]] = _end_slope(u, smooth, u >= u[-1] - EDGE)
    # Midpoints keep half a step from the logarithm's pole.
    distance = np.abs(np.arange(-slope.size + 0.5, slope.size)) * STEP
    kernel = -np.log(np.tanh(0.5 * distance)) * (STEP / math.pi)
    size = 1 << (kernel.size + slope.size).bit_length()
    turned = np.fft.irfft(np.fft.rfft(slope, size) * np.fft.rfft(kernel, size), size)
    phase = turned[slope.size - 1 : 2 * slope.size]
    return np.interp(u, grid[: phase.size], phase)


def _smoothed(
    u: NDArray[np.float64], level: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the value at each place of the straight line through its neighbours."""
    apart = u - u[:, np.newaxis]
    near = np.exp(-0.5 * np.square(apart / SMOOTHING)) * weight
    s0, s1, s2 = near.sum(axis=1), (near * apart).sum(axis=1), (near * apart * apart).sum(axis=1)
    y0, y1 = near @ level, (near * apart) @ level
    spread = s0 * s2 - s1 * s1
    alone = spread < 1e-6 * s0 * s0 * SMOOTHING**2
    line = (s2 * y0 - s1 * y1) / np.where(alone, 1.0, spread)
    return np.where(alone, level, line)


def _end_slope(
    u: NDArray[np.float64], level: NDArray[np.float64], chosen: NDArray[np.bool_]
) -> float:
    return float(np.polyfit(u[chosen], level[chosen], 1)[0]) if int(chosen.sum()) > 2 else 0.0


@dataclass(frozen=True, slots=True)
class Way:
    """Which way round a signal comes, and how late.

    Parameters
    ----------
    normal, reversed : float
        How well the phases agree with the best delay in normal and in reversed polarity: 1 if
        all lines agree, about 0 by chance.
    delay_s : float
        The better one's delay, s, modulo the period.
    chance : float
        What the better of all delays reaches with phases by chance.
    """

    normal: float
    reversed: float
    delay_s: float
    chance: float


def way_round(
    number: NDArray[np.intp],
    period_s: float,
    phase_rad: NDArray[np.float64],
    weight: NDArray[np.float64],
    most_s: float | None,
) -> Way:
    """Look for the delay at which all phases agree.

    Parameters
    ----------
    number : ndarray of int, shape (L,)
        Multiples of ``1 / period_s``.
    period_s : float
        Period, s.
    phase_rad : ndarray, shape (L,)
        Phase of each line, the phase that magnitude explains taken out.
    weight : ndarray, shape (L,)
        How much each counts, not negative.
    most_s : float or None
        Largest delay to either side, s; None for any.
    """
    total = float(weight.sum())
    points = 1 << math.ceil(math.log2(16.0 * float(number[-1])))
    lines = np.zeros(points // 2 + 1, dtype=np.complex128)
    lines[number] = weight * np.exp(1j * phase_rad) * (0.5 / total)
    agreement = np.fft.irfft(lines, points, norm="forward")
    if most_s is not None:
        reach = max(1, math.ceil(most_s / period_s * points))
        agreement[reach + 1 : points - reach] = 0.0
    high, low = int(agreement.argmax()), int(agreement.argmin())
    best = high if agreement[high] >= -agreement[low] else low
    delay_s = best / points * period_s
    if most_s is not None and delay_s > period_s / 2.0:
        delay_s -= period_s
    # The largest of as many independent sums of random phases as there are delays.
    span = max(2.0, 2.0 * float(number[-1] - number[0]))
    spread = math.sqrt(0.5 * float(weight @ weight)) / total
    chance = spread * math.sqrt(2.0 * math.log(span))
    return Way(float(agreement[high]), -float(agreement[low]), delay_s, chance)
