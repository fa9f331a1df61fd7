"""The output level of a processor or line converter, before any amplifier's gain."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

from levelset.analysis.clip_stage import who_clipped
from levelset.plan.gain_structure import input_span_v_rms
from levelset.ports.base import Point
from levelset.procedures import cautions
from levelset.procedures.common import (
    Steps,
    place_tips,
    set_volume,
    source_track,
    start_engine,
    start_tone,
    tone_spec,
    upper_first,
)
from levelset.procedures.knob import Goal, Knob, Turned, turn_to_goal
from levelset.procedures.output_kind import find_kind
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
from levelset.procedures.who_clipped import CLEAN_TAP, moved_knob, seen_of
from levelset.quantity import Quantity
from levelset.units import DB_PER_NEPER, db_from_ratio, ratio_from_db

if TYPE_CHECKING:
    from levelset.plan.equipment import ProcessorPlan
    from levelset.plan.job import JobPlan
    from levelset.probe.reading import TipsReading, ToneSpec
    from levelset.procedures.facts import Facts

OUTPUT = (Point("processor", "positive"), Point("processor", "negative"))


def set_processor(plan: JobPlan, facts: Facts) -> Procedure:
    """Guide the output level of what stands between the source and the amplifiers.

    The source plays at its clean volume. The level ends at the first of the onset of clipping less
    the margin, the label's largest output, what the amplifiers' inputs take with their gains at the
    minimum, and the end of the control. What clips at the lowest level is cut before the control.

    Parameters
    ----------
    plan : JobPlan
        The plan.
    facts : Facts
        Calibration and clean volume must be established.
    """
    processor, clean = plan.processor, facts.result("clean_volume", None)
    if processor is None:
        yield Finish("skipped", "The plan has no processor and no line converter.", {})
        return
    if facts.calibration is None or clean is None:
        yield Finish("skipped", "First find the clean volume of the source.", {})
        return
    yield from _suit_the_input(processor, clean)
    yield Acknowledge(cautions.AMPLIFIERS_DOWN)
    yield from start_engine(facts)
    for channel in plan.channels:
        yield Ask(
            f"Turn the gain of {channel.name} to its minimum.",
            Act("gain_to_minimum", channel=channel.name),
        )
    yield Ask(
        f"Switch the equaliser and the filters of {processor.name} off, as far as it lets you, and "
        "turn its output level to its minimum.",
        Act("gain_to_minimum"),
    )
    where = f"an output of {processor.name} that feeds an amplifier"
    tone_hz = float(clean["tone_hz"])
    yield from set_volume(clean["volume"])
    yield from start_tone(source_track(tone_hz), plan)
    kind, _ = yield from find_kind(tone_spec(tone_hz, "unknown", plan), where, *OUTPUT)
    yield from place_tips(
        f"tip A on the positive and tip B on the negative side of {where}", *OUTPUT
    )
    spec = tone_spec(tone_hz, kind, plan)
    knob = Knob(f"output level of {processor.name}", f"the output of {processor.name}", None)
    too_loud = partial(_too_loud, spec, knob, processor, clean, plan)
    turned: Turned = yield from turn_to_goal(spec, knob, _planned(plan, processor), plan, too_loud)
    details = {"volume": clean["volume"], "goal_volts_rms": turned.goal.known_v}
    seq: int = yield Accept(turned.reading, "processor", details)
    yield _finish(turned, seq, kind, processor, clean, plan)


def _suit_the_input(processor: ProcessorPlan, clean: dict[str, Any]) -> Steps:
    """Compare the source's clean maximum with what the label says of the input."""
    over_db = _over_label_db(processor, clean)
    if over_db is None or over_db <= 0.0:
        return
    said = (
        f"The source's clean maximum of {clean['volts_rms']['value']:.2f} V is {over_db:.1f} dB "
        f"too hot for the input of {processor.name}, by its label up to "
        f"{processor.max_input_v_rms:g} V"
    )
    answer: Answer = yield Ask(
        f"{said}. Turn its input sensitivity down by that much, or set its input to the higher "
        "range. Is that done?",
        Act("lower_input"),
        "yes_no",
    )
    if answer.value == "no":
        raise StepFailed(f"{said}: {_lower_the_source(clean, over_db)}")


def _over_label_db(processor: ProcessorPlan, clean: dict[str, Any]) -> float | None:
    """Return how far the clean maximum is above the label's largest input, dB."""
    if processor.max_input_v_rms is None:
        return None
    return db_from_ratio(float(clean["volts_rms"]["value"]) / processor.max_input_v_rms)


