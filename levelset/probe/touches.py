"""A calibration from several touches: the scale must be the same every time, at every level."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from levelset.errors import UsageError
from levelset.probe.calibrate import MeterLimits, calibrate_from_common_touch
from levelset.probe.uncertainty import Component, expanded_uncertainty, from_quantity, from_repeats
from levelset.quantity import Quantity

if TYPE_CHECKING:
    from levelset.probe.calibration import Calibration
    from levelset.probe.reading import TipsReading

LINEARITY_LIMIT = 0.003
"""Change of the scale with level that is allowed besides the meter's last digits, as a ratio."""
SAME_TONE = 0.001
"""Tones of two clocks differ by much less than this, as a ratio."""


@dataclass(frozen=True, slots=True)
class Touch:
    """All tips and the multimeter on one point, once.

    Parameters
    ----------
    reading : TipsReading
        The tips, read without a calibration.
    meter_volts_rms : float
        What the multimeter read, V.
    """

    reading: TipsReading
    meter_volts_rms: float


@dataclass(frozen=True, slots=True)
class TouchSeries:
    """A calibration from several touches with what it says about itself.

    Parameters
    ----------
    calibration : Calibration
        Mean of the touches; its budget has a line for their scatter, with its degrees of freedom.
    residual_percent : tuple of float
        Scale of tip A of each touch over the mean, less one, %.
    repeatability_percent : float
        Standard deviation of one touch, %.
    """

    calibration: Calibration
    residual_percent: tuple[float, ...]
    repeatability_percent: float


def calibrate_from_touches(
    touches: Sequence[Touch], meter: MeterLimits, **set_up: Any
) -> TouchSeries:
    """Return the mean calibration of at least two touches, at one or several levels.

    Parameters
    ----------
    touches : sequence of Touch
        At least two.
    meter : MeterLimits
        The multimeter's specification.
    **set_up
        Everything else that `calibrate_from_common_touch` takes.

    Returns
    -------
    TouchSeries
        The scale's uncertainty holds the meter, and the scatter with Student's t.

    Raises
    ------
    UsageError
        With fewer than two touches, if one of them is refused, if their tones differ, or if the
        scale changes with level by more than the meter's last digits explain.
    """
    if len(touches) < 2:
        raise UsageError(
            f"{len(touches)} touch cannot show how well it repeats", "touch at least twice"
        )
    single = [
        calibrate_from_common_touch(t.reading, t.meter_volts_rms, meter, **set_up) for t in touches
    ]
    _check_one_tone(single)
    by_tip = list(zip(*(c.volts_per_full_scale for c in single), strict=True))
    scatter = [from_repeats("repeatability", [q.value for q in tip]) for tip in by_tip]
    residuals = [q.value / scatter[0].value - 1.0 for q in by_tip[0]]
    _check_linearity(touches, meter, residuals)

    # The meter errs alike in every touch, so its lines are averaged and not reduced.
    common = tuple(
        replace(
            line,
            value=1.0,
            standard_uncertainty=_mean(c.scale_budget[i].contribution for c in single),
            sensitivity=1.0,
        )
        for i, line in enumerate(single[0].scale_budget)
    )
    scales = tuple(
        Quantity(s.value, s.value * expanded_uncertainty((*common, _relative(s))), "V")
        for s in scatter
    )
    calibration = replace(
        single[0],
        frequency_hz=_mean(c.frequency_hz for c in single),
        volts_per_full_scale=scales,
        match=_match([c.match for c in single if c.match is not None]),
        meter_volts_rms=_mean(t.meter_volts_rms for t in touches),
        scale_budget=(*common, _relative(scatter[0])),
    )
    return TouchSeries(
        calibration,
        tuple(100.0 * r for r in residuals),
        100.0 * _relative(scatter[0]).standard_uncertainty * math.sqrt(len(touches)),
    )


def _check_one_tone(single: Sequence[Calibration]) -> None:
    tones = sorted(c.frequency_hz for c in single)
    if tones[-1] > tones[0] * (1.0 + SAME_TONE):
        raise UsageError(
            f"the touches have different tones, {tones[0]:.1f} to {tones[-1]:.1f} Hz",
            "use one tone for all of them: response is no scatter",
        )


def _check_linearity(
    touches: Sequence[Touch], meter: MeterLimits, residuals: Sequence[float]
) -> None:
    digits = [meter.counts * meter.resolution_v / t.meter_volts_rms for t in touches]
    worst = max(range(len(touches)), key=lambda i: abs(residuals[i]) - digits[i])
    allowed = LINEARITY_LIMIT + digits[worst] + _mean(digits)
    if abs(residuals[worst]) > allowed:
        raise UsageError(
            f"the scale at {touches[worst].meter_volts_rms:.3g} V is off by "
            f"{100.0 * residuals[worst]:+.2f} % from the mean of the touches, "
            f"{100.0 * allowed:.2f} % is the limit",
            "switch off automatic gain, limiter and enhancements of the input, keep the meter on "
            "one range, and press the tips on well",
        )


def _match(matches: Sequence[Quantity]) -> Quantity | None:
    if not matches:
        return None
    scatter = from_repeats("match", [m.value for m in matches])
    noise = from_quantity("noise", max(matches, key=lambda m: m.u))
    return Quantity(scatter.value, expanded_uncertainty((scatter, noise)), "")


def _relative(part: Component) -> Component:
    relative = part.standard_uncertainty / part.value
    return replace(part, value=1.0, standard_uncertainty=relative)


def _mean(values: Any) -> float:
    known = list(values)
    return math.fsum(known) / len(known)
