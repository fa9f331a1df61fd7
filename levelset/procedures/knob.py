"""Turning a knob, live, up to the first of a goal and the onset of clipping less a margin."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from levelset.procedures.common import (
    ACCEPT_MEAN,
    AT_END,
    Patience,
    Steps,
    unsteady_guidance,
    void_guidance,
)
from levelset.procedures.onset import OnsetSearch
from levelset.procedures.protocol import Act, Answer, Direction, Guidance, Listen, Offer
from levelset.procedures.steady import AGAIN_AFTER_S, PATIENCE_S, SteadyWatch
from levelset.units import db_from_ratio, ratio_from_db

if TYPE_CHECKING:
    from levelset.plan.job import JobPlan
    from levelset.probe.reading import Reading, TipsReading, ToneSpec
    from levelset.procedures.onset import Onset

ACCEPT_BAND_DB = 0.1
"""A level is accepted from this far below its goal up to the goal, never above, dB."""

AIM_DB = 0.04
"""Where in that band the screen guides the hand, below the goal, dB."""


@dataclass(frozen=True, slots=True)
class Knob:
    """A knob that sets a level.

    Parameters
    ----------
    name : str
        What is turned, such as ``gain of bass``.
    where : str
        What the tips read, such as ``the output of bass``.
    channel : str or None
        Amplifier channel; None for the processor or line converter.
    """

    name: str
    where: str
    channel: str | None

    def guidance(
        self,
        to_go_db: float | None,
        direction: Direction,
        target_volts_rms: float | None,
        note: str,
    ) -> Guidance:
        """Say which way to turn, and how far where that is known."""
        return Guidance(
            f"Turn the {self.name} {direction}, slowly.",
            Act("turn_gain", direction=direction, channel=self.channel),
            headline=f"TURN {direction.upper()}",
            direction=direction,
            to_go_db=to_go_db,
            target_volts_rms=target_volts_rms,
            target_note=note,
        )


@dataclass(frozen=True, slots=True)
class Goal:
    """Where to go.

    Parameters
    ----------
    volts_rms : float
        Voltage, V; infinite where only clipping or the end of the knob can end it.
    limited_by : str
        What sets it, a word of the record.
    note : str
        The same for the screen.
    """

    volts_rms: float
    limited_by: str
    note: str

    @property
    def known_v(self) -> float | None:
        """The voltage, None where there is none."""
        return self.volts_rms if math.isfinite(self.volts_rms) else None


@dataclass(frozen=True, slots=True)
class Turned:
    """How it ended.

    Parameters
    ----------
    reading : TipsReading
        The level that stays.
    goal : Goal
        What limited it.
    search : OnsetSearch
        What was seen of clipping.
    at_end : bool
        Whether the knob ended first.
    """

    reading: TipsReading
    goal: Goal
    search: OnsetSearch
    at_end: bool

    @property
    def limited_by(self) -> str:
        """What ended it, a word of the record."""
        return "range" if self.at_end else self.goal.limited_by


def turn_to_goal(
    spec: ToneSpec,
    knob: Knob,
    planned: Goal,
    plan: JobPlan,
    too_loud: Callable[[TipsReading, Goal, bool], Steps],
) -> Steps:
    """Guide a knob; the level is accepted by itself when it stays.

    Parameters
    ----------
    spec : ToneSpec
        What to listen for.
    knob : Knob
        What is turned.
    planned : Goal
        Where to go while nothing clips.
    plan : JobPlan
        Limit and margin.
    too_loud : callable
        Steps that say what to do where the knob's lower end is too loud or clips, from the reading
        there, the goal, and whether it clips; they raise StepFailed.

    Returns
    -------
    Turned
        How it ended.

    Raises
    ------
    StepFailed
        If the goal is not reached in a long time, or the lower end is too loud.
    """
    search = OnsetSearch(plan.limit_percent)
    watch = SteadyWatch(AGAIN_AFTER_S)
    patience = Patience(f"The {knob.name} did not reach its goal")
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
            level_db = _above_db(reading.output.volts_rms.value, goal)
            if event.value == AT_END.word and (level_db > 0.0 or search.suspected):
                yield from too_loud(reading, goal, search.suspected)
            if event.value == AT_END.word:
                at_end = True
                shown, offers = _hold(goal, "The knob is at its end: hands off."), ()
                continue
            return Turned(reading, goal, search, at_end)
        reading, one = event, event.output
        patience.wait(one)
        if one.tone.void is not None or one.volts_rms is None:
            watch.add(one)
            shown, offers = void_guidance(one, Act("wait")), ()
            continue
        search.add(one)
        watch.add(one)
        goal = _goal(search.onset, planned, plan)
        level_db = _above_db(one.volts_rms.value, goal)
        inside = -ACCEPT_BAND_DB <= level_db <= 0.0 or (at_end and level_db <= 0.0)
        if watch.confirmed and inside and not search.undecided and not search.suspected:
            return Turned(reading, goal, search, at_end)
        offers = ()
        if search.undecided:
            shown = _searching(search, one, goal, knob)
            # A soft limit has no edge: at the lower end it still counts as clipping.
            offers = (AT_END,) if shown.direction == "down" else ()
        elif inside:
            shown = _hold(goal, "Hands off: levelset looks whether it stays.", -level_db)
            if watch.moving_for_s(one.start_s) > PATIENCE_S:
                shown, offers = unsteady_guidance(shown, watch), (ACCEPT_MEAN,)
        else:
            shown, offers = _to_go(-level_db - AIM_DB, goal, knob), (AT_END,)


def _goal(onset: Onset | None, planned: Goal, plan: JobPlan) -> Goal:
    if onset is not None:
        limit_v = onset.volts_rms.value * ratio_from_db(-plan.margin_db)
        if limit_v < planned.volts_rms:
            return Goal(limit_v, "clipping", f"{plan.margin_db:g} dB below clipping")
    return planned


def _above_db(volts_rms: float, goal: Goal) -> float:
    known_v = goal.known_v
    return -math.inf if known_v is None else db_from_ratio(volts_rms / known_v)


def _to_go(to_go_db: float, goal: Goal, knob: Knob) -> Guidance:
    direction: Direction = "up" if to_go_db > 0.0 else "down"
    far_db = to_go_db if math.isfinite(to_go_db) else None
    return knob.guidance(far_db, direction, goal.known_v, goal.note)


def _hold(goal: Goal, sentence: str, to_go_db: float | None = None) -> Guidance:
    return Guidance(
        sentence,
        Act("wait"),
        headline="HOLD",
        direction="hold",
        to_go_db=to_go_db if to_go_db is None or math.isfinite(to_go_db) else None,
        target_volts_rms=goal.known_v,
        target_note=goal.note,
    )


def _searching(search: OnsetSearch, one: Reading, goal: Goal, knob: Knob) -> Guidance:
    """Clipping is suspected, or its onset is bracketed but not yet narrow enough."""
    if search.wanted_v_rms is None or one.volts_rms is None:
        return _hold(goal, "The tops look flat: hands off, levelset makes sure.")
    to_go_db = db_from_ratio(search.wanted_v_rms / one.volts_rms.value)
    if abs(to_go_db) <= search.close_enough_db:
        return _hold(goal, "Hands off: levelset looks for the onset of clipping.")
    return _to_go(to_go_db, goal, knob)
