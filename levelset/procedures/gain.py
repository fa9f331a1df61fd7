"""Set the gain of one channel: the first of its target and the onset of clipping counts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from levelset.analysis.clip_stage import WORDS, Seen, Stage, who_clipped
from levelset.plan.job import ChannelPlan, JobPlan
from levelset.ports.base import Point
from levelset.probe.reading import Reading, TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.common import (
    ACCEPT_MEAN,
    AT_END,
    Patience,
    Steps,
    channel_track,
    output_of,
    place_tips,
    set_volume,
    settle,
    start_engine,
    start_tone,
    tone_spec,
    unsteady_guidance,
    void_guidance,
)
from levelset.procedures.facts import Facts
from levelset.procedures.matching import AT_ITS_GOAL, matched_goal_v
from levelset.procedures.onset import Onset, OnsetSearch
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
    Offer,
    OutcomeWord,
    Procedure,
    StepFailed,
)
from levelset.procedures.steady import AGAIN_AFTER_S, PATIENCE_S, SteadyWatch
from levelset.procedures.who_clipped import moved_knob, seen_of
from levelset.quantity import Quantity
from levelset.units import db_from_ratio, ratio_from_db, watts_from_volts

TAP_TOLERANCE_DB = 0.2
"""How far the tap may differ from the clean volume's voltage before the gain is set, dB."""

ACCEPT_BAND_DB = 0.1
"""A gain is accepted from this far below its goal up to the goal, never above, dB."""

AIM_DB = 0.04
"""Where in that band the screen guides the hand, below the goal, dB."""

SAME_TONE = 0.01
"""Tones are the same when they differ by less than this part."""


CLEAN_TAP = Seen(None, False, True, None, None, (), None, "none")
"""The tap at the clean volume, confirmed before the knob is touched."""


@dataclass(frozen=True, slots=True)
class _Goal:
    volts_rms: float
    limited_by: str
    note: str


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
    yield from place_tips(
        "tip A on the positive and tip B on the negative wire of the source's tap",
        Point("source", "positive"),
        Point("source", "negative"),
    )
    yield from set_volume(clean["volume"])
    yield from start_tone(signal, plan)
    tap_spec = tone_spec(channel.set_tone_hz, source_kind, plan)
    yield from _confirm_tap(tap_spec, clean, channel, plan)

    yield from place_tips(
        f"tip A on the positive and tip B on the negative terminal of {channel.name}",
        Point("channel", "positive", channel.name),
        Point("channel", "negative", channel.name),
    )
    spec = tone_spec(channel.set_tone_hz, kind, plan)
    planned = _planned(channel, plan, facts)
    reading, goal, search, at_end = yield from _turn(spec, planned, channel, plan)
    seq: int = yield Accept(reading, "gain", {"goal_volts_rms": goal.volts_rms})
    yield _finish(reading.output, seq, goal, search, at_end, channel, plan)


def _confirm_tap(
    spec: ToneSpec, clean: dict[str, Any], channel: ChannelPlan, plan: JobPlan
) -> Steps:
    """Make sure that the tap reads what it read when the clean volume was found.

    A source with an equaliser gives another voltage at another tone: what was not read then
    cannot be compared now.
    """
    full_v = tap_volts(clean, channel.set_tone_hz)
    known_v = None if full_v is None else full_v * ratio_from_db(channel.target.tone_dbfs)
    expected = (
        "its voltage at this tone is read" if known_v is None else f"{known_v:.2f} V expected"
    )
    guidance = Guidance(
        f"Tap at volume {clean['volume']}: {expected}.",
        Act("wait"),
        headline="CONFIRM THE SOURCE",
        target_volts_rms=known_v,
        target_note="the clean volume's voltage",
    )
    reading: TipsReading = yield from settle(spec, guidance, of=output_of)
    found = reading.output.volts_rms
    if found is None:
        raise StepFailed("The tap has no volts: calibrate the probe again")
    by_db = 0.0 if known_v is None else db_from_ratio(found.value / known_v)
    if abs(by_db) > TAP_TOLERANCE_DB:
        raise StepFailed(
            f"The tap reads {found.value:.2f} V, {by_db:+.2f} dB from the clean volume's "
            f"{known_v:.2f} V: check the volume and the track, or find the clean volume again"
        )
    yield Accept(reading, "tap", {"volume": clean["volume"], "limit_percent": plan.limit_percent})


