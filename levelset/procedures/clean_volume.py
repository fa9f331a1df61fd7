"""The highest volume at which the source is still clean."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from levelset.analysis.volume_curve import VolumeStep, bass_loss, held_from, judge_curve
from levelset.plan.set_tone import UPPER_TONE_HZ
from levelset.ports.base import Point
from levelset.procedures import cautions
from levelset.procedures.common import (
    GIVE_UP_S,
    Steps,
    ask_volume,
    output_of,
    place_tips,
    set_volume,
    settle,
    source_track,
    start_engine,
    start_tone,
    tone_spec,
)
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    CurvePoint,
    Finish,
    Guidance,
    Procedure,
    StepFailed,
)
from levelset.procedures.steady import NEW_LEVEL_DB, over_by_more
from levelset.procedures.volume_climb import VolumeClimb, point
from levelset.signals.tones import set_tone, signal_name
from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from levelset.analysis.volume_curve import BassLoss, VolumeCurve
    from levelset.plan.job import JobPlan
    from levelset.probe.reading import Reading, TipsReading, ToneSpec
    from levelset.procedures.facts import Facts
    from levelset.signals.signal import Signal

BASS_TONE_HZ = 41.0
"""Second tone where the first is an upper one, Hz; 9 Hz clear of 50 Hz, 19 Hz of 60 Hz."""
NOT_HEARD_S = 10.0
"""A second tone that stays away so long is not on this tap, s."""
CONFIRM_S = 30.0
"""A level that does not come to rest within this time cannot be confirmed, s."""
ONSET_LOOKS = 4
"""Halvings after which the onset of withdrawn bass is known to the number, or to two."""
LOOKS = 4
"""How often a level that is over the limit by a doubt only is looked at."""
SECOND_BELOW = 2
"""From so many numbers below the clean volume the second tone is read at every number."""


@dataclass(frozen=True, slots=True)
class _Second:
    """What the second tone showed.

    Parameters
    ----------
    tone_hz : float
        Its frequency, Hz.
    clean : int
        Highest volume at which it is clean, at most that of the first tone.
    curve : tuple of CurvePoint
        Levels read, volume rising; empty where it was not heard.
    """

    tone_hz: float
    clean: int
    curve: tuple[CurvePoint, ...]


def clean_volume(plan: JobPlan, facts: Facts, tone_hz: float) -> Procedure:
    """Raise the volume click by click; each settled new level is captured by itself.

    The search ends at the first level that is surely over the limit. The number that the display
    shows then is asked for, and the level below it is measured again: a missed or repeated click
    cannot shift the result. A second tone, upper for a bass tone and the other way round, is then
    read from below up to that volume; the lower of both wins.
    """
    kind = facts.output_kind(None)
    if facts.calibration is None or kind == "unknown":
        yield Finish("skipped", "First calibrate the probe and find the kind of output.", {})
        return
    spec = tone_spec(tone_hz, kind, plan)
    track = source_track(tone_hz)
    yield Acknowledge(cautions.HEARING)
    yield from start_engine(facts)
    yield from place_tips(
        "tip A on the positive and tip B on the negative wire of the source's tap",
        Point("source", "positive"),
        Point("source", "negative"),
    )
    yield from set_volume(plan.source.start_volume)
    yield from start_tone(track, plan)
    first = yield from ask_volume("Which volume does the display show now?", plan)
    climb = VolumeClimb(spec, plan)
    ended = yield from climb.run(first)
    if not climb.number_known:
        sentence = _end_sentence(climb.curve, ended, plan)
        climb.relabel((yield from ask_volume(sentence, plan)))
    last = climb.curve[-1]
    highest = last.volume if ended == "range" else last.volume - 1
    result = yield from _confirm(spec, highest, plan, last)
    result["tone_hz"] = tone_hz
    top = int(result["volume"])
    second_spec = tone_spec(second_tone_hz(tone_hz), spec.output, plan)
    second = yield from _second_tone(second_spec, tone_hz, climb.curve, top, plan)
    if second.clean < top:
        yield from start_tone(track, plan)
        result |= yield from _confirm(spec, second.clean, plan, last, is_clean_above=True)
    _describe(result, ended, climb, second, top, plan)
    yield Finish("accepted", " ".join(result["words"]), result)


def _end_sentence(curve: tuple[CurvePoint, ...], ended: str, plan: JobPlan) -> str:
    if ended == "range":
        return "Clean up to the end of the volume. Which number does the display show?"
    why = "The tops went flat" if curve[-1].state == "hard_clipping" else "The tone is distorted"
    return (
        f"{why} at {curve[-1].volume} by levelset's count (limit {plan.limit_percent:g} % THD). "
        "Which number does the display show?"
    )


def _confirm(
    spec: ToneSpec, volume: int, plan: JobPlan, last: CurvePoint, *, is_clean_above: bool = False
) -> Steps:
    """Measure a volume again, and lower ones until one is clean; returns the result.

    Where the level is still that of the ``last`` point the volume was not turned: it is asked for
    once more. What is only doubtful lowers the volume once, and not where the tone is clean above:
    further down noise makes the doubt larger.
    """
    guidance = Guidance("Leave the volume where it is.", Act("wait"), headline="CONFIRM")
    again, does_doubt_count = "", not is_clean_above
    while volume >= 1:
        yield from set_volume(volume, again)
        reading, is_over = yield from _judged(
            spec, guidance, plan, again_after_s=1.0, give_up_s=CONFIRM_S
        )
        one = reading.output
        if one.tone.thd_percent is None or one.volts_rms is None:
            raise StepFailed("The reading has no volts: calibrate the probe again")
        if is_over and not again and _stands(one, last):
            again = "The level did not change."
            continue
        if not over_by_more(one, plan.limit_percent, doubtful=False):
            is_over, does_doubt_count = is_over and does_doubt_count, False
        if not is_over:
            seq: int = yield Accept(reading, "clean_volume", {"volume": volume})
            result: dict[str, Any] = {
                "volume": volume,
                "volts_rms": one.volts_rms.as_json(),
                "thd_percent": one.tone.thd_percent.as_json(),
                "reading_seq": seq,
            }
            return result
        volume, again = volume - 1, ""
    raise StepFailed("The source is clean at no volume: check what plays the tone")


def _stands(one: Reading, last: CurvePoint) -> bool:
    """Tell whether a level is that of a captured one."""
    if one.volts_rms is None or not last.volts_rms:
        return False
    return abs(db_from_ratio(one.volts_rms.value / last.volts_rms)) < NEW_LEVEL_DB


def _judged(
    spec: ToneSpec,
    guidance: Guidance,
    plan: JobPlan,
    *,
    again_after_s: float = 0.0,
    give_up_s: float = GIVE_UP_S,
) -> Steps:
    """Settle and tell whether it is over the limit; what is doubtful is looked at again.

    Returns
    -------
    reading : TipsReading
        The last one.
    is_over : bool
        True where it is over, or remained doubtful.
    """
    for _ in range(LOOKS):
        reading: TipsReading = yield from settle(
            spec, guidance, of=output_of, again_after_s=again_after_s, give_up_s=give_up_s
        )
        is_over = over_by_more(reading.output, plan.limit_percent, doubtful=True)
        if not is_over or over_by_more(reading.output, plan.limit_percent, doubtful=False):
            break
        again_after_s = 0.0
    return reading, is_over


def second_tone_hz(tone_hz: float) -> float:
    """Return the tone at the other end of the band, Hz."""
    return UPPER_TONE_HZ if tone_hz < 0.5 * UPPER_TONE_HZ else BASS_TONE_HZ


def second_track(tone_hz: float) -> Signal:
    """Return the track of the second tone."""
    subject = "source upper" if tone_hz > 0.5 * UPPER_TONE_HZ else "source bass"
    return set_tone(signal_name("set", subject), "clean volume of the source", tone_hz, 0.0)


def _second_tone(
    spec: ToneSpec, first_hz: float, first: tuple[CurvePoint, ...], top: int, plan: JobPlan
) -> Steps:
    """Read a second tone from below up to the volume at which the first is clean."""
    tone_hz, lowest = spec.expected_hz or 0.0, first[0].volume
    wanted = {min(lowest, top), (min(lowest, top) + top) // 2, *range(top - SECOND_BELOW, top + 1)}
    volumes = sorted(volume for volume in wanted if volume >= 1)
    yield from set_volume(volumes[0])
    yield from start_tone(second_track(tone_hz), plan)
    curve: list[CurvePoint] = []
    clean, over = 0, top + 1
    for volume in volumes:
        is_over = yield from _look(spec, volume, curve, plan)
        if is_over is None:
            if volume >= top - SECOND_BELOW:
                return _Second(tone_hz, top, ())
            # Noise may cover so low a level; then it is far from the clip point.
            clean = volume
            continue
        # A low level that is over by noise is followed by a clean one.
        clean, over = (clean, min(over, volume)) if is_over else (volume, top + 1)
    # Between the highest clean and the lowest that is over lies the answer.
    while over - clean > 1 and clean < top:
        middle = (clean + over) // 2
        is_over = yield from _look(spec, middle, curve, plan)
        clean, over = (clean, middle) if is_over else (middle, over)
    if clean == 0:
        raise StepFailed(f"At {tone_hz:.0f} Hz the source is clean at no volume")
    yield from _find_onset(spec, first_hz, first, curve, plan)
    return _Second(tone_hz, clean, tuple(sorted(curve, key=lambda point: point.volume)))


def _find_onset(
    spec: ToneSpec,
    first_hz: float,
    first: tuple[CurvePoint, ...],
    curve: list[CurvePoint],
    plan: JobPlan,
) -> Steps:
    """Read the second tone where it tells from which volume on bass is withdrawn."""
    for _ in range(ONSET_LOOKS):
        curve.sort(key=lambda point: point.volume)
        loss = _loss(_steps(first), _steps(tuple(curve)), first_hz, plan)
        if loss is None or loss.from_volume is None:
            return
        from_volume = loss.from_volume
        below = max((p.volume for p in curve if p.volume < from_volume), default=from_volume)
        between = [p.volume for p in first if below < p.volume < from_volume]
        if not between:
            return
        yield from _look(spec, between[len(between) // 2], curve, plan)


def _look(spec: ToneSpec, volume: int, curve: list[CurvePoint], plan: JobPlan) -> Steps:
    """Read one volume; returns whether it is over the limit, None where nothing is heard."""
    yield from set_volume(volume)
    guidance = Guidance(
        f"The second tone, {spec.expected_hz:.0f} Hz, at volume {volume}: leave it there.",
        Act("wait"),
        headline="SECOND TONE",
        curve=tuple(curve),
    )
    try:
        reading, is_over = yield from _judged(spec, guidance, plan, give_up_s=NOT_HEARD_S)
    except StepFailed:
        if curve:
            raise
        return None
    yield Accept(reading, "clean_volume_step", {"volume": volume, "tone_hz": spec.expected_hz})
    curve.append(point(volume, reading.output))
    return is_over


def _describe(
    result: dict[str, Any],
    ended: str,
    climb: VolumeClimb,
    second: _Second,
    top: int,
    plan: JobPlan,
) -> None:
    """Add the curves, what they say, and what set the limit; the first tone is clean at ``top``."""
    curve = climb.curve
    judged = judge_curve(_steps(curve[climb.noisy :] or curve), plan.limit_percent)
    loss = _loss(_steps(curve), _steps(second.curve), result["tone_hz"], plan)
    limited_by = ended
    if second.curve and second.clean < top:
        limited_by = "clipping"
        result["limited_tone_hz"] = second.tone_hz
    elif ended == "range" and judged.fixed:
        limited_by = "fixed"
    elif ended == "range" and judged.limited_from is not None:
        limited_by = "limiter"
    held = held_from(_steps(second.curve), plan.limit_percent)
    limited_from = min(filter(None, (judged.limited_from, held)), default=None)
    result |= {
        "limited_by": limited_by,
        "curve": _curve_json(curve),
        "second_tone_hz": second.tone_hz if second.curve else None,
        "second_curve": _curve_json(second.curve),
        "step_db": judged.step_db,
        "repeated": list(judged.repeated),
        "missed": [list(pair) for pair in judged.missed],
        "fixed": judged.fixed,
        "limited_from": limited_from,
        "limited_volts_rms": judged.limited_volts_rms,
        "bass_withdrawn_db": None if loss is None else loss.most_db,
        "bass_withdrawn_from": None if loss is None else loss.from_volume,
        "bass_kept_to": None if loss is None else loss.kept_to,
        "words": _words(result, limited_by, judged, loss, second, held),
    }


def _words(
    result: dict[str, Any],
    limited_by: str,
    judged: VolumeCurve,
    loss: BassLoss | None,
    second: _Second,
    held: int | None,
) -> list[str]:
    words = [f"Highest clean volume {result['volume']}: {result['volts_rms']['value']:.2f} V."]
    if "limited_tone_hz" in result:
        words.append(
            f"At {second.tone_hz:.0f} Hz it clips earlier than at {result['tone_hz']:g} Hz."
        )
    words += judged.sentences()
    if limited_by == "limiter" and judged.limited_volts_rms is not None:
        words.append(f"It is held at {judged.limited_volts_rms:.2f} V, and stays clean there.")
    if loss is not None and loss.withdrawn:
        words.append(
            f"Bass is withdrawn from volume {loss.from_volume} on, by up to {loss.most_db:.1f} dB."
        )
    if held is not None and judged.limited_from is None and not judged.fixed:
        words.append(
            f"At {second.tone_hz:.0f} Hz the level no longer follows the volume from {held} on."
        )
    if not second.curve:
        words.append(f"{second.tone_hz:.0f} Hz is not heard on this tap and was not checked.")
    return words


def _steps(curve: tuple[CurvePoint, ...]) -> list[VolumeStep]:
    return [
        VolumeStep(point.volume, point.volts_rms, point.thd_percent, point.state)
        for point in curve
        if point.volts_rms
    ]


def _loss(
    first: list[VolumeStep], second: list[VolumeStep], tone_hz: float, plan: JobPlan
) -> BassLoss | None:
    bass, upper = (first, second) if tone_hz < 0.5 * UPPER_TONE_HZ else (second, first)
    return bass_loss(bass, upper, plan.limit_percent)


def _curve_json(curve: tuple[CurvePoint, ...]) -> list[dict[str, Any]]:
    return [
        {"volume": p.volume, "volts_rms": p.volts_rms, "thd_percent": p.thd_percent} for p in curve
    ]
