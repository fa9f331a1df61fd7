"""The highest volume at which the source is still clean."""

from __future__ import annotations

from typing import Any

from levelset.plan.job import JobPlan
from levelset.ports.base import Point
from levelset.probe.reading import Reading, TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.common import (
    AT_END,
    SOURCE_TRACK,
    Patience,
    Steps,
    ask_volume,
    output_of,
    place_tips,
    set_volume,
    settle,
    start_tone,
    tone_spec,
    void_guidance,
)
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    Answer,
    Ask,
    CurvePoint,
    Finish,
    Guidance,
    Listen,
    Procedure,
    StepFailed,
)
from levelset.procedures.steady import ClippingWatch, LevelWatch, over_limit
from levelset.signals.tones import set_tone

UNDECIDED_READINGS = 12
"""A settled level that shows clipping now and then counts as over the limit after this many."""


def clean_volume(plan: JobPlan, facts: Facts, tone_hz: float) -> Procedure:
    """Raise the volume click by click; each settled new level is captured by itself.

    The search ends at the first level that is surely over the limit. The number that the display
    shows then is asked for, and the level below it is measured again: a missed or repeated click
    cannot shift the result.
    """
    kind = facts.output_kind(None)
    if facts.calibration is None or kind == "unknown":
        yield Finish("skipped", "First calibrate the probe and find the kind of output.", {})
        return
    spec = tone_spec(tone_hz, kind, plan)
    yield Acknowledge(cautions.HEARING)
    yield Acknowledge(cautions.ENGINE)
    yield Ask("Start the engine, so that the supply is as it is on the road.", Act("start_engine"))
    yield from place_tips(
        "tip A on the positive and tip B on the negative wire of the source's tap",
        Point("source", "positive"),
        Point("source", "negative"),
    )
    yield from set_volume(plan.source.start_volume)
    yield from start_tone(set_tone(SOURCE_TRACK, "clean volume of the source", tone_hz, 0.0), plan)
    first = yield from ask_volume("Which volume does the display show now?", plan)
    curve, at_end = yield from _climb(spec, first, plan)
    shown = yield from ask_volume(_end_sentence(curve, at_end, plan), plan)
    result = yield from _confirm(spec, shown if at_end else shown - 1, plan)
    result["limited_by"] = "range" if at_end else "clipping"
    result["tone_hz"] = tone_hz
    result["curve"] = [
        {"volume": p.volume, "volts_rms": p.volts_rms, "thd_percent": p.thd_percent} for p in curve
    ]
    yield Finish(
        "accepted",
        f"Highest clean volume {result['volume']}: {result['volts_rms']['value']:.2f} V.",
        result,
    )


def _end_sentence(curve: tuple[CurvePoint, ...], at_end: bool, plan: JobPlan) -> str:
    if at_end:
        return "Clean up to the end of the volume. Which number does the display show?"
    why = "The tops went flat" if curve[-1].state == "hard_clipping" else "The tone is distorted"
    return (
        f"{why} at {curve[-1].volume} by levelset's count (limit {plan.limit_percent:g} % THD). "
        "Which number does the display show?"
    )


def _climb(spec: ToneSpec, first: int, plan: JobPlan) -> Steps:
    """Capture level after level; returns the curve and whether the volume ran out."""
    curve: tuple[CurvePoint, ...] = ()
    watch = LevelWatch()
    clipping = ClippingWatch(plan.limit_percent)
    patience = Patience("The level did not follow the volume")
    volume, undecided = first, 0
    void: Guidance | None = None
    while True:
        guidance = void or _climbing(curve, volume)
        event: TipsReading | Answer = yield Listen(spec, guidance, (AT_END,) if curve else ())
        if isinstance(event, Answer):
            return curve, True
        one = event.output
        watch.add(one)
        clipping.add(one)
        patience.wait(one)
        void = None if one.tone.void is None else void_guidance(one, guidance.act)
        if not watch.new_level:
            undecided = 0
            continue
        undecided += clipping.suspected
        if clipping.suspected and not clipping.confirmed and undecided < UNDECIDED_READINGS:
            continue
        point = _point(volume, one)
        yield Accept(event, "clean_volume_step", {"volume": volume})
        curve = (*curve, point)
        if clipping.confirmed or undecided >= UNDECIDED_READINGS:
            return curve, False
        watch.take()
        volume, undecided = volume + 1, 0
        patience.progress()


def _climbing(curve: tuple[CurvePoint, ...], volume: int) -> Guidance:
    if curve:
        return Guidance(
            "Turn the volume up one click and wait for the sound.",
            Act("volume_up_one", value=float(volume)),
            headline=f"NEXT: {volume}",
            direction="up",
            curve=curve,
        )
    return Guidance("Leave the volume where it is.", Act("wait"), headline="HOLD", curve=curve)


def _point(volume: int, one: Reading) -> CurvePoint:
    tone = one.tone
    return CurvePoint(
        volume,
        None if one.volts_rms is None else one.volts_rms.value,
        None if tone.thd_percent is None else tone.thd_percent.value,
        "clean" if tone.clipping is None else tone.clipping.state,
    )


def _confirm(spec: ToneSpec, volume: int, plan: JobPlan) -> Steps:
    """Measure a volume again, and lower ones until one is clean; returns the result."""
    guidance = Guidance("Leave the volume where it is.", Act("wait"), headline="CONFIRM")
    while volume >= 1:
        yield from set_volume(volume)
        reading: TipsReading = yield from settle(spec, guidance, of=output_of, again_after_s=1.0)
        one = reading.output
        if one.tone.thd_percent is None or one.volts_rms is None:
            raise StepFailed("The reading has no volts: calibrate the probe again")
        if not over_limit(one, plan.limit_percent, doubtful=True):
            seq: int = yield Accept(reading, "clean_volume", {"volume": volume})
            result: dict[str, Any] = {
                "volume": volume,
                "volts_rms": one.volts_rms.as_json(),
                "thd_percent": one.tone.thd_percent.as_json(),
                "reading_seq": seq,
            }
            return result
        volume -= 1
    raise StepFailed("The source is clean at no volume: check what plays the tone")