def tap_volts(clean: dict[str, Any], tone_hz: float) -> float | None:
    """Return what the tap gave at a tone, Hz, at the clean volume, V; None if it was not read."""
    if math.isclose(clean["tone_hz"], tone_hz, rel_tol=SAME_TONE):
        return float(clean["volts_rms"]["value"])
    if math.isclose(clean.get("second_tone_hz") or 0.0, tone_hz, rel_tol=SAME_TONE):
        for row in clean["second_curve"]:
            if row["volume"] == clean["volume"] and row["volts_rms"] is not None:
                return float(row["volts_rms"])
    return None


def _turn(spec: ToneSpec, planned: _Goal, channel: ChannelPlan, plan: JobPlan) -> Steps:
    """Guide the knob; returns the accepted reading, the goal, the search and at_end."""
    search = OnsetSearch(plan.limit_percent)
    watch = SteadyWatch(AGAIN_AFTER_S)
    patience = Patience("The gain was not reached")
    reading: TipsReading | None = None
    at_end = False
    shown = Guidance("Wait for the first reading.", Act("wait"), headline="LISTENING")
    offers: tuple[Offer, ...] = ()
    while True:
        event: TipsReading | Answer = yield Listen(spec, shown, offers)
        goal = _goal(search.onset, planned, plan)
        if isinstance(event, Answer):
            if reading is None or reading.output.volts_rms is None:
                continue
            level_db = db_from_ratio(reading.output.volts_rms.value / goal.volts_rms)
            if event.value == AT_END.word and level_db > 0.0:
                if search.suspected:
                    yield from _refuse_clipping_at_minimum(spec, reading, channel, plan)
                raise StepFailed(
                    f"At its minimum the gain still gives {reading.output.volts_rms.value:.2f} V, "
                    f"{level_db:.2f} dB above the goal: lower the source or its output level"
                )
            if event.value == AT_END.word:
                at_end = True
                shown, offers = _hold(goal, "The knob is at its end: hands off."), ()
                continue
            return reading, goal, search, at_end
        reading, one = event, event.output
        patience.wait(one)
        if one.tone.void is not None or one.volts_rms is None:
            watch.add(one)
            shown, offers = void_guidance(one, Act("wait")), ()
            continue
        search.add(one)
        watch.add(one)
        goal = _goal(search.onset, planned, plan)
        level_db = db_from_ratio(one.volts_rms.value / goal.volts_rms)
        inside = -ACCEPT_BAND_DB <= level_db <= 0.0 or (at_end and level_db <= 0.0)
        if watch.confirmed and inside and not search.undecided and not search.suspected:
            return reading, goal, search, at_end
        offers = ()
        if search.undecided:
            shown = _searching(search, one, goal, channel)
        elif inside:
            shown = _hold(goal, "Hands off: levelset looks whether it stays.", -level_db)
            if watch.moving_for_s(one.start_s) > PATIENCE_S:
                shown, offers = unsteady_guidance(shown, watch), (ACCEPT_MEAN,)
        else:
            shown, offers = _to_go(-level_db - AIM_DB, goal, channel), (AT_END,)


def _refuse_clipping_at_minimum(
    spec: ToneSpec, reading: TipsReading, channel: ChannelPlan, plan: JobPlan
) -> Steps:
    """Tell whether what clips at the knob's lower end lies before the knob; raises StepFailed."""
    there = yield from moved_knob(spec, reading, channel)
    seen = (seen_of(one.output, plan.limit_percent) for one in (reading, there))
    verdict = who_clipped(CLEAN_TAP, *seen, filters_off=False)
    raise StepFailed(f"{channel.name} clips at the minimum of its gain. {verdict.sentence}")


