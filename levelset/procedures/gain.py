"""Set the gain of one channel: the first of its target and the onset of clipping counts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import Any

from levelset.analysis.clip_stage import WORDS, Stage, who_clipped
from levelset.plan.gain_structure import amplifier_input_v_rms, processor_in_use
from levelset.plan.job import ChannelPlan, JobPlan
from levelset.ports.base import Place, Point
from levelset.probe.reading import OutputKind, Reading, TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.common import (
    Steps,
    channel_track,
    output_of,
    place_tips,
    set_volume,
    settle,
    start_engine,
    start_tone,
    tone_spec,
    upper_first,
)
from levelset.procedures.facts import Facts
from levelset.procedures.knob import Goal, Turned, turn_to_goal
from levelset.procedures.matching import AT_ITS_GOAL, matched_goal_v
from levelset.procedures.onset import OnsetSearch
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    Ask,
    Finish,
    Guidance,
    OutcomeWord,
    Procedure,
    StepFailed,
)
from levelset.procedures.who_clipped import CLEAN_TAP, gain_knob, moved_knob, seen_of
from levelset.quantity import Quantity
from levelset.units import db_from_ratio, ratio_from_db, watts_from_volts

TAP_TOLERANCE_DB = 0.2
"""How far the tap may differ from the clean volume's voltage before the gain is set, dB."""

SAME_TONE = 0.01
"""Tones are the same when they differ by less than this part."""


@dataclass(frozen=True, slots=True)
class _Feed:
    """Where the signal is confirmed before a gain is touched.

    Parameters
    ----------
    name : str
        The place in words.
    place : Place
        Where the tips go.
    kind : OutputKind
        Its kind of output.
    full_v_rms : float or None
        What a full-scale tone of this frequency gave there, V; None if it was not read.
    """

    name: str
    place: Place
    kind: OutputKind
    full_v_rms: float | None


def set_gain(plan: JobPlan, facts: Facts, channel: ChannelPlan) -> Procedure:
    """Guide the gain knob of one channel to the first of target and onset of clipping.

    Parameters
    ----------
    plan : JobPlan
        The plan.
    facts : Facts
        Calibration, kinds of output and clean volume must be established.
    channel : ChannelPlan
        The channel.
    """
    clean = facts.result("clean_volume", None)
    kind = facts.output_kind(channel.name)
    source_kind = facts.output_kind(None)
    if facts.calibration is None or clean is None or "unknown" in (kind, source_kind):
        yield Finish("skipped", "First find the clean volume and the kind of this output.", {})
        return
    signal = channel_track(channel.name, channel.set_tone_hz, channel.target.tone_dbfs)
    yield Acknowledge(cautions.LOUDSPEAKER_OFF)
    yield Acknowledge(cautions.TOUCH)
    yield from start_engine(facts)
    yield Ask(
        f"Turn the gain of {channel.name} to its minimum.",
        Act("gain_to_minimum", channel=channel.name),
    )
    feed = _feed(channel, clean, facts, plan)
    yield from place_tips(
        f"tip A on the positive and tip B on the negative wire of {feed.name}",
        Point(feed.place, "positive"),
        Point(feed.place, "negative"),
    )
    yield from set_volume(clean["volume"])
    yield from start_tone(signal, plan)
    yield from _confirm(feed, clean, channel, plan)

    yield from place_tips(
        f"tip A on the positive and tip B on the negative terminal of {channel.name}",
        Point("channel", "positive", channel.name),
        Point("channel", "negative", channel.name),
    )
    spec = tone_spec(channel.set_tone_hz, kind, plan)
    planned = _planned(channel, plan, facts)
    unset = None
    if plan.processor is not None:
        in_use = processor_in_use(plan, clean, facts.result("processor", None))
        unset = plan.processor.name if in_use is None else None
    too_loud = partial(_too_loud, spec, channel, plan, unset)
    turned: Turned = yield from turn_to_goal(spec, gain_knob(channel), planned, plan, too_loud)
    seq: int = yield Accept(turned.reading, "gain", {"goal_volts_rms": turned.goal.volts_rms})
    yield _finish(turned, seq, channel, plan)


