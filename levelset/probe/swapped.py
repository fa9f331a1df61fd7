"""Offset across a pair from two touches with the tips changed over: their mismatch cancels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from levelset.probe.budget import DRIFT_LIMIT
from levelset.probe.calibrate import RESISTOR_TOLERANCE
from levelset.probe.dc import METHOD, tip_scale_v
from levelset.probe.uncertainty import Component, expanded_uncertainty, from_limits
from levelset.quantity import Quantity

if TYPE_CHECKING:
    from levelset.probe.calibration import Calibration
    from levelset.probe.touch_reading import TouchReading


@dataclass(frozen=True, slots=True)
class PairTouch:
    """What one touch of a pair brings into the mean.

    Parameters
    ----------
    volts : Quantity
        Tip A less tip B, V.
    noise_fs : tuple of float
        Standard uncertainty of each tip's step by noise, full scale.
    """

    volts: Quantity
    noise_fs: tuple[float, ...]


def pair_touch(reading: TouchReading) -> PairTouch | None:
    """Return what a reading of both tips brings in; None where it has no volts across the pair."""
    pair = None if reading.pair is None else reading.pair.volts
    steps = [leg.step for leg in reading.legs if leg.step is not None]
    if pair is None or len(steps) != 2:
        return None
    return PairTouch(pair, tuple(step.noise_fs for step in steps))


def swapped_offset(first: PairTouch, swapped: PairTouch, calibration: Calibration) -> Quantity:
    """Return half the difference of two touches, the second with the tips changed over.

    A tip that reads too much by e makes + e V_common of the first touch and - e V_common of the
    second, so that of the common voltage nothing is left; each offset keeps the errors of its own
    size, and the noise of two touches is halved as a difference.

    Parameters
    ----------
    first, swapped : PairTouch
        Tip A on the positive side, then tip A on the negative side.
    calibration : Calibration
        With its ``dc``.

    Returns
    -------
    Quantity
        Positive side less negative side, V, with its expanded uncertainty for 95 %.

    Raises
    ------
    ValueError
        If the calibration has no DC scale of two tips: a fault of the caller.
    """
    dc = calibration.dc
    if dc is None or len(dc.tips) != 2:
        raise ValueError("a mean of swapped tips needs the DC scale of two tips")
    value = 0.5 * (first.volts.value - swapped.volts.value)
    size, lead = abs(value), calibration.ground_lead_ratio
    parts = [
        Component("method", 1.0, METHOD * size, "normal", None),
        from_limits("battery by the multimeter", 1.0, size * dc.tolerance_v / dc.battery_v),
        from_limits("drift since the calibration", 1.0, DRIFT_LIMIT * size),
        from_limits("ground lead", 1.0, 2.0 * RESISTOR_TOLERANCE * lead * size),
    ]
    for n, tip in enumerate(dc.tips):
        scale_v = tip_scale_v(calibration, dc.battery_v, tip.height_fs)
        battery = 0.5 * size * math.sqrt(tip.covariance[0][0]) / abs(tip.height_fs)
        parts.append(Component("battery's touch", 1.0, battery, "normal", None))
        parts += [
            Component("noise of a touch", 1.0, 0.5 * scale_v * one.noise_fs[n], "normal", None)
            for one in (first, swapped)
        ]
    return Quantity(value, expanded_uncertainty(parts), "V")


def swapped_disagree(touches: Sequence[PairTouch]) -> bool:
    """Tell whether a touch and the one with changed tips contradict each other."""
    first, swapped = touches
    return abs(first.volts.value + swapped.volts.value) > first.volts.u + swapped.volts.u