def _lower_the_source(clean: dict[str, Any], by_db: float) -> str:
    """Say which volume is so much lower, as far as the curve of the source tells."""
    limit_v = clean["volts_rms"]["value"] * ratio_from_db(-by_db)
    fits = [
        row["volume"]
        for row in clean.get("curve", ())
        if row["volts_rms"] is not None and row["volts_rms"] <= limit_v
    ]
    volume = f"volume {max(fits)}" if fits else "a lower volume"
    return f"find the clean volume of the source again and end the search at {volume}."


def _planned(plan: JobPlan, processor: ProcessorPlan) -> Goal:
    """Return where to go while nothing clips: the lowest that a label names."""
    goals = [Goal(math.inf, "range", "to the end of the control")]
    if processor.max_output_v_rms is not None:
        note = f"the largest output by the label of {processor.name}"
        goals.append(Goal(processor.max_output_v_rms, "label", note))
    for channel in plan.channels:
        span = input_span_v_rms(channel)
        if span is not None:
            note = f"what the input of {channel.name} takes"
            goals.append(Goal(span[1], "amplifier_input", note))
    return min(goals, key=lambda goal: goal.volts_rms)


def _too_loud(
    spec: ToneSpec,
    knob: Knob,
    processor: ProcessorPlan,
    clean: dict[str, Any],
    plan: JobPlan,
    reading: TipsReading,
    goal: Goal,
    clips: bool,
) -> Steps:
    """Say what to do where the lowest level is too loud or clips."""
    one = reading.output
    if one.volts_rms is None:
        raise StepFailed("The reading has no volts: calibrate the probe again")
    over_db = db_from_ratio(one.volts_rms.value / goal.volts_rms)
    if not clips:
        raise StepFailed(
            f"At its lowest level {processor.name} still gives {one.volts_rms.value:.2f} V, "
            f"{over_db:.1f} dB more than the {goal.volts_rms:.2f} V that are {goal.note}: lower "
            f"its input sensitivity by that much, or {_lower_the_source(clean, over_db)}"
        )
    there = yield from moved_knob(spec, reading, knob)
    seen = (seen_of(each.output, plan.limit_percent) for each in (reading, there))
    verdict = who_clipped(CLEAN_TAP, *seen, filters_off=True)
    begins = f"{upper_first(processor.name)} clips at its lowest output level"
    if verdict.undecided is not None:
        raise StepFailed(f"{begins}. {verdict.sentence}")
    clipping = one.tone.clipping
    overdrive = None if clipping is None else clipping.overdrive_db
    by_db = plan.margin_db if overdrive is None else overdrive.value
    far = "" if overdrive is None else f" by {by_db:.1f} dB"
    stage = "input" if verdict.stages[0] == "input_stage" else "output"
    raise StepFailed(
        f"{begins}: its {stage} stage is overdriven{far}. Lower its input sensitivity by that "
        f"much, or {_lower_the_source(clean, by_db)}"
    )


def _finish(
    turned: Turned,
    seq: int,
    kind: str,
    processor: ProcessorPlan,
    clean: dict[str, Any],
    plan: JobPlan,
) -> Finish:
    one, onset, limited_by = turned.reading.output, turned.search.onset, turned.limited_by
    volts, thd = one.volts_rms, one.tone.thd_percent
    if volts is None or thd is None:
        raise StepFailed("The reading has no volts: calibrate the probe again")
    source = Quantity(float(clean["volts_rms"]["value"]), float(clean["volts_rms"]["u"]), "V")
    gain_db = db_from_ratio(volts.value / source.value)
    # Both voltages share the probe's scale, which cancels: this errs on the large side.
    u_db = DB_PER_NEPER * math.hypot(volts.u / volts.value, source.u / source.value)
    result = {
        "volume": clean["volume"],
        "tone_hz": clean["tone_hz"],
        "kind": kind,
        "clean_volts_rms": clean["volts_rms"],
        "over_label_db": _over_label_db(processor, clean),
        "volts_rms": volts.as_json(),
        "gain_db": Quantity(gain_db, u_db, "dB").as_json(),
        "thd_percent": thd.as_json(),
        "limited_by": limited_by,
        "clip_volts_rms": None if onset is None else onset.volts_rms.as_json(),
        "margin_db": plan.margin_db,
        "reading_seq": seq,
    }
    why = {
        "clipping": ""
        if onset is None
        else f"it clips at {onset.volts_rms.value:.2f} V, less {plan.margin_db:g} dB of margin",
        "range": "its control is at its end",
    }.get(limited_by, turned.goal.note)
    sentence = (
        f"{upper_first(processor.name)}: {volts.value:.2f} V at its output, "
        f"{gain_db:+.1f} dB against the source's clean maximum of {source.value:.2f} V. What ends "
        f"it: {why}."
    )
    return Finish("accepted", sentence, result)