def _feed(channel: ChannelPlan, clean: dict[str, Any], facts: Facts, plan: JobPlan) -> _Feed:
    """Return the last place before the amplifier whose voltage at this tone is known."""
    processor = processor_in_use(plan, clean, facts.result("processor", None))
    if plan.processor is not None and processor is not None:
        same = math.isclose(processor["tone_hz"], channel.set_tone_hz, rel_tol=SAME_TONE)
        fed = amplifier_input_v_rms(plan, clean, processor)
        if same and fed is not None:
            name = f"the output of {plan.processor.name}"
            return _Feed(name, "processor", processor["kind"], fed.value)
    full_v = tap_volts(clean, channel.set_tone_hz)
    return _Feed("the source's tap", "source", facts.output_kind(None), full_v)


def _confirm(feed: _Feed, clean: dict[str, Any], channel: ChannelPlan, plan: JobPlan) -> Steps:
    """Make sure that a place reads what it read when the clean volume was found.

    A source with an equaliser gives another voltage at another tone: what was not read then
    cannot be compared now.
    """
    spec = tone_spec(channel.set_tone_hz, feed.kind, plan)
    full_v = feed.full_v_rms
    known_v = None if full_v is None else full_v * ratio_from_db(channel.target.tone_dbfs)
    expected = (
        "its voltage at this tone is read" if known_v is None else f"{known_v:.2f} V expected"
    )
    guidance = Guidance(
        f"{upper_first(feed.name)} at volume {clean['volume']}: {expected}.",
        Act("wait"),
        headline="CONFIRM THE SOURCE",
        target_volts_rms=known_v,
        target_note="the clean volume's voltage",
    )
    reading: TipsReading = yield from settle(spec, guidance, of=output_of)
    found = reading.output.volts_rms
    if found is None:
        raise StepFailed("The reading has no volts: calibrate the probe again")
    by_db = 0.0 if known_v is None else db_from_ratio(found.value / known_v)
    if abs(by_db) > TAP_TOLERANCE_DB:
        raise StepFailed(
            f"{upper_first(feed.name)} reads {found.value:.2f} V, {by_db:+.2f} dB "
            f"from the {known_v:.2f} V at the clean volume: check the volume and the track, or do "
            "the step again that found it"
        )
    as_what = "tap" if feed.place == "source" else "processor_output"
    yield Accept(reading, as_what, {"volume": clean["volume"], "limit_percent": plan.limit_percent})


def tap_volts(clean: dict[str, Any], tone_hz: float) -> float | None:
    """Return what the tap gave at a tone, Hz, at the clean volume, V; None if it was not read."""
    if math.isclose(clean["tone_hz"], tone_hz, rel_tol=SAME_TONE):
        return float(clean["volts_rms"]["value"])
    if math.isclose(clean.get("second_tone_hz") or 0.0, tone_hz, rel_tol=SAME_TONE):
        for row in clean["second_curve"]:
            if row["volume"] == clean["volume"] and row["volts_rms"] is not None:
                return float(row["volts_rms"])
    return None


def _too_loud(
    spec: ToneSpec,
    channel: ChannelPlan,
    plan: JobPlan,
    unset: str | None,
    reading: TipsReading,
    goal: Goal,
    clips: bool,
) -> Steps:
    """Say what to do at the knob's lower end; of what clips there, whether it lies before it."""
    if not clips:
        set_v = reading.output.volts_rms
        assert set_v is not None
        raise StepFailed(
            f"At its minimum the gain still gives {set_v.value:.2f} V, "
            f"{db_from_ratio(set_v.value / goal.volts_rms):.2f} dB above the goal: lower the "
            "source or its output level"
        )
    there = yield from moved_knob(spec, reading, gain_knob(channel))
    seen = (seen_of(one.output, plan.limit_percent) for one in (reading, there))
    verdict = who_clipped(CLEAN_TAP, *seen, filters_off=False)
    doubt = f" Or it is {unset} before it, whose output level is not set." if unset else ""
    raise StepFailed(f"{channel.name} clips at the minimum of its gain. {verdict.sentence}{doubt}")


