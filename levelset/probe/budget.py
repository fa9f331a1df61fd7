"""Where the uncertainty of a voltage comes from, line by line.

Every line is relative to the voltage, so that lines of different origin add as squares. Readings
and their explanation use the same lines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from levelset.probe.uncertainty import (
    Component,
    Distribution,
    combined_uncertainty,
    expanded_uncertainty,
    from_limits,
    from_quantity,
)
from levelset.quantity import Quantity
from levelset.units import SQRT2

if TYPE_CHECKING:
    from levelset.analysis.result import ToneResult
    from levelset.probe.calibration import Calibration
    from levelset.probe.reading import OutputKind, Reading, ToneSpec

POLE_TOLERANCE = 0.1
"""How well a coupling pole is known, as a ratio (common practice, no source)."""
LOWEST_HIGH_CORNER_HZ = 60_000.0
"""Lowest corner that the probe's capacitor and cable may make, Hz."""
DRIFT_LIMIT = 0.002
"""Change of the scale between checks that is allowed for, as a ratio; the check at the end of a
job confirms it (common practice, no source)."""
LEGS_EQUAL = 0.10
"""Legs of a bridged output are equal and opposite within this part of one of them."""
NEXT_TO_NOTHING = 0.05
"""The ground side of an output carries less than this part of the other."""

