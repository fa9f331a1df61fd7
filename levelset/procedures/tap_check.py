"""What stands on the legs of a source: bias, offset across, and what that says about it."""

from __future__ import annotations

from typing import Any

from levelset.plan.job import JobPlan, MeterSpec
from levelset.ports.base import Point
from levelset.probe.calibrate import meter_tolerance_v
from levelset.probe.calibration import Calibration
from levelset.probe.reading import OutputKind
from levelset.probe.touch_reading import TouchReading
from levelset.procedures import cautions
from levelset.procedures.common import Steps, start_engine, stop_tone
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import Accept, Acknowledge, Finish, Procedure
from levelset.procedures.touching import (
    BIASED_V,
    agreed_touch,
    offered_swap,
    touched_or_typed,
    typed_dc,
    volts_spec,
)
from levelset.procedures.which_wire import NamedWire, name_the_wire
from levelset.quantity import Quantity

SWAP_V = 0.004
"""Uncertainty across the legs above which the tips may be changed over, V: what that can reach."""


def tap_check(plan: JobPlan, facts: Facts) -> Procedure:
    """Read bias of each leg and offset across, source on and muted, without grounding a leg."""
    if facts.calibration is None:
        yield Finish("skipped", "The probe is not calibrated yet.", {})
        return
    yield Acknowledge(cautions.PROBE)
    yield from stop_tone(plan)
    yield from start_engine(facts)  # the bias follows the supply
    meter = plan.probe.meter_dc
    if facts.calibration.dc is None and meter is None:
        yield Finish("skipped", "Neither a battery's touch nor DC limits of the meter.", {})
        return
    touching = facts.calibration.dc is not None
    found = yield from touched_or_typed(
        _touched(plan, facts.calibration) if touching else None,
        None if meter is None else _typed(plan, meter),
    )
    positive, negative, offset, extra = found
    wire: NamedWire = yield from name_the_wire(plan)
    yield from stop_tone(plan)
    kind, said = _kind(positive, negative, facts.output_kind(None))
    result: dict[str, Any] = {
        "bias_v": {
            "positive": positive.as_json(),
            "negative": None if negative is None else negative.as_json(),
        },
        "offset_v": None if offset is None else offset.as_json(),
        "kind": kind,
        **wire.result,
        "wake_up": _wake_up(positive, plan.wake_up_volts),
        **extra,
    }
    sentence = f"Positive leg {positive.text()}"
    if negative is not None:
        sentence += f", negative leg {negative.text()}"
    if offset is not None:
        sentence += f", across {offset.text()}"
    sentence = f"{sentence}: {said} {wire.sentence} {result['wake_up']}"
    yield Finish("accepted", sentence, result)


def _kind(
    positive: Quantity, negative: Quantity | None, by_tone: OutputKind
) -> tuple[OutputKind, str]:
    """Return the kind of output by its bias and by the tone, and one sentence about it.

    A bias on both legs is a bridged output; without bias only the tone tells, since a bridged
    output with a supply of both signs, a grounded one and a line output all rest at zero.
    """
    biased = negative is not None and min(positive.low, negative.low) > BIASED_V
    if biased and by_tone == "grounded":
        return "unknown", (
            "both legs stand on a bias, yet with the tone only one was driven: check the contact "
            "of tip B and find the kind of output again. Never ground a leg."
        )
    if biased:
        return "bridged", "both legs stand on a bias, a bridged output. Never ground a leg."
    if by_tone == "bridged":
        return (
            "bridged",
            "no bias, but the tone drives both legs, a bridged output. Never ground a leg.",
        )
    if by_tone == "grounded":
        return "grounded", "the tone drives one side: a grounded or a line output."
    return "unknown", "without a bias only the tone tells which kind of output it is."


def _touched(plan: JobPlan, calibration: Calibration) -> Steps:
    where = "tip A on the positive and tip B on the negative wire of the source's tap"
    plus, minus = Point("source", "positive"), Point("source", "negative")
    reading: TouchReading = yield from agreed_touch(volts_spec(plan), where, plus, minus)
    seq: int = yield Accept(reading, "tap_check", {})
    volts = [leg.volts for leg in reading.legs]
    offset = None if reading.pair is None else reading.pair.volts
    negative = volts[1] if len(volts) > 1 else None
    result = {"typed": False, "touch_seq": seq}
    if offset is not None and offset.u > SWAP_V:
        why = f"Across the legs {offset.text()}: tips that change places make it more certain."
        swapped = yield from offered_swap(
            plan, calibration, reading, plus, minus, why=why, as_what="tap_check"
        )
        if swapped is not None:
            offset, result["swapped_seq"] = swapped
    return volts[0], negative, offset, result


def _typed(plan: JobPlan, meter: MeterSpec) -> Steps:
    plus, minus = Point("source", "positive"), Point("source", "negative")
    values = []
    for words, red, black in (
        ("red lead on the positive wire of the source's tap, black lead on chassis", plus, None),
        ("red lead on the negative wire, black lead on chassis", minus, None),
        ("red lead on the positive, black lead on the negative wire", plus, minus),
    ):
        sentence = f"Multimeter on DC volts, {words}. What does it read?"
        volts: float = yield from typed_dc(sentence, red, black, plan)
        values.append(Quantity(volts, meter_tolerance_v(meter, volts), "V"))
    return values[0], values[1], values[2], {"typed": True}


def _wake_up(bias: Quantity, threshold_v: float | None) -> str:
    """Return whether an amplifier that wakes up on the bias will do so."""
    if threshold_v is None:
        return "Whether an amplifier wakes up on this is not known: its manual names the voltage."
    if bias.low > threshold_v:
        return f"Enough to wake up an amplifier that needs {threshold_v:g} V."
    if bias.high < threshold_v:
        return f"Not enough to wake up an amplifier that needs {threshold_v:g} V: wire its remote."
    return f"Too close to call for an amplifier that needs {threshold_v:g} V."
