"""Turn the sound card's input up to the mark: full scale just above the largest voltage to come."""

from __future__ import annotations

import math
from dataclasses import dataclass

from levelset.plan.job import JobPlan
from levelset.plan.set_tone import calibration_tone_hz
from levelset.plan.target import rated_power_w
from levelset.ports.base import Point, PortInfo
from levelset.probe.calibrate import DESIGN_TOLERANCE, meter_tolerance_v
from levelset.probe.reading import Reading, TipsReading
from levelset.procedures import cautions
from levelset.procedures.common import (
    AT_END,
    Patience,
    Steps,
    place_tips,
    start_tone,
    tip_a_of,
    tone_spec,
    void_guidance,
)
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import (
    Acknowledge,
    Act,
    Answer,
    Ask,
    Direction,
    Finish,
    Guidance,
    Listen,
    OutcomeWord,
    Procedure,
    StepFailed,
)
from levelset.procedures.steady import SteadyWatch
from levelset.quantity import Quantity
from levelset.signals.signal import Signal
from levelset.signals.tones import set_tone
from levelset.units import SQRT2, db_from_ratio, ratio_from_db

CEILING_DBFS = -1.0
"""A live reading with a higher peak is void."""
HEADROOM_DB = 3.0
"""Left above the largest voltage, for an amplifier that gives more than its rating, dB."""
WITHIN_DB = 0.5
"""The mark is reached from so near; a knob is set so well in a moment, dB."""
AGAIN_AFTER_S = 1.0
LEAST_METER_V = 0.05
LOUD = 0.75
"""Part of the highest volume; some volts, and still clean with most sources (common practice)."""
OVERLOAD_DB = -6.0
"""How far an overloaded input is turned down at once, dB."""


@dataclass(frozen=True, slots=True)
class Largest:
    """The largest voltage that the job will put on the tips.

    Parameters
    ----------
    volts_peak : float
        V peak.
    of_what : str
        Where it comes from, for the sentence.
    """

    volts_peak: float
    of_what: str


def largest_voltage(plan: JobPlan) -> Largest:
    """Return the highest rated voltage of the plan's channels, or what the probe may carry.

    The amplifier's rating counts, not the target: a loudspeaker may set a lower one, but the hand
    may pass it. ``V = sqrt(P Z)`` and a sine's peak of ``sqrt 2 V``.
    """
    found = max(
        (
            Largest(
                SQRT2 * math.sqrt(rated_power_w(c.ratings, c.net_load_ohm) * c.net_load_ohm),
                f"the rating of {c.name}",
            )
            for c in plan.channels
        ),
        key=lambda largest: largest.volts_peak,
    )
    if found.volts_peak > plan.probe.max_volts:
        return Largest(plan.probe.max_volts, "what the probe may carry")
    return found


def calibration_track(frequency_hz: float) -> Signal:
    """Return the tone for probe and multimeter."""
    return set_tone("calibrate", "probe against multimeter", frequency_hz, 0.0)


def full_scale_volts_peak(plan: JobPlan, facts: Facts) -> float:
    """Return the input's full scale: as it was set in this job, else as the plan states it, V."""
    found = facts.result("input_level", None)
    if found is None:
        return plan.probe.full_scale_volts_peak
    return float(found["full_scale_volts_peak"]["value"])


def input_level(plan: JobPlan, info: PortInfo) -> Procedure:
    """Guide the input's own control to where the largest voltage of the plan still fits.

    Parameters
    ----------
    plan : JobPlan
        The plan of the job.
    info : PortInfo
        The open port.
    """
    largest = largest_voltage(plan)
    wanted_v = largest.volts_peak * ratio_from_db(HEADROOM_DB - CEILING_DBFS)
    leg = Point("source", "positive")
    yield Acknowledge(cautions.PROBE)
    yield Acknowledge(cautions.HEARING)
    yield Ask("Turn the sound card's input control to its minimum.", Act("input_to_minimum"))
    yield from place_tips(
        "both tips on the positive wire of the source's tap, ground lead on chassis", leg, leg
    )
    yield from start_tone(calibration_track(calibration_tone_hz()), plan)
    volume = round(LOUD * plan.source.max_volume)
    yield Ask(
        f"Turn the volume to {volume}, or as far as it stays clean.",
        Act("set_volume", value=float(volume)),
    )
    answer: Answer = yield Ask(
        "Multimeter on AC volts, red lead on the same wire, black lead on chassis. "
        "What does it read?",
        Act("read_meter", red=leg, black=None),
        "number",
        unit="V",
        low=LEAST_METER_V,
        high=float(plan.probe.max_volts),
    )
    meter_v = float(answer.value)
    mark_dbfs = db_from_ratio(meter_v * SQRT2 / wanted_v)
    one, turned = yield from _to_the_mark(plan, mark_dbfs, largest)
    yield _finish(one, turned, meter_v, mark_dbfs, largest, plan, info)


