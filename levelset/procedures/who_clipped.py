"""Which stage clips: the tap, then one output at two positions of its gain knob."""

from __future__ import annotations

from typing import Any

from levelset.analysis.clip_stage import Seen, StageVerdict, who_clipped
from levelset.plan.gain_structure import processor_in_use
from levelset.plan.job import ChannelPlan, JobPlan
from levelset.ports.base import Point
from levelset.probe.reading import Reading, TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.common import (
    AT_END,
    Patience,
    Steps,
    ask_volume,
    channel_track,
    output_of,
    place_tips,
    settle,
    start_tone,
    tone_spec,
    void_guidance,
)
from levelset.procedures.facts import Facts
from levelset.procedures.knob import Knob
from levelset.procedures.onset import flat_onset
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    Answer,
    Ask,
    Direction,
    Finish,
    Guidance,
    Listen,
    Procedure,
    StepFailed,
)
from levelset.procedures.steady import SteadyWatch, over_limit
from levelset.quantity import Quantity
from levelset.units import SQRT2, db_from_ratio

KNOB_DB = 4.0
"""How far the fundamental is moved by the knob, dB."""

LEAST_DB = 1.5
"""Less than that is not enough to compare, dB."""

AIMED_DB, BACK_DB = 0.3, 0.1
"""How near to the wanted level the knob must come, dB: to compare, and back where the gain was."""

CLEAN_TAP = Seen(None, False, True, None, None, (), None, "none")
"""What was confirmed to be clean before the knob was touched."""

OVERLOADS = ("input_overload", "probe_limit")
OVERLOAD_READINGS = 3
"""Consecutive overloaded windows after which nothing else will come."""


def name_the_stage(plan: JobPlan, facts: Facts, channel: ChannelPlan) -> Procedure:
    """Find out which stage clips at the volume in use; the gain is put back where it was.

    Parameters
    ----------
    plan : JobPlan
        The plan.
    facts : Facts
        Calibration and both kinds of output must be established.
    channel : ChannelPlan
        The channel on whose output clipping was seen.
    """
    kind, source_kind = facts.output_kind(channel.name), facts.output_kind(None)
    if facts.calibration is None or "unknown" in (kind, source_kind):
        yield Finish("skipped", "First calibrate the probe and find the kinds of output.", {})
        return
    clean, set_up = facts.result("clean_volume", None), facts.result("processor", None)
    processor = processor_in_use(plan, clean, set_up)
    if plan.processor is not None and processor is None:
        yield Finish("skipped", f"First set the output level of {plan.processor.name}.", {})
        return
    yield Acknowledge(cautions.LOUDSPEAKER_OUT)
    yield Acknowledge(cautions.TOUCH)
    filters: Answer = yield Ask(
        f"Switch off the crossovers and the subsonic filter of {channel.name}, as far as it lets "
        "you. Are they all off?",
        Act("filters_off", channel=channel.name),
        "yes_no",
    )
    volume = yield from ask_volume("Set the volume at which it clips. Which number is it?", plan)
    yield from place_tips(
        "tip A on the positive and tip B on the negative wire of the source's tap",
        Point("source", "positive"),
        Point("source", "negative"),
    )
    signal = channel_track(channel.name, channel.set_tone_hz, channel.target.tone_dbfs)
    yield from start_tone(signal, plan)
    tap = yield from _read(tone_spec(channel.set_tone_hz, source_kind, plan), "the tap", plan)
    between: TipsReading | None = None
    if plan.processor is not None and processor is not None:
        where = f"the output of {plan.processor.name}"
        yield from place_tips(
            f"tip A on the positive and tip B on the negative side of {where}",
            Point("processor", "positive"),
            Point("processor", "negative"),
        )
        between = yield from _read(
            tone_spec(channel.set_tone_hz, processor["kind"], plan), where, plan
        )
    yield from place_tips(
        f"tip A on the positive and tip B on the negative terminal of {channel.name}",
        Point("channel", "positive", channel.name),
        Point("channel", "negative", channel.name),
    )
    spec = tone_spec(channel.set_tone_hz, kind, plan)
    here = yield from _read(spec, gain_knob(channel).where, plan)
    read = (tap, here) if between is None else (tap, here, between)
    seen = [seen_of(output_of(reading), plan.limit_percent) for reading in read]
    there = here
    if all(one.void is None for one in seen):
        there = yield from moved_knob(spec, here, gain_knob(channel))
    moved = seen_of(output_of(there), plan.limit_percent)
    verdict = who_clipped(
        seen[0],
        seen[1],
        moved,
        filters_off=filters.value == "yes",
        processor=None if between is None else seen[2],
    )
    result = {"volume": volume, "filters_off": filters.value == "yes", **verdict_as_json(verdict)}
    yield Finish(
        "accepted" if verdict.undecided is None else "limited",
        f"{channel.name}: {verdict.sentence}",
        result,
    )


