"""Does what feeds an amplifier suit its input: too hot, too weak, and where its gain will stand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from levelset.plan.gain_structure import amplifier_input_v_rms, input_span_v_rms
from levelset.procedures.common import upper_first
from levelset.procedures.protocol import Finish, Procedure
from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from levelset.plan.equipment import ProcessorPlan
    from levelset.plan.job import ChannelPlan, JobPlan
    from levelset.procedures.facts import Facts

NEAR_DB = 1.0
"""A gain that is predicted this near to an end of its knob is said to be there."""


def input_match(plan: JobPlan, facts: Facts) -> Procedure:
    """Compare what comes at the clean maximum with what the amplifier's inputs take, by its label.

    It comes from the source, or from the processor's output where the plan has one.

    An amplifier's input range is the input voltage for its rated output with the gain knob at
    either end. The voltage needed here is the one that meets the target instead of the rating.
    """
    clean = facts.result("clean_volume", None)
    if clean is None:
        yield Finish("skipped", "First find the clean volume of the source.", {})
        return
    fed = amplifier_input_v_rms(plan, clean, facts.result("processor", None))
    processor = plan.processor
    if fed is None:
        name = "the processor" if processor is None else processor.name
        yield Finish("skipped", f"First set the output level of {name}.", {})
        return
    rows = [_matched(channel, fed.value, processor) for channel in plan.channels]
    hot = any(row["verdict"] == "too_hot" for row in rows)
    sentence = f"The source gives {fed.value:.2f} V at its clean maximum. "
    if processor is not None:
        sentence = (
            f"{upper_first(processor.name)} gives {fed.value:.2f} V at the source's clean maximum. "
        )
    sentence += " ".join(row["sentence"] for row in rows)
    yield Finish(
        "limited" if hot or any(row["verdict"] == "too_weak" for row in rows) else "accepted",
        sentence,
        {
            "clean_volts_rms": clean["volts_rms"],
            "input_volts_rms": fed.as_json(),
            "channels": rows,
        },
    )


def _matched(
    channel: ChannelPlan, input_v: float, processor: ProcessorPlan | None
) -> dict[str, Any]:
    """Return verdict, gain position and what to do for one channel."""
    name, span = channel.name, channel.input_range_v_rms
    for_target = input_span_v_rms(channel)
    row: dict[str, Any] = {
        "channel": name,
        "input_range_volts_rms": None if span is None else list(span),
        "gain_position_db": None,
        "gain_range_db": None,
    }
    if span is None or for_target is None:
        return {
            **row,
            "verdict": "unknown",
            "sentence": f"{name}: its input range is not in the plan; the amplifier's label or "
            "manual has it.",
        }
    low_v, high_v = span
    # Gain that turns what comes at the maximum into the target, over that of the lowest gain.
    position_db, range_db = db_from_ratio(for_target[1] / input_v), db_from_ratio(high_v / low_v)
    row |= {"gain_position_db": position_db, "gain_range_db": range_db}
    if position_db < 0.0:
        todo = "use its speaker-level input, or a line converter or a pad before it"
        if processor is not None:
            todo = f"set the output level of {processor.name} lower"
        return {
            **row,
            "verdict": "too_hot",
            "sentence": f"{name}: {-position_db:.1f} dB too hot for an input of up to "
            f"{high_v:g} V: {todo}.",
        }
    if position_db > range_db:
        return {
            **row,
            "verdict": "too_weak",
            "sentence": f"{name}: {position_db - range_db:.1f} dB too weak for an input from "
            f"{low_v:g} V: the target will not be met without a line driver.",
        }
    edge = ""
    if position_db < NEAR_DB:
        edge = ", nearly at its minimum"
    elif range_db - position_db < NEAR_DB:
        edge = ", nearly at its maximum"
    return {
        **row,
        "verdict": "suits",
        "sentence": f"{name}: suits; the gain will stand about {position_db:.0f} dB above its "
        f"minimum of {range_db:.0f} dB{edge}.",
    }
