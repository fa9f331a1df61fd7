"""Design of the resistor probe: values from the shops' series, and what they can do.

One tip::

    tip o--[ R1 ]--+-----o input          R1 may be several resistors in series
                   |                      C and the cable's capacitance lie across R2
               [R2] = C
                   |
    clip o--[ 1k ]-+-----o input ground

Two tips share the ground lead; on a balanced input each pin has its own R1, R2 and C.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from levelset.errors import UsageError
from levelset.probe.divider import (
    C_TOLERANCE,
    CABLE_TOLERANCE,
    GROUND_LEAD_OHM,
    HEADROOM_DB,
    R_TOLERANCE,
    DividerRange,
    Parts,
    describe,
    ratio_of,
    stated_v,
)
from levelset.probe.preferred import E12, E24, preferred
from levelset.probe.requirement import Requirement
from levelset.units import ratio_from_db

R1_OHM = (100_000.0, 2_000_000.0)
"""The lower limit bounds every current through a tip without a clamp."""
R2_OHM = (470.0, 10_000.0)
"""The upper limit keeps the corner of the cable's capacitance above the audio band."""
CORNER_HZ = (60_000.0, 100_000.0)
"""The corner keeps class-D residue out and 20 kHz in."""
LOW_RATIO = 10.0
HIGH_RATIO = 100.0
MAX_TOUCH_V_PEAK = 42.4
"""Above 30 V RMS terminals are hazardous to touch (ISO 6469-3 class limits, from memory)."""
_CLOSE = 0.05
_PER_RESISTOR = 0.03
_HANDIEST_R1_OHM = 1_000_000.0


@dataclass(frozen=True, slots=True)
class ProbeDesign:
    """Both ranges of a probe.

    Parameters
    ----------
    requirement : Requirement
        What it was designed for.
    low, high : DividerRange
        The ranges.
    ground_lead_ohm : float
        Resistor in the ground lead, ohm.
    hazardous : bool
        True where the largest voltage is hazardous to touch.
    remarks : tuple of str
        What the person should know about this choice, in full sentences.
    """

    requirement: Requirement
    low: DividerRange
    high: DividerRange
    ground_lead_ohm: float
    hazardous: bool
    remarks: tuple[str, ...]


def design_probe(requirement: Requirement) -> ProbeDesign:
    """Choose the parts of both ranges.

    Parameters
    ----------
    requirement : Requirement
        What the probe is for.

    Returns
    -------
    ProbeDesign
        The low range is as near to 10:1 as the limits of R1 and R2 allow; the high range is 100:1,
        or as much more as the largest voltage needs. Both bear the largest voltage.

    Raises
    ------
    UsageError
        If no parts of the series do it.

    Notes
    -----
    Dividers, corners and dissipation: Ohm's and Kirchhoff's laws. Resistor noise: 4 k T R B
    (Johnson and Nyquist, 1928).
    """
    usable_v = requirement.full_scale_v_peak * ratio_from_db(-HEADROOM_DB)
    needed = requirement.max_volts / usable_v
    low = _choose(requirement, "low", LOW_RATIO, at_least=1.0)
    high = _choose(requirement, "high", max(HIGH_RATIO, needed), at_least=needed)
    return ProbeDesign(
        requirement=requirement,
        low=low,
        high=high,
        ground_lead_ohm=GROUND_LEAD_OHM,
        hazardous=requirement.max_volts > MAX_TOUCH_V_PEAK,
        remarks=tuple(_remarks(requirement, low)),
    )


def _choose(
    need: Requirement, name: Literal["low", "high"], wanted: float, *, at_least: float
) -> DividerRange:
    best: tuple[tuple[float, float], Parts, float | None] | None = None
    for parts in _candidates(need):
        ratio = ratio_of(need, parts)
        if ratio < at_least:
            continue
        capacitor = _capacitor_pf(need, parts)
        if capacitor is None:
            continue
        # Within 5 % of the wish all ratios are alike, since the calibration finds the exact one;
        # then the larger R1 loads and disturbs less, up to where stray capacitance counts. A
        # further resistor to solder must bring the ratio 3 % nearer.
        off = max(abs(math.log(ratio / wanted)), _CLOSE) + _PER_RESISTOR * (parts.count - 1)
        order = (off, abs(math.log(parts.r1_ohm / _HANDIEST_R1_OHM)))
        if best is None or order < best[0]:
            best = (order, parts, capacitor or None)
    if best is None:
        raise UsageError(
            f"no probe of the {name} range fits {need.max_volts:g} V peak, full scale "
            f"{need.full_scale_v_peak:g} V, {need.cable_pf:g} pF",
            "use a shorter cable, an input with a larger full scale, or resistors for more voltage",
        )
    return describe(need, name, best[1], best[2])


def _candidates(need: Requirement) -> Iterator[Parts]:
    for r2_ohm in preferred(E24, *R2_OHM):
        for each_ohm in preferred(E24, R1_OHM[0] / 10.0, R1_OHM[1]):
            for count in range(1, 11):
                parts = Parts(count, each_ohm, r2_ohm, need.pin_impedance_ohm)
                if R1_OHM[0] <= parts.r1_ohm <= R1_OHM[1] and _bears(need, parts):
                    yield parts
                    break  # more resistors of this value only make another R1


def _bears(need: Requirement, parts: Parts) -> bool:
    return need.max_volts <= stated_v(need, parts)


def _capacitor_pf(need: Requirement, parts: Parts) -> float | None:
    """Capacitor for the corner; 0 where the cable is enough, None where nothing fits."""
    wanted_pf = 1e12 / (2.0 * math.pi * parts.node_ohm * math.sqrt(CORNER_HZ[0] * CORNER_HZ[1]))
    fitting = []
    for c_pf in (0.0, *preferred(E12, 10.0, 10_000.0)):
        # The corner stays within its limits at the ends of all tolerances.
        least = c_pf * (1.0 - C_TOLERANCE) + need.cable_pf * (1.0 - CABLE_TOLERANCE)
        most = c_pf * (1.0 + C_TOLERANCE) + need.cable_pf * (1.0 + CABLE_TOLERANCE)
        highest = 1e12 / (2.0 * math.pi * parts.node_ohm * (1.0 - R_TOLERANCE) * max(least, 1e-9))
        lowest = 1e12 / (2.0 * math.pi * parts.node_ohm * (1.0 + R_TOLERANCE) * max(most, 1e-9))
        if CORNER_HZ[0] <= lowest and highest <= CORNER_HZ[1]:
            fitting.append(c_pf)
    return min(fitting, key=lambda c: abs(c + need.cable_pf - wanted_pf), default=None)


def _remarks(need: Requirement, low: DividerRange) -> Iterator[str]:
    if low.readable_v_peak >= need.max_volts:
        yield (
            f"The low range alone reads {low.readable_v_peak:.0f} V peak: the high range is not "
            "needed for this input."
        )
    if low.ratio > 1.5 * LOW_RATIO:
        yield (
            f"The low range is {low.ratio:.0f}:1, not about {LOW_RATIO:g}:1: R1 must not be "
            "smaller, and R2 is held down by the cable's capacitance and the input's impedance. A "
            "shorter cable or another input lowers the noise."
        )
    if need.max_volts > MAX_TOUCH_V_PEAK:
        yield (
            f"{need.max_volts:g} V peak is hazardous to touch: insulate tips and resistors for it, "
            "place the tips with the amplifier off. Local electrical codes and licensed practice "
            "come first."
        )
