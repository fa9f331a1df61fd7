"""DC volts by touch: tips off, tips on, and once more until two touches agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.plan.job import JobPlan
from levelset.ports.base import Point
from levelset.probe.swapped import pair_touch, swapped_disagree, swapped_offset
from levelset.probe.touch_reading import StepSpec, TipTouch, TouchReading
from levelset.procedures.common import Steps
from levelset.procedures.protocol import (
    Accept,
    Act,
    Answer,
    Ask,
    Guidance,
    Listen,
    Offer,
    StepFailed,
)

if TYPE_CHECKING:
    from levelset.probe.calibration import Calibration

HOLD_S = 1.0
"""How long contact has to hold for volts, s."""

IDENTIFY_S = 2.0
"""How long on a battery, so that slow poles show as well, s."""

NOTHING_MOVES_S = 3.0
"""After this long without a touch the person may say that the tips are on, s."""

GIVE_UP_S = 120.0
MOST_TOUCHES = 6
BIASED_V = 1.0
"""A leg above this stands on a bias of its own (common practice, no source)."""

AGREE = 0.01
"""Two touches agree within this ratio, besides what their own uncertainty allows: a supply
moves a little meanwhile."""

OPEN = Point("open")
TOUCHED = Offer("touched", "the tips are on, nothing moves")


def volts_spec(plan: JobPlan) -> StepSpec:
    """Return what to listen for when volts are wanted."""
    return StepSpec(HOLD_S, identify=False, coupling_hz=plan.probe.coupling_hz)


def identify_spec(plan: JobPlan) -> StepSpec:
    """Return what to listen for on a battery."""
    return StepSpec(IDENTIFY_S, identify=True, coupling_hz=plan.probe.coupling_hz)


def touch(spec: StepSpec, where: str, tip_a: Point, tip_b: Point) -> Steps:
    """Guide one touch until it can be trusted.

    Parameters
    ----------
    spec : StepSpec
        What to listen for.
    where : str
        Completes the sentence "Put ...".
    tip_a, tip_b : Point
        Where the tips go.

    Returns
    -------
    TouchReading
        Not void.

    Raises
    ------
    StepFailed
        If several touches in a row were void; the sentence is the last reason.
    """
    reason = ""
    for _ in range(MOST_TOUCHES):
        reading: TouchReading = yield from _one_touch(spec, where, tip_a, tip_b, reason)
        reason = _doubt(reading)
        if not reason:
            return reading
    raise StepFailed(f"{MOST_TOUCHES} touches could not be read. {reason}")


def agreed_touch(spec: StepSpec, where: str, tip_a: Point, tip_b: Point) -> Steps:
    """Guide touches until two in a row agree; returns the last of them.

    Raises
    ------
    StepFailed
        If they do not come to agree.
    """
    last: TouchReading = yield from touch(spec, where, tip_a, tip_b)
    for _ in range(MOST_TOUCHES - 1):
        reading: TouchReading = yield from touch(spec, where, tip_a, tip_b)
        pairs = list(zip((*last.legs, last.pair), (*reading.legs, reading.pair), strict=True))
        if all(_agree(one, other) for one, other in pairs):
            return reading
        last = reading
    raise StepFailed(
        "The touches do not agree: clean the contacts, see that the supply does not move, and "
        "repeat the step"
    )


def offered_swap(
    plan: JobPlan,
    calibration: Calibration,
    first: TouchReading,
    plus: Point,
    minus: Point,
    *,
    why: str,
    as_what: str,
) -> Steps:
    """Offer to touch once more with the tips changed over.

    Parameters
    ----------
    plan, calibration
        As everywhere.
    first : TouchReading
        Tip A on ``plus``, tip B on ``minus``, accepted.
    plus, minus : Point
        The two sides.
    why : str
        One sentence on what it is good for.
    as_what : str
        What the record calls the touch.

    Returns
    -------
    tuple of Quantity and int, or None
        The mean, V, and the line of the second touch; None where the person declines or it cannot
        be read. The first touch stands then.
    """
    one = pair_touch(first)
    if one is None:
        return None
    answer: Answer = yield Ask(
        f"{why} Touch once more with the tips changed over?", Act("wait"), "yes_no"
    )
    if answer.value != "yes":
        return None
    where = "tip B on the positive and tip A on the negative side"
    try:
        for _ in range(MOST_TOUCHES):
            reading: TouchReading = yield from touch(volts_spec(plan), where, minus, plus)
            other = pair_touch(reading)
            if other is not None and not swapped_disagree((one, other)):
                seq: int = yield Accept(reading, as_what, {"swapped": True})
                return swapped_offset(one, other, calibration), seq
    except StepFailed:
        pass
    return None


def touched_or_typed(touching: Steps | None, typing: Steps | None) -> Steps:
    """Touch where that is possible, else, or where it fails, type in what the multimeter reads.

    Raises
    ------
    StepFailed
        If touching failed and nothing can be typed.
    """
    if touching is not None:
        try:
            return (yield from touching)
        except StepFailed:
            if typing is None:
                raise
    if typing is None:
        raise StepFailed("Neither touch nor multimeter can read DC here")
    return (yield from typing)


def typed_dc(sentence: str, red: Point, black: Point | None, plan: JobPlan) -> Steps:
    """Ask for the multimeter's DC reading; returns volts."""
    answer: Answer = yield Ask(
        sentence,
        Act("read_dc_meter", red=red, black=black),
        "number",
        unit="V",
        low=-float(plan.probe.max_volts),
        high=float(plan.probe.max_volts),
    )
    return float(answer.value)


