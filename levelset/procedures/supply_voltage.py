"""Supply voltage at rest and with the engine running, by touch; drops on the cables, typed in."""

from __future__ import annotations

from typing import Any

from levelset.plan.job import JobPlan, MeterSpec
from levelset.ports.base import Point
from levelset.probe.calibrate import meter_tolerance_v
from levelset.probe.touch_reading import TouchReading
from levelset.procedures import cautions
from levelset.procedures.common import Steps, stop_tone
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    Answer,
    Ask,
    Finish,
    Procedure,
    StepFailed,
)
from levelset.procedures.touching import (
    agreed_touch,
    touched_or_typed,
    typed_dc,
    volts_spec,
)
from levelset.quantity import Quantity
from levelset.units import db_from_ratio

LEAST_RUNNING_V = 13.2
"""A charged battery on a running alternator stands above it (common practice, no source)."""

SUPPLY = Point("battery", "positive")
"""The amplifiers' supply is the battery but for the drop on the cables."""

DROPS = (
    ("drop_plus_v", "from the battery's positive terminal to the amplifier's positive terminal"),
    ("drop_ground_v", "from the amplifier's ground terminal to the battery's negative terminal"),
)


def supply_voltage(plan: JobPlan, facts: Facts) -> Procedure:
    """Read the supply twice, and ask for what is lost on plus and ground under load."""
    calibration, meter = facts.calibration, plan.probe.meter_dc
    touching = calibration is not None and calibration.dc is not None
    if not touching and meter is None:
        yield Finish("skipped", "First touch the battery, or add the meter's DC limits.", {})
        return
    yield Acknowledge(cautions.PROBE)
    yield Acknowledge(cautions.SUPPLY)
    yield from stop_tone(plan)
    yield Ask("Stop the engine, lights and consumers off.", Act("stop_engine"))
    at_rest, rest = yield from _supply(plan, "engine_off", touching)
    yield Acknowledge(cautions.ENGINE)
    yield Ask("Start the engine.", Act("start_engine"))
    running, run = yield from _supply(plan, "engine_on", touching)
    drops = {}
    if meter is not None:
        drops = yield from _drops(plan, meter)
    result: dict[str, Any] = {
        "engine_off_v": at_rest.as_json(),
        "engine_on_v": running.as_json(),
        "typed": rest["typed"] or run["typed"],
        **{key: None if drop is None else drop.as_json() for key, drop in drops.items()},
        **{key: seq for part in (rest, run) for key, seq in part.items() if key != "typed"},
    }
    sentence = f"Supply {at_rest.text()} at rest, {running.text()} with the engine running."
    rated_v = min(channel.rated_supply_v for channel in plan.channels)
    result["clip_shift_db"] = shift_db = db_from_ratio(running.value / rated_v)
    if shift_db < 0.0:
        sentence += (
            f" Unregulated amplifiers rated at {rated_v:g} V clip {-shift_db:.1f} dB below their "
            "rating on it."
        )
    if running.value <= at_rest.value:
        sentence += " It does not rise: see whether the engine runs and the alternator charges."
    elif running.high < LEAST_RUNNING_V:
        sentence += " That is low for a running engine: look at the battery and the alternator."
    low = running.value <= at_rest.value or running.high < LEAST_RUNNING_V
    yield Finish("limited" if low else "accepted", sentence, result)


def _supply(plan: JobPlan, which: str, touching: bool) -> Steps:
    """Return one voltage and what the result says of where it comes from."""
    meter = plan.probe.meter_dc
    return (
        yield from touched_or_typed(
            _touched(plan, which) if touching else None,
            None if meter is None else _typed(plan, meter),
        )
    )


def _touched(plan: JobPlan, which: str) -> Steps:
    where = "both tips on the positive supply terminal of an amplifier, or of the battery"
    reading: TouchReading = yield from agreed_touch(volts_spec(plan), where, SUPPLY, SUPPLY)
    volts = reading.legs[0].volts
    if volts is None or not volts.value > 0.0:
        raise StepFailed("The touch shows no supply: see where ground lead and tips are")
    seq: int = yield Accept(reading, "supply_voltage", {"which": which})
    return volts, {"typed": False, f"{which}_seq": seq}


def _typed(plan: JobPlan, meter: MeterSpec) -> Steps:
    volts: float = yield from typed_dc(
        "Multimeter on DC volts, red lead on the positive supply terminal, black lead on the "
        "amplifier's ground terminal. What does it read?",
        SUPPLY,
        None,
        plan,
    )
    if not volts > 0.0:
        raise StepFailed("The supply reads no positive voltage: change the meter's leads")
    return Quantity(volts, meter_tolerance_v(meter, volts), "V"), {"typed": True}


def _drops(plan: JobPlan, meter: MeterSpec) -> Steps:
    """Return the drops on plus and ground, each None where it was not read."""
    found: dict[str, Quantity | None] = {key: None for key, _ in DROPS}
    answer: Answer = yield Ask(
        "Do you want to type in what is lost on the supply cables? A load must draw current, and "
        "the multimeter's leads must reach from battery to amplifier.",
        Act("read_dc_meter"),
        "yes_no",
    )
    if answer.value == "yes":
        for key, way in DROPS:
            volts: float = yield from typed_dc(
                f"Multimeter on DC volts, {way}. What does it read?", SUPPLY, SUPPLY, plan
            )
            found[key] = Quantity(volts, meter_tolerance_v(meter, volts), "V")
    return found
