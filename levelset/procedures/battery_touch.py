"""DC scale and coupling of the input, by touching the vehicle's battery."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from levelset.errors import UsageError
from levelset.plan.job import JobPlan
from levelset.ports.base import Point
from levelset.probe.calibrate import meter_tolerance_v
from levelset.probe.dc import dc_scale
from levelset.probe.dc_scale import DcScale
from levelset.probe.touch_reading import TouchReading
from levelset.procedures import cautions
from levelset.procedures.common import stop_tone
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    Ask,
    Finish,
    Procedure,
    StepFailed,
)
from levelset.procedures.touching import identify_spec, touch, typed_dc
from levelset.quantity import Quantity


def battery_touch(plan: JobPlan, facts: Facts) -> Procedure:
    """Identify the input's coupling with both tips on the battery that the multimeter reads.

    From then on DC volts can be read by touch, and low tones are corrected with the coupling that
    was found instead of the one on the label.
    """
    meter, calibration = plan.probe.meter_dc, facts.calibration
    if calibration is None or meter is None:
        missing = "The probe is not calibrated yet" if meter else "The plan has no DC limits"
        yield Finish("skipped", f"{missing}: DC is typed in from the multimeter.", {})
        return
    dc = calibration.dc
    if dc is not None and not dc.evidence and facts.result("battery_touch", None) is None:
        battery = Quantity(dc.battery_v, dc.tolerance_v, "V")
        yield Finish(
            "accepted",
            f"The calibration from the store holds a battery's touch at {battery.text()}: DC can "
            "be read by touch. Repeat this step for a new one.",
            {"battery_v": battery.as_json(), **_found(dc)},
        )
        return
    plus = Point("battery", "positive")
    yield Acknowledge(cautions.PROBE)
    yield Acknowledge(cautions.BATTERY)
    yield from stop_tone(plan)
    if facts.engine_runs:
        yield Ask("Stop the engine: a charged battery moves and ripples.", Act("stop_engine"))
    volts: float = yield from typed_dc(
        "Multimeter on DC volts, red lead on the battery's positive terminal, black lead on its "
        "negative one. What does it read?",
        plus,
        None,
        plan,
    )
    if not volts > 0.0:
        raise StepFailed("The battery reads no positive voltage: change the meter's leads")
    tolerance_v = meter_tolerance_v(meter, volts)
    try:
        reading: TouchReading = yield from touch(
            identify_spec(plan), "both tips on the battery's positive terminal", plus, plus
        )
        details = {"battery_volts": volts, "tolerance_volts": tolerance_v, "typed": True}
        seq: int = yield Accept(reading, "battery_touch", details)
        dc = dc_scale(reading, volts, tolerance_v, calibration, seq)
    except (StepFailed, UsageError) as failure:
        # The rest of the job does not hang on it: DC is read from the multimeter then.
        yield Finish(
            "limited",
            f"This input cannot be read by touch, DC is typed in from the multimeter. {failure}",
            {"battery_v": Quantity(volts, tolerance_v, "V").as_json(), "dc": "typed"},
        )
        return
    rejection = dc.rejection_db
    order = len(dc.section)
    found = "DC coupled" if dc.dc_coupled else f"AC coupled with {order} pole{'s' * (order > 1)}"
    alike = "" if rejection is None else f"; the tips are alike to {rejection.value:.0f} dB"
    yield Finish(
        "accepted",
        f"The input is {found}{alike}. DC can be read by touch.",
        {
            "battery_v": Quantity(volts, tolerance_v, "V").as_json(),
            **_found(dc),
            "touch_seq": seq,
        },
        replace(calibration, dc=dc),
    )


def _found(dc: DcScale) -> dict[str, Any]:
    rejection = dc.rejection_db
    return {
        "coefficients": list(dc.section),
        "dc_coupled": dc.dc_coupled,
        "rejection_db": None if rejection is None else rejection.as_json(),
    }
