"""Kind of clipping: flat tops, soft limiting, or neither, and how far it goes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.clipped_sine import ClippedSine, explain
from levelset.analysis.harmonic_clip import fundamental_left, held_angles
from levelset.analysis.result import Clipping, ClippingState, Halves
from levelset.analysis.transfer import RATE_PER_PEAK, Shape, Top, inner_slope, shape_of, tops
from levelset.quantity import Quantity
from levelset.units import DB_PER_NEPER

if TYPE_CHECKING:
    from numpy.typing import NDArray

COMPRESSED_HALF = 0.95
COMPRESSED_WHOLE = 0.97
RINGING = 2e-4
"""Relative error of a level from the ringing of a band-limited flat top."""
HELD_SHARE = 0.7
"""Part of the held angle over which the level is taken; the rest rounds off near its ends."""


def judge(
    signal: NDArray[np.float64],
    turns: NDArray[np.float64],
    amplitude: float,
    noise: float,
    amplitude_u: float,
    *,
    harmonics: NDArray[np.complex128],
    over_limit: bool,
) -> Clipping:
    """Return the shape of the tops.

    Parameters
    ----------
    signal : ndarray, shape (n,)
        Samples corrected for hum and for the response, mean removed, full scale.
    turns : ndarray, shape (n,)
        Phase of the fundamental cosine, turns.
    amplitude, amplitude_u : float
        Fundamental and its 95 % uncertainty, full scale.
    noise : float
        Standard deviation of the noise, full scale.
    harmonics : ndarray of complex, shape (K,)
        Fundamental and harmonics, corrected, at any one instant.
    over_limit : bool
        Whether THD is above its limit; the shape has no part in that decision.
    """
    samples_per_period = (turns.size - 1) / float(turns[-1] - turns[0])
    upper_top, lower_top = tops(signal, turns)
    upper = shape_of(upper_top, amplitude, noise, samples_per_period)
    lower = shape_of(lower_top, amplitude, noise, samples_per_period)
    if upper.flat or lower.flat:
        found = _from_levels(upper, lower, upper_top, lower_top, amplitude, noise, amplitude_u)
        if samples_per_period < RATE_PER_PEAK:
            found = _from_harmonics(found, harmonics, noise, signal.size, amplitude_u)
        return found
    if not over_limit:
        return Clipping("clean", "none", None, None, None)
    inner = inner_slope(signal, turns, amplitude)
    slopes = tuple(
        (shape.outer_slope + 2.0 * min(shape.outer_error, 1.0)) / inner for shape in (upper, lower)
    )
    state: ClippingState = "distorted"
    halves: Halves = "none"
    if 0.5 * sum(slopes) < COMPRESSED_WHOLE:
        halves = _halves(slopes[0] < COMPRESSED_HALF, slopes[1] < COMPRESSED_HALF)
        state = "distorted" if halves == "none" else "soft_clipping"
    return Clipping(state, halves, None, None, None)


def _halves(upper: bool, lower: bool) -> Halves:
    if upper and lower:
        return "both"
    if upper:
        return "upper"
    return "lower" if lower else "none"


def _level(top: Top, held: float, noise: float) -> tuple[float, float]:
    """Return the level of a flat top held for +-`held` rad, and its 95 % uncertainty."""
    distance = np.abs(top.angle)
    chosen = top.level[distance <= HELD_SHARE * held]
    if chosen.size < 3:
        nearest = np.argsort(distance)[: max(3, top.peaks)]
        chosen = top.level[nearest]
    level = float(chosen.mean())
    core = top.level[distance <= 0.5 * HELD_SHARE * held]
    uneven = abs(float(core.mean()) - level) if core.size >= 3 else 0.0
    scatter = max(float(chosen.std()), noise) / math.sqrt(chosen.size)
    uneven += RINGING * abs(level)
    return level, 2.0 * scatter + uneven + _ripple(top, distance <= HELD_SHARE * held, noise)


def _ripple(top: Top, held: NDArray[np.bool_], noise: float) -> float:
    """Return how far the peaks' own levels scatter beyond the noise: the rail is not one level."""
    counts = np.bincount(top.peak[held], minlength=1)
    several = counts >= 1
    if int(several.sum()) < 3:
        return 0.0
    sums = np.bincount(top.peak[held], top.level[held], minlength=1)
    means = sums[several] / counts[several]
    expected = noise * noise * float((1.0 / counts[several]).mean())
    # A scatter within twice what noise explains is no ripple.
    excess = float(means.var(ddof=1)) - 2.0 * expected
    return math.sqrt(excess) if excess > 0.0 else 0.0


def _from_levels(
    upper: Shape,
    lower: Shape,
    upper_top: Top,
    lower_top: Top,
    amplitude: float,
    noise: float,
    amplitude_u: float,
) -> Clipping:
    halves = _halves(upper.flat, lower.flat)
    held_upper, held_lower = upper.half_angle, lower.half_angle
    level_upper = level_lower = None
    u_upper = u_lower = 0.0
    sine = ClippedSine(amplitude, None, None)
    for _ in range(4):
        if upper.flat:
            level_upper, u_upper = _level(upper_top, held_upper, noise)
        if lower.flat:
            level_lower, u_lower = _level(lower_top, held_lower, noise)
        sine = explain(amplitude, level_upper, level_lower)
        held_upper, held_lower = sine.angle(sine.upper), sine.angle(sine.lower)
    overdrive_db = sine.overdrive_db
    lowered = explain(
        amplitude + amplitude_u,
        None if level_upper is None else level_upper - u_upper,
        None if level_lower is None else level_lower - u_lower,
    )
    return Clipping(
        "hard_clipping",
        halves,
        Quantity(overdrive_db, abs(lowered.overdrive_db - overdrive_db), "dB"),
        None if sine.upper is None else Quantity(sine.upper, u_upper, "FS"),
        None if sine.lower is None else Quantity(-sine.lower, u_lower, "FS"),
    )


def _from_harmonics(
    found: Clipping,
    harmonics: NDArray[np.complex128],
    noise: float,
    samples: int,
    amplitude_u: float,
) -> Clipping:
    """Return the same with overdrive and levels from the harmonics instead of the samples."""
    amplitude = abs(harmonics[0])
    turn = harmonics[0] / amplitude
    ratios = (harmonics[1:] / turn ** np.arange(2, harmonics.size + 1)).real / amplitude
    if ratios.size < 3 or found.overdrive_db is None:
        return found
    start = math.acos(10.0 ** (-found.overdrive_db.value / 20.0))
    angles = held_angles(
        ratios,
        start if found.upper_fs is not None else 0.0,
        start if found.lower_fs is not None else 0.0,
        noise * math.sqrt(2.0 / samples) / amplitude,
    )
    sine = amplitude / fundamental_left(angles.upper, angles.lower)

    def level(angle: float, angle_u: float) -> Quantity:
        return Quantity(
            sine * math.cos(angle),
            sine * math.sin(angle) * angle_u + amplitude_u * sine / amplitude,
            "FS",
        )

    upper = None if found.upper_fs is None else level(angles.upper, angles.upper_u)
    lower = None if found.lower_fs is None else level(angles.lower, angles.lower_u)
    held, held_u = max((angles.upper, angles.upper_u), (angles.lower, angles.lower_u))
    return Clipping(
        found.state,
        found.halves,
        Quantity(
            -20.0 * math.log10(math.cos(held)),
            DB_PER_NEPER * math.tan(held) * held_u,
            "dB",
        ),
        upper,
        None if lower is None else lower.scaled(-1.0, "FS"),
    )