def _clipped_stages(search: OnsetSearch, final: Reading, plan: JobPlan) -> tuple[Stage, ...]:
    """Return which stage ended the gain: the tap was clean, the knob has moved since."""
    if search.clipped is None:
        return ()
    seen = (seen_of(one, plan.limit_percent) for one in (search.clipped, final))
    return who_clipped(CLEAN_TAP, *seen, filters_off=False).stages


def _planned(channel: ChannelPlan, plan: JobPlan, facts: Facts) -> _Goal:
    """Return where to go while nothing clips: the target, or where a matched channel stopped."""
    target = channel.target
    gains = {other.name: facts.result("gain", other.name) for other in plan.channels}
    matched_v = matched_goal_v(channel, plan, gains)
    if matched_v is not None and matched_v < target.volts_rms:
        return _Goal(matched_v, "match", f"where {channel.match} had to stop")
    note = f"{target.power_w:.3g} W into {target.net_load_ohm:.3g} ohm"
    if target.limited_by == "loudspeaker":
        note += ", the loudspeaker's limit"
    elif target.limited_by == "match":
        note += f", as the other channels of {channel.match}"
    return _Goal(target.volts_rms, target.limited_by, note)


def _goal(onset: Onset | None, planned: _Goal, plan: JobPlan) -> _Goal:
    if onset is not None:
        limit_v = onset.volts_rms.value * ratio_from_db(-plan.margin_db)
        if limit_v < planned.volts_rms:
            return _Goal(limit_v, "clipping", f"{plan.margin_db:g} dB below clipping")
    return planned


def _to_go(to_go_db: float, goal: _Goal, channel: ChannelPlan) -> Guidance:
    direction: Direction = "up" if to_go_db > 0.0 else "down"
    return Guidance(
        f"Turn the gain of {channel.name} {direction}, slowly.",
        Act("turn_gain", direction=direction, channel=channel.name),
        headline=f"TURN {direction.upper()}",
        direction=direction,
        to_go_db=to_go_db,
        target_volts_rms=goal.volts_rms,
        target_note=goal.note,
    )


def _hold(goal: _Goal, sentence: str, to_go_db: float | None = None) -> Guidance:
    return Guidance(
        sentence,
        Act("wait"),
        headline="HOLD",
        direction="hold",
        to_go_db=to_go_db,
        target_volts_rms=goal.volts_rms,
        target_note=goal.note,
    )


def _searching(search: OnsetSearch, one: Reading, goal: _Goal, channel: ChannelPlan) -> Guidance:
    """Clipping is suspected, or its onset is bracketed but not yet narrow enough."""
    if search.wanted_v_rms is None or one.volts_rms is None:
        return _hold(goal, "The tops look flat: hands off, levelset makes sure.")
    to_go_db = db_from_ratio(search.wanted_v_rms / one.volts_rms.value)
    if abs(to_go_db) <= search.close_enough_db:
        return _hold(goal, "Hands off: levelset looks for the onset of clipping.")
    return _to_go(to_go_db, goal, channel)


def _finish(
    one: Reading,
    seq: int,
    goal: _Goal,
    search: OnsetSearch,
    at_end: bool,
    channel: ChannelPlan,
    plan: JobPlan,
) -> Finish:
    volts, total = one.volts_rms, one.volts_rms_total
    if volts is None or total is None or one.tone.thd_percent is None:
        raise StepFailed("The reading has no volts: calibrate the probe again")
    onset, load_ohm = search.onset, channel.net_load_ohm
    watts = watts_from_volts(total.value, load_ohm)
    limited_by = "range" if at_end else goal.limited_by
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
