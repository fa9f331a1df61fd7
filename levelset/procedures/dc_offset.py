"""DC at an amplifier's output, where a loudspeaker would have to bear it."""

from __future__ import annotations

from levelset.plan.job import ChannelPlan, JobPlan, MeterSpec
from levelset.ports.base import Point
from levelset.probe.calibrate import meter_tolerance_v
from levelset.probe.touch_reading import TouchReading
from levelset.procedures import cautions
from levelset.procedures.common import Steps, start_engine, stop_tone
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Finish,
    OutcomeWord,
    Procedure,
    StepFailed,
)
from levelset.procedures.touching import (
    agreed_touch,
    offered_swap,
    touched_or_typed,
    typed_dc,
    volts_spec,
)
from levelset.quantity import Quantity

LOOK_AGAIN_V = 0.05
FAULT_V = 0.1
"""Above the first look again, above the second a fault until shown otherwise (common practice, no
source)."""

CLOSE = "too close to call"


def dc_offset(plan: JobPlan, facts: Facts, channel: ChannelPlan) -> Procedure:
    """Read the offset across a channel's terminals, tone stopped."""
    calibration, meter = facts.calibration, plan.probe.meter_dc
    if calibration is None or (calibration.dc is None and meter is None):
        yield Finish("skipped", "First touch the battery, or add the meter's DC limits.", {})
        return
    plus = Point("channel", "positive", channel.name)
    minus = Point("channel", "negative", channel.name)
    yield Acknowledge(cautions.LOUDSPEAKER_OUT)
    yield Acknowledge(cautions.TOUCH)
    yield from start_engine(facts)
    yield from stop_tone(plan)
    touching = calibration.dc is not None and plan.probe.tips == 2
    if not touching and meter is None:
        yield Finish("skipped", "One tip cannot read across two terminals.", {})
        return
    offset, result = yield from touched_or_typed(
        _touched(plan, facts, channel, plus, minus) if touching else None,
        None if meter is None else _typed(plan, channel, meter, plus, minus),
    )
    outcome, verdict, words = _verdict(offset)
    yield Finish(
        outcome,
        f"Offset of {channel.name}: {offset.text()}, {words}.",
        {"volts": offset.as_json(), "verdict": verdict, **result},
    )


def _touched(plan: JobPlan, facts: Facts, channel: ChannelPlan, plus: Point, minus: Point) -> Steps:
    where = f"tip A on the positive and tip B on the negative terminal of {channel.name}"
    reading: TouchReading = yield from agreed_touch(volts_spec(plan), where, plus, minus)
    seq: int = yield Accept(reading, "dc_offset", {})
    offset = None if reading.pair is None else reading.pair.volts
    if offset is None or facts.calibration is None:
        raise StepFailed("The touch has no volts: touch the battery again")
    result = {"typed": False, "touch_seq": seq}
    if _verdict(offset)[1] == CLOSE:
        swapped = yield from offered_swap(
            plan,
            facts.calibration,
            reading,
            plus,
            minus,
            why=f"{offset.text()} is too close to a limit to call.",
            as_what="dc_offset",
        )
        if swapped is not None:
            offset, result["swapped_seq"] = swapped
    return offset, result


def _typed(
    plan: JobPlan, channel: ChannelPlan, meter: MeterSpec, plus: Point, minus: Point
) -> Steps:
    volts: float = yield from typed_dc(
        f"Multimeter on DC volts across the terminals of {channel.name}, red lead on the "
        "positive one. What does it read?",
        plus,
        minus,
        plan,
    )
    return Quantity(volts, meter_tolerance_v(meter, volts), "V"), {"typed": True}


def _verdict(offset: Quantity) -> tuple[OutcomeWord, str, str]:
    size = abs(offset.value)
    limits: tuple[tuple[float, OutcomeWord, str, str], ...] = (
        (FAULT_V, "failed", "fault", "a fault until shown otherwise: connect no loudspeaker"),
        (LOOK_AGAIN_V, "limited", "look again", "look again when it is warm"),
    )
    for limit_v, outcome, verdict, words in limits:
        if size - offset.u > limit_v:
            return outcome, verdict, words
        if size + offset.u > limit_v:
            word = f"too close to {1e3 * limit_v:.0f} mV to call: read it again when it is warm"
            return "limited", CLOSE, word
    return "accepted", "ok", "as it should be"