def _one_touch(spec: StepSpec, where: str, tip_a: Point, tip_b: Point, reason: str) -> Steps:
    yield Ask("Take both tips off and hold them free.", Act("place_tips", tip_a=OPEN, tip_b=OPEN))
    remarks = (reason,) if reason else ()
    free = Guidance("Hold the tips free.", Act("wait"), headline="TIPS OFF", remarks=remarks)
    on = Guidance(
        f"Put {where}, both at once, and hold them.",
        Act("place_tips", tip_a=tip_a, tip_b=tip_b),
        headline="TOUCH NOW",
        remarks=remarks,
    )
    held = Guidance(
        "Hold both tips where they are.", Act("wait"), headline="HOLD STILL", remarks=remarks
    )
    shown, offers, listening = free, tuple[Offer, ...](), spec
    began_s: float | None = None
    ready_s: float | None = None
    while True:
        event: TouchReading | Answer = yield Listen(listening, shown, offers)
        if isinstance(event, Answer):
            listening = StepSpec(spec.hold_s, spec.identify, spec.coupling_hz, touched=True)
            offers = ()
            continue
        if event.state == "done":
            return event
        now_s = (event.frames.first + event.frames.count) / event.frames.rate_hz
        began_s = now_s if began_s is None else began_s
        if now_s - began_s > GIVE_UP_S:
            raise StepFailed(f"No touch came within {GIVE_UP_S:.0f} s")
        if event.state in ("quiet", "building"):
            ready_s = now_s if ready_s is None else ready_s
            shown = on if event.state == "quiet" else held
        if event.state == "quiet" and ready_s is not None and now_s - ready_s > NOTHING_MOVES_S:
            offers = (TOUCHED,)


def _doubt(reading: TouchReading) -> str:
    """Return why a touch does not count, or nothing.

    A tip without contact reads no volts, as a grounded side does. Beside a leg on a bias no side of
    an output is at zero.
    """
    if reading.void is not None:
        return reading.void.reason
    for name, leg in zip("AB", reading.legs, strict=False):
        others = [one.volts for one in reading.legs if one is not leg and one.volts is not None]
        if not leg.seen and any(abs(volts.value) > BIASED_V for volts in others):
            return f"Tip {name} has no contact: clean the spot, press it on and touch again."
    return ""


def _agree(one: TipTouch | None, other: TipTouch | None) -> bool:
    if one is None or other is None or one.volts is None or other.volts is None:
        return True
    a, b = one.volts, other.volts
    # Most of both uncertainties is the battery's, which both have alike; it is no excuse.
    allowed = AGREE * max(abs(a.value), abs(b.value)) + min(a.u, 0.01) + min(b.u, 0.01)
    return abs(a.value - b.value) <= allowed