OF_ONE_READING = ("noise and fit", "drift since the calibration")
"""Lines that two readings of one calibration do not share."""


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of a budget as it is shown.

    Parameters
    ----------
    name : str
        What it is.
    distribution : Distribution
        What is known about it.
    dof : float or None
        Degrees of freedom; None where they are not limited.
    percent : float
        Standard uncertainty that it brings, % of the voltage.
    share_percent : float
        Its part of the combined variance, %.
    """

    name: str
    distribution: Distribution
    dof: float | None
    percent: float
    share_percent: float

    def as_json(self) -> dict[str, str | float | None]:
        """Return the line as JSON values."""
        return {
            "name": self.name,
            "distribution": self.distribution,
            "dof": self.dof,
            "standard_uncertainty_percent": self.percent,
            "share_percent": self.share_percent,
        }


def voltage_budget(
    calibration: Calibration, tone: ToneResult, pair_of: OutputKind | None
) -> tuple[Component, ...]:
    """Return what makes up the uncertainty of a voltage.

    Parameters
    ----------
    calibration : Calibration
        What the scale came from.
    tone : ToneResult
        The reading, not void.
    pair_of : OutputKind or None
        Kind of output whose pair was read; None for a leg alone. The scales of both tips come from
        one touch, so only their match acts, and only on the share of tip B.

    Returns
    -------
    tuple of Component
        Lines of the scale (multimeter, waveform, noise), drift, input coupling, frequency
        response, match of tips, noise and fit. Every ``contribution`` is a ratio; lines that are
        nothing are left out.

    Raises
    ------
    ValueError
        If the reading is void.
    """
    if tone.amplitude_fs is None or tone.frequency_hz is None:
        raise ValueError("a void reading has no budget")
    frequency_hz, amplitude = tone.frequency_hz.value, tone.amplitude_fs
    scale = calibration.volts_per_full_scale[0]
    parts = list(calibration.scale_budget) or [
        from_quantity("scale", scale, sensitivity=1.0 / scale.value)
    ]
    parts.append(from_limits("drift since the calibration", 1.0, DRIFT_LIMIT))
    parts.append(_input_coupling(calibration, frequency_hz))
    parts.append(_frequency_response(calibration, frequency_hz))
    if calibration.match is not None and pair_of is not None:
        sensitivity = _share_of_b(pair_of) / calibration.match.value
        parts.append(from_quantity("match of tips", calibration.match, sensitivity=sensitivity))
    parts.append(from_quantity("noise and fit", amplitude, sensitivity=1.0 / amplitude.value))
    return tuple(part for part in parts if part.contribution > 0.0)


def reading_budget(
    reading: Reading, spec: ToneSpec, calibration: Calibration
) -> tuple[Component, ...]:
    """Return the budget of a reading, from what is stored with it.

    Parameters
    ----------
    reading : Reading
        A leg or the pair, not void.
    spec : ToneSpec
        What was listened for.
    calibration : Calibration
        The calibration in force.
    """
    pair_of = spec.output if reading.channel == "pair" else None
    return voltage_budget(calibration, reading.tone, pair_of)


def volts_rms(amplitude_fs: Quantity, scale_v: float, budget: Sequence[Component]) -> Quantity:
    """Return a voltage with the 95 % uncertainty of its budget.

    Parameters
    ----------
    amplitude_fs : Quantity
        Peak, full scale (for the total: sqrt 2 times the RMS).
    scale_v : float
        Peak volts at the tip per full scale, V.
    budget : sequence of Component
        Relative to the voltage.
    """
    value = amplitude_fs.value * scale_v / SQRT2
    return Quantity(value, abs(value) * expanded_uncertainty(budget), "V")


def ratio_budget(
    one: Sequence[Component], other: Sequence[Component], *, same_scale: bool
) -> tuple[Component, ...]:
    """Return what makes up the uncertainty of the ratio of two voltages, relative to it.

    Parameters
    ----------
    one, other : sequence of Component
        Budgets of both, at the same frequency.
    same_scale : bool
        Whether both were read with one calibration: the multimeter and everything else that is
        the same in both then cancels.

    Returns
    -------
    tuple of Component
        Each reading brings its own lines. Two limits of error never become one: their difference
        spreads wider for 95 % than the root of the sum of squares of their intervals.
    """
    both = (*one, *other)
    return tuple(part for part in both if part.name in OF_ONE_READING) if same_scale else both


def budget_lines(budget: Sequence[Component]) -> tuple[BudgetLine, ...]:
    """Return the lines as they are shown, the largest first.

    Parameters
    ----------
    budget : sequence of Component
        Relative to the voltage.
    """
    total = combined_uncertainty(budget)
    lines = (
        BudgetLine(
            part.name,
            part.distribution,
            part.dof,
            100.0 * part.contribution,
            100.0 * (part.contribution / total) ** 2 if total > 0.0 else 0.0,
        )
        for part in budget
    )
    return tuple(sorted(lines, key=lambda line: -line.percent))


def budget_table(lines: Sequence[BudgetLine]) -> list[str]:
    """Return the lines as a table for a terminal, with a heading.

    Parameters
    ----------
    lines : sequence of BudgetLine
        As `budget_lines` returns them.
    """
    rows = [f"  {'':<32}{'standard':>10}{'share':>8}  what is known"]
    for line in lines:
        dof = "" if line.dof is None else f", {line.dof:g} degrees of freedom"
        rows.append(
            f"  {line.name:<32}{line.percent:>8.4f} %{line.share_percent:>6.1f} %"
            f"  {line.distribution}{dof}"
        )
    return rows


def _share_of_b(kind: OutputKind) -> float:
    """Largest amplitude of tip B over that of the pair that is not void."""
    if kind == "bridged":
        return 0.5 * (1.0 + LEGS_EQUAL / 2.0)
    return NEXT_TO_NOTHING / (1.0 - NEXT_TO_NOTHING)


def _input_coupling(calibration: Calibration, frequency_hz: float) -> Component:
    """Return the line of the high-pass between the calibration's frequency and the reading's."""
    name, coupling = "input coupling", calibration.coupling
    if calibration.dc is not None:
        u = calibration.dc.section_uncertainty(coupling.section_sensitivity(frequency_hz))
        return Component(name, 1.0, u, "normal", None)
    # One line for all poles, as if their errors went the same way.
    sensitivity = math.fsum(abs(s) for s in coupling.log_sensitivity(frequency_hz))
    return from_limits(name, 1.0, POLE_TOLERANCE, sensitivity=sensitivity)


def _frequency_response(calibration: Calibration, frequency_hz: float) -> Component:
    """Return the line of the high side between the calibration's frequency and the reading's."""
    name = "frequency response"
    corner = calibration.high_corner_hz
    if corner is None:
        # Not corrected, so the largest loss of a probe within its limits bounds it.
        limits = (
            0.5 * math.log1p((at_hz / LOWEST_HIGH_CORNER_HZ) ** 2)
            for at_hz in (frequency_hz, calibration.frequency_hz)
        )
        return from_limits(name, 1.0, abs(next(limits) - next(limits)))

    def term(at_hz: float) -> float:
        return at_hz**2 / (at_hz**2 + corner.value**2)

    # d ln|1 / (1 + jf/fc)| / d ln fc = f^2 / (f^2 + fc^2).
    difference = term(frequency_hz) - term(calibration.frequency_hz)
    return from_quantity(name, corner, sensitivity=difference / corner.value)
