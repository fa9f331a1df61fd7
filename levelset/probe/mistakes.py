"""What happens when a tip or the ground clip of a probe is put in the wrong place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from levelset.errors import UsageError

if TYPE_CHECKING:
    from levelset.probe.design import ProbeDesign
    from levelset.probe.divider import DividerRange

Part = Literal["tip", "ground clip"]
Place = Literal["battery", "leg", "chassis", "nothing"]
BATTERY_V = (5.0, 60.0)


@dataclass(frozen=True, slots=True)
class Mistake:
    """One part of the probe in one place.

    Parameters
    ----------
    part : {"tip", "ground clip"}
        What was placed.
    place : {"battery", "leg", "chassis", "nothing"}
        Battery positive, a driven leg or terminal, chassis, or left open.
    interface_on_chassis : bool
        True where the interface reaches chassis on another way too: the laptop's charger, a cable
        to the vehicle's line input.
    right : bool
        True where this is no mistake.
    current_a : float
        Largest current, A.
    ground_lead_w : float
        Dissipation of the ground lead's resistor at that current (on a leg: of a sine), W.
    consequence : str
        What it does and what to do, in full sentences.
    """

    part: Part
    place: Place
    interface_on_chassis: bool
    right: bool
    current_a: float
    ground_lead_w: float
    consequence: str


def consequences(
    design: ProbeDesign, battery_v: float, ground_lead_w: float
) -> tuple[Mistake, ...]:
    """Return every place of a tip and of the ground clip with what it does.

    Parameters
    ----------
    design : ProbeDesign
        The probe.
    battery_v : float
        Battery voltage with the engine running, 5 to 60 V.
    ground_lead_w : float
        Rated power of the ground lead's resistor, W.

    Returns
    -------
    tuple of Mistake
        Currents by Ohm's law for the range with the smaller resistance; the interface itself is
        taken as a connection without resistance.

    Raises
    ------
    UsageError
        If a number is out of range.
    """
    if not BATTERY_V[0] <= battery_v <= BATTERY_V[1]:
        raise UsageError(
            f"battery voltage of {battery_v:g} V is out of range",
            f"give {BATTERY_V[0]:g} to {BATTERY_V[1]:g} V",
        )
    if not (math.isfinite(ground_lead_w) and ground_lead_w > 0.0):
        raise UsageError(
            f"rated power of {ground_lead_w:g} W is out of range", "give a power above 0 W"
        )
    ground_ohm = design.ground_lead_ohm
    volts = design.requirement.max_volts
    tip_ohm = min(_whole_ohm(design, one) for one in (design.low, design.high))

    on_battery_w = battery_v**2 / ground_ohm
    on_leg_w = volts**2 / (2.0 * ground_ohm)
    tip_on_battery_a = battery_v / (tip_ohm + ground_ohm)
    tip_on_leg_a = volts / (tip_ohm + ground_ohm)
    overload = ""
    if volts > design.low.readable_v_peak:
        overload = (
            f" In the low range the input would see up to {volts / design.low.ratio:.2g} V peak "
            f"from {volts:g} V: it overloads and the reading is void. Begin with the high range."
        )
    floating, between_tips_a = "The interface's ground floats: hum and chance.", 0.0
    if design.requirement.tips != "one":
        floating = (
            "The interface's ground floats between the tips: hum, and legs that look equal and "
            "opposite on every output."
        )
        between_tips_a = volts / (2.0 * tip_ohm)
    touch = ", which is hazardous to touch" if design.hazardous else ""
    return (
        Mistake(
            *("tip", "leg", False, True, tip_on_leg_a, tip_on_leg_a**2 * ground_ohm / 2.0),
            "This is where a tip belongs; the load is too light to notice." + overload,
        ),
        Mistake(
            *("tip", "chassis", False, False, 0.0, 0.0),
            "Harmless. On the ground side of a grounded output this is right; on a bridged output "
            "the pair would show half its voltage, so the reading is void.",
        ),
        Mistake(
            *("tip", "battery", False, False, tip_on_battery_a, tip_on_battery_a**2 * ground_ohm),
            f"Harmless: R1 lets {1e3 * tip_on_battery_a:.2f} mA flow. An AC-coupled input shows a "
            "step that dies away; wait until it has. The battery of an electric or hybrid drive "
            "is never touched.",
        ),
        Mistake(
            *("ground clip", "chassis", False, True, 0.0, 0.0),
            "This is where it belongs, on the amplifier's ground terminal or the radio's chassis, "
            "first on and last off.",
        ),
        Mistake(
            *("ground clip", "battery", True, False, battery_v / ground_ohm, on_battery_w),
            f"The ground lead's resistor carries {1e3 * battery_v / ground_ohm:.1f} mA and "
            f"{_heat(on_battery_w, ground_lead_w)}. Without it the lead and the laptop would "
            "carry the whole short-circuit current. Take the clip off.",
        ),
        Mistake(
            *("ground clip", "battery", False, False, tip_on_battery_a),
            tip_on_battery_a**2 * ground_ohm,
            "With the laptop on its battery next to nothing flows, but everything that is "
            f"grounded at the interface stands at {battery_v:g} V: whatever connects it to chassis "
            "makes the case above. Take the clip off.",
        ),
        Mistake(
            *("ground clip", "leg", True, False, volts / ground_ohm, on_leg_w),
            f"The resistor takes up to {1e3 * volts / ground_ohm:.0f} mA peak from the leg and "
            f"{_heat(on_leg_w, ground_lead_w)}. Without it the leg would be shorted to chassis, "
            "which can destroy a bridged output. Take the clip off.",
        ),
        Mistake(
            *("ground clip", "leg", False, False, tip_on_leg_a, tip_on_leg_a**2 * ground_ohm / 2.0),
            "With the laptop on its battery next to nothing flows, but the interface's ground "
            f"follows the leg, up to {volts:g} V peak{touch}, and the readings are wrong. Take "
            "the clip off without touching metal.",
        ),
        Mistake(
            *("ground clip", "nothing", False, False, between_tips_a, 0.0),
            f"Nothing is in danger. {floating} No reading can be trusted; put the clip on.",
        ),
    )


def _whole_ohm(design: ProbeDesign, one: DividerRange) -> float:
    """Resistance from a tip to the probe's ground, input impedance counted."""
    pin_ohm = design.requirement.pin_impedance_ohm
    return one.r1_ohm + one.r2_ohm * pin_ohm / (one.r2_ohm + pin_ohm)


def _heat(power_w: float, rated_w: float) -> str:
    if power_w <= rated_w:
        return f"{power_w:.2g} W, which it bears"
    return f"{power_w:.2g} W, more than its {rated_w:g} W: it gets hot and may burn"