def _to_the_mark(plan: JobPlan, mark_dbfs: float, largest: Largest) -> Steps:
    """Listen until the level stays at the mark; returns the reading and whether it got there."""
    spec = tone_spec(calibration_tone_hz(), "unknown" if plan.probe.tips == 2 else "line", plan)
    watch = SteadyWatch(AGAIN_AFTER_S)
    patience = Patience("The mark was not reached")
    note = f"full scale for {largest.volts_peak:.0f} V peak, {largest.of_what}"
    shown = Guidance(
        "Wait for the first reading.", Act("wait"), headline="LISTENING", mark_dbfs=mark_dbfs
    )
    at_end = False
    while True:
        offers = () if at_end else (AT_END,)
        event: TipsReading | Answer = yield Listen(spec, shown, offers)
        if isinstance(event, Answer):
            # What was read before the last turn does not count.
            at_end = True
            watch.reset()
            shown = _hold("Hands off: levelset reads once more.", None, mark_dbfs, note)
            continue
        one = tip_a_of(event)
        watch.add(one)
        patience.wait(one)
        level = one.tone.level_dbfs
        overload = one.tone.void is not None and one.tone.void.code == "input_overload"
        if overload and at_end:
            raise StepFailed(
                "At its lowest the input is still overloaded: use the probe's next range, or "
                "another input"
            )
        if overload:
            shown = _turn(OVERLOAD_DB, mark_dbfs, note)
        elif level is None:
            shown = void_guidance(one, Act("wait"))
        else:
            to_go_db = mark_dbfs - level.value
            near = abs(to_go_db) <= WITHIN_DB
            if watch.confirmed and (near or at_end):
                return one, near
            if near or at_end:
                shown = _hold(
                    "Hands off: levelset looks whether it stays.", to_go_db, mark_dbfs, note
                )
            else:
                shown = _turn(to_go_db, mark_dbfs, note)


def _turn(to_go_db: float, mark_dbfs: float, note: str) -> Guidance:
    direction: Direction = "up" if to_go_db > 0.0 else "down"
    return Guidance(
        f"Turn the sound card's input {direction}, to the mark.",
        Act("turn_input", direction=direction),
        headline="UNDER THE MARK" if direction == "up" else "OVER THE MARK",
        direction=direction,
        to_go_db=to_go_db,
        target_note=note,
        mark_dbfs=mark_dbfs,
    )


def _hold(sentence: str, to_go_db: float | None, mark_dbfs: float, note: str) -> Guidance:
    near = to_go_db is not None and abs(to_go_db) <= WITHIN_DB
    return Guidance(
        sentence,
        Act("wait"),
        headline="AT THE MARK" if near else "HOLD",
        direction="hold",
        to_go_db=to_go_db,
        target_note=note,
        mark_dbfs=mark_dbfs,
    )


def _finish(
    one: Reading,
    turned: bool,
    meter_v: float,
    mark_dbfs: float,
    largest: Largest,
    plan: JobPlan,
    info: PortInfo,
) -> Finish:
    amplitude, level = one.tone.amplitude_fs, one.tone.level_dbfs
    assert amplitude is not None
    assert level is not None
    scale_v = meter_v * SQRT2 / amplitude.value
    # A meter is within its limits, evenly; 95 % of that (JCGM 100:2008, 4.3.7).
    meter = 0.95 * meter_tolerance_v(plan.probe.meter, meter_v) / meter_v
    u = math.hypot(meter, amplitude.u / amplitude.value)
    input_v = scale_v / plan.probe.divider
    headroom_db = db_from_ratio(scale_v / largest.volts_peak)
    if headroom_db < -CEILING_DBFS:
        raise StepFailed(
            f"At its lowest the input is full at {scale_v:.1f} V peak, but {largest.of_what} is "
            f"{largest.volts_peak:.1f} V peak: use the probe's next range or another input"
        )
    outcome: OutcomeWord = "accepted" if turned else "limited"
    sentence = (
        f"Full scale is {scale_v:.1f} V peak at the tip, {headroom_db:.1f} dB above "
        f"{largest.volts_peak:.1f} V peak ({largest.of_what})."
    )
    if not turned:
        sentence += " The control was left where it ends."
    planned_v = plan.probe.full_scale_volts_peak
    sentence += " Do not touch the control from now on, and calibrate next."
    if abs(input_v / planned_v - 1.0) > DESIGN_TOLERANCE:
        sentence += (
            f" The input is full at {input_v:.3g} V peak, the plan says {planned_v:g} V: the "
            "calibration of this job goes by what was found."
        )
    return Finish(
        outcome,
        sentence,
        {
            "full_scale_volts_peak": Quantity(input_v, u * input_v, "V").as_json(),
            "volts_per_full_scale": Quantity(scale_v, u * scale_v, "V").as_json(),
            "level_dbfs": level.as_json(),
            "mark_dbfs": mark_dbfs,
            "at_mark": turned,
            "meter_volts_rms": meter_v,
            "largest_volts_peak": largest.volts_peak,
            "largest_of": largest.of_what,
            "headroom_db": headroom_db,
            "device": info.name,
            "rate_hz": info.rate_hz,
        },
    )