def verdict_as_json(verdict: StageVerdict) -> dict[str, Any]:
    """Return the verdict as JSON values."""
    return {
        "stages": list(verdict.stages),
        "undecided": verdict.undecided,
        "limit_volts_peak": None if verdict.limit_v is None else verdict.limit_v.as_json(),
        "halves": verdict.halves,
    }


def seen_of(one: Reading, limit_percent: float) -> Seen:
    """Return what a reading says about clipping."""
    tone = one.tone
    if tone.void is not None:
        return Seen(tone.void.code, False, False, None, None, (), None, "none")
    clipping = tone.clipping
    return Seen(
        void=None,
        clipped=over_limit(one, limit_percent, doubtful=False),
        clean=not over_limit(one, limit_percent, doubtful=True),
        volts_rms=one.volts_rms,
        thd_percent=tone.thd_percent,
        harmonics_percent=tone.harmonics_percent,
        flat_v=_flat_v(one),
        halves="none" if clipping is None else clipping.halves,
    )


def _flat_v(one: Reading) -> Quantity | None:
    """Return the lower of the flat tops in volts peak, where they have edges.

    A soft limit that is driven hard looks flat as well, but its top has no voltage of its own.
    """
    flat = flat_onset(one)
    return None if flat is None else flat.volts_rms.scaled(SQRT2, "V")


def gain_knob(channel: ChannelPlan) -> Knob:
    """Return the gain of a channel."""
    return Knob(f"gain of {channel.name}", f"the output of {channel.name}", channel.name)


def moved_knob(spec: ToneSpec, here: TipsReading, knob: Knob) -> Steps:
    """Turn a knob down, or up where it is at its minimum; read; turn it back.

    Returns
    -------
    TipsReading
        The reading at the other position.
    """
    began_v = _volts(here)
    there: TipsReading = yield from _turn_to(spec, began_v * 10.0 ** (-KNOB_DB / 20.0), knob)
    if db_from_ratio(began_v / _volts(there)) < LEAST_DB:
        there = yield from _turn_to(spec, began_v * 10.0 ** (KNOB_DB / 20.0), knob)
    yield Accept(there, "who_clipped", {"where": f"{knob.where}, gain moved"})
    yield from _turn_to(spec, began_v, knob, within_db=BACK_DB)
    return there


def _read(spec: ToneSpec, where: str, plan: JobPlan) -> Steps:
    """Return a steady reading, recorded; or a void one where the input is overloaded."""
    guidance = Guidance(f"Hold the tips on {where}.", Act("wait"), headline="HOLD STILL")
    settling = settle(spec, guidance, of=output_of)
    instruction = next(settling)
    overloaded = 0
    while True:
        event = yield instruction
        if isinstance(event, TipsReading):
            void = event.output.tone.void
            overloaded = overloaded + 1 if void is not None and void.code in OVERLOADS else 0
            if overloaded >= OVERLOAD_READINGS:
                settling.close()
                return event
        try:
            instruction = settling.send(event)
        except StopIteration as end:
            yield Accept(
                end.value, "who_clipped", {"where": where, "limit_percent": plan.limit_percent}
            )
            return end.value


def _turn_to(spec: ToneSpec, wanted_v: float, knob: Knob, *, within_db: float = AIMED_DB) -> Steps:
    """Guide the knob to a voltage or to its end; returns a steady reading there."""
    watch = SteadyWatch(0.0)
    patience = Patience("The gain did not come to rest")
    reading: TipsReading | None = None
    at_end = False
    shown = Guidance("Wait for the first reading.", Act("wait"), headline="LISTENING")
    offers: tuple[Any, ...] = ()
    while True:
        event: TipsReading | Answer = yield Listen(spec, shown, offers)
        if isinstance(event, Answer):
            at_end = True
            shown, offers = Guidance("Hands off.", Act("wait"), headline="HOLD"), ()
            continue
        reading, one = event, event.output
        patience.wait(one)
        watch.add(one)
        if one.tone.void is not None or one.volts_rms is None:
            shown, offers = void_guidance(one, Act("wait")), ()
            continue
        to_go_db = db_from_ratio(wanted_v / one.volts_rms.value)
        if at_end or abs(to_go_db) <= within_db:
            if watch.confirmed:
                return reading
            shown, offers = Guidance("Hands off.", Act("wait"), headline="HOLD"), ()
        else:
            way: Direction = "up" if to_go_db > 0.0 else "down"
            shown = knob.guidance(to_go_db, way, wanted_v, "to compare the shape")
            offers = (AT_END,)


def _volts(reading: TipsReading) -> float:
    volts = reading.output.volts_rms
    if volts is None:
        raise StepFailed("The reading has no volts: calibrate the probe again")
    return volts.value