def _clipped_stages(search: OnsetSearch, final: Reading, plan: JobPlan) -> tuple[Stage, ...]:
    """Return which stage ended the gain: the tap was clean, the knob has moved since."""
    if search.clipped is None:
        return ()
    seen = (seen_of(one, plan.limit_percent) for one in (search.clipped, final))
    return who_clipped(CLEAN_TAP, *seen, filters_off=False).stages


def _planned(channel: ChannelPlan, plan: JobPlan, facts: Facts) -> Goal:
    """Return where to go while nothing clips: the target, or where a matched channel stopped."""
    target = channel.target
    gains = {other.name: facts.result("gain", other.name) for other in plan.channels}
    matched_v = matched_goal_v(channel, plan, gains)
    if matched_v is not None and matched_v < target.volts_rms:
        return Goal(matched_v, "match", f"where {channel.match} had to stop")
    note = f"{target.power_w:.3g} W into {target.net_load_ohm:.3g} ohm"
    if target.limited_by == "loudspeaker":
        note += ", the loudspeaker's limit"
    elif target.limited_by == "match":
        note += f", as the other channels of {channel.match}"
    return Goal(target.volts_rms, target.limited_by, note)


def _finish(turned: Turned, seq: int, channel: ChannelPlan, plan: JobPlan) -> Finish:
    one, search, limited_by = turned.reading.output, turned.search, turned.limited_by
    volts, total = one.volts_rms, one.volts_rms_total
    if volts is None or total is None or one.tone.thd_percent is None:
        raise StepFailed("The reading has no volts: calibrate the probe again")
    onset, load_ohm = search.onset, channel.net_load_ohm
    watts = watts_from_volts(total.value, load_ohm)
    stages = _clipped_stages(search, one, plan) if limited_by == "clipping" else ()
    reached = limited_by in AT_ITS_GOAL
    outcome: OutcomeWord = "accepted" if reached else "limited"
    result = {
        "target_volts_rms": channel.target.volts_rms,
        "set_volts_rms": volts.as_json(),
        "watts": Quantity(watts, 2.0 * watts * total.u / total.value, "W").as_json(),
        "load_connected": False,
        "limited_by": limited_by,
        "clip_volts_rms": None if onset is None else onset.volts_rms.as_json(),
        "margin_db": plan.margin_db,
        "below_clipping_db": None
        if onset is None
        else db_from_ratio(onset.volts_rms.value / volts.value),
        "thd_percent": one.tone.thd_percent.as_json(),
        "reading_seq": seq,
        "clipped_stages": list(stages),
    }
    sentence = f"{channel.name}: {volts.value:.2f} V set"
    if limited_by == "clipping" and onset is not None:
        who = f"{WORDS[stages[0]]} " if stages else ""
        sentence += (
            f"; {who}clips at {onset.volts_rms.value:.2f} V with no load "
            f"({watts_from_volts(onset.volts_rms.value, load_ohm):.0f} W into {load_ohm:g} ohm, "
            f"planned {channel.target.power_w:.0f} W). Expect less under load."
        )
        if onset.volts_rms.value > 0.97 * channel.target.clean_volts_rms:
            sentence += (
                " An amplifier that just meets its rating ends here: that is as it should be."
            )
    elif limited_by == "range":
        sentence += f"; the knob is at its end, target {channel.target.volts_rms:.2f} V."
    else:
        sentence += f", {watts:.0f} W computed into {load_ohm:g} ohm, no load connected."
    return Finish(outcome, sentence, result)
