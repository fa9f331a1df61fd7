"""Kind of output: are both terminals driven, or only one."""

from __future__ import annotations

import math

from levelset.plan.job import ChannelPlan, JobPlan
from levelset.ports.base import Leg, Point
from levelset.probe.reading import OutputKind, Reading, TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.common import (
    Steps,
    channel_track,
    place_tips,
    settle,
    source_track,
    start_tone,
    tip_a_of,
    tone_spec,
)
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    Ask,
    Finish,
    Guidance,
    Procedure,
    StepFailed,
)

SAME = 0.1
"""Two tips on one terminal, or two driven legs, agree within this ratio."""

NOTHING = 0.1
"""A terminal below this part of the other is not driven."""


def output_kind(
    plan: JobPlan, facts: Facts, channel: ChannelPlan | None, tone_hz: float
) -> Procedure:
    """Find out whether an output is bridged or grounded.

    First both tips go on the positive terminal, where they must read the same: only then does a
    silent tip B mean a terminal that is not driven, and not a tip without contact. Where it is
    silent the tips change places, since contact can be lost just when a tip is moved.

    Parameters
    ----------
    plan : JobPlan
        The plan.
    facts : Facts
        What is established.
    channel : ChannelPlan or None
        Amplifier channel, None for the source.
    tone_hz : float
        Frequency of the set tone, Hz.
    """
    if plan.probe.tips < 2:
        yield Finish(
            "failed",
            "With one tip the kind of output cannot be measured, and one leg of a bridged output "
            "shows half its voltage: build the second tip.",
            {"void": "output_unknown"},
        )
        return
    if facts.calibration is None:
        yield Finish("skipped", "The probe is not calibrated yet.", {})
        return
    where = "the source's tap" if channel is None else f"the terminals of {channel.name}"
    positive = _point(channel, "positive")
    negative = _point(channel, "negative")
    spec = tone_spec(tone_hz, "unknown", plan)

    if channel is None:
        yield from start_tone(source_track(tone_hz), plan)
    else:
        yield Acknowledge(cautions.LOUDSPEAKER_OFF)
        yield Acknowledge(cautions.TOUCH)
        yield Ask(
            f"Turn the gain of {channel.name} to its minimum.",
            Act("gain_to_minimum", channel=channel.name),
        )
        yield from start_tone(channel_track(channel.name, tone_hz, channel.target.tone_dbfs), plan)
    kind, seq = yield from find_kind(spec, where, positive, negative)
    sides = "both sides are driven" if kind == "bridged" else "one side is driven"
    sentence = f"{kind.capitalize()} output at {where}: {sides}."
    yield Finish("accepted", sentence, {"kind": kind, "reading_seq": seq})


def find_kind(spec: ToneSpec, where: str, positive: Point, negative: Point) -> Steps:
    """Find the kind of an output that gives a tone.

    Parameters
    ----------
    spec : ToneSpec
        The tone, at an output of unknown kind.
    where : str
        The output in words.
    positive, negative : Point
        Its terminals.

    Returns
    -------
    kind : OutputKind
        Bridged or grounded.
    seq : int
        Line of the reading that shows it.

    Raises
    ------
    StepFailed
        If the tips do not agree, or fit no kind.
    """
    yield from place_tips(f"both tips on the positive side of {where}", positive, positive)
    guidance = Guidance(
        "Keep both tips on the positive side.", Act("wait"), headline="BOTH TIPS ON ONE SIDE"
    )
    together: TipsReading = yield from settle(spec, guidance, of=tip_a_of)
    ratio = _ratio(together)
    if ratio is None or abs(ratio - 1.0) > SAME:
        raise StepFailed(
            "Both tips are on one terminal but do not read the same: clean the contact of the "
            "quieter tip and repeat the step"
        )
    yield from place_tips(f"tip B on the negative side of {where}", positive, negative)
    guidance = Guidance(
        "Tip A on the positive side, tip B on the negative side.",
        Act("wait"),
        headline="HOLD STILL",
    )
    apart: TipsReading = yield from settle(spec, guidance, of=tip_a_of)
    kind = _kind(together, apart)
    # Before the tips are moved once more: samples are kept for half a minute only.
    seq: int = yield Accept(apart, "output_kind", {"kind": kind})
    if kind == "grounded":
        yield from _confirm_by_swap(spec, apart, where, positive, negative)
    return kind, seq


def _confirm_by_swap(
    spec: ToneSpec, apart: TipsReading, where: str, positive: Point, negative: Point
) -> Steps:
    """Look at the silent side with the other tip: a tip that lost contact is silent as well."""
    yield from place_tips(
        f"the tips the other way round: tip A on the negative, tip B on the positive side of "
        f"{where}",
        negative,
        positive,
    )
    guidance = Guidance(
        "Tip A on the negative side, tip B on the positive side.", Act("wait"), headline="SWAPPED"
    )
    swapped: TipsReading = yield from settle(spec, guidance, of=_tip_b)
    a, b = (leg.tone.amplitude_fs for leg in swapped.legs)
    before = apart.legs[0].tone.amplitude_fs
    if before is None or b is None or abs(b.value / before.value - 1.0) > SAME:
        raise StepFailed("Tip B does not read what tip A read there: clean its contact and repeat")
    if a is not None and a.value > NOTHING * b.value:
        raise StepFailed(
            "The negative side is driven after all: tip B had no contact there, repeat the step"
        )


def _point(channel: ChannelPlan | None, leg: Leg) -> Point:
    if channel is None:
        return Point("source", leg)
    return Point("channel", leg, channel.name)


def _tip_b(reading: TipsReading) -> Reading:
    return reading.legs[1]


def _ratio(reading: TipsReading) -> complex | None:
    """Tip B over tip A as a complex number; None where tip B reads no tone."""
    a, b = reading.legs[0].tone, reading.legs[1].tone
    if a.amplitude_fs is None or b.amplitude_fs is None:
        return None
    if a.phase_rad is None or b.phase_rad is None:
        return None
    size = b.amplitude_fs.value / a.amplitude_fs.value
    angle = b.phase_rad - a.phase_rad
    return complex(size * math.cos(angle), size * math.sin(angle))


def _kind(together: TipsReading, apart: TipsReading) -> OutputKind:
    before, after = together.legs[0].tone.amplitude_fs, apart.legs[0].tone.amplitude_fs
    if before is None or after is None or abs(after.value / before.value - 1.0) > SAME:
        raise StepFailed("Tip A changed while tip B was moved: keep it still and repeat the step")
    ratio = _ratio(apart)
    if ratio is None or abs(ratio) < NOTHING:
        return "grounded"
    if abs(ratio + 1.0) < 2.0 * SAME:
        return "bridged"
    if abs(ratio - 1.0) < 2.0 * SAME:
        raise StepFailed("Both tips are still on the same terminal: move tip B and repeat the step")
    raise StepFailed(
        f"Tip B reads {abs(ratio):.0%} of tip A, which fits neither a bridged nor a grounded "
        "output: check both contacts and repeat the step"
    )
