"""The highest volume at which the source is still clean."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from levelset.analysis.volume_curve import held_from, judge_curve
from levelset.ports.base import Point
from levelset.procedures import cautions
from levelset.procedures.common import (
    Steps,
    ask_volume,
    place_tips,
    set_volume,
    source_track,
    start_engine,
    start_tone,
    tone_spec,
)
from levelset.procedures.onset import exceeds_edge
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
from levelset.procedures.second_tone import SecondTone, second_tone_hz
from levelset.procedures.steady import NEW_LEVEL_DB, over_by_more
from levelset.procedures.volume_climb import VolumeClimb, judged, steps_of
from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from levelset.analysis.volume_curve import BassLoss, VolumeCurve
    from levelset.plan.job import JobPlan
    from levelset.probe.reading import Reading, ToneSpec
    from levelset.procedures.facts import Facts

CONFIRM_S = 30.0
"""A level that does not come to rest within this time cannot be confirmed, s."""


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
    shown = climb.curve[-1].volume
    result = yield from _confirm(spec, shown if ended == "range" else shown - 1, plan, climb.last)
    result["tone_hz"] = tone_hz
    top = int(result["volume"])
    second_spec = tone_spec(second_tone_hz(tone_hz), spec.output, plan)
    second = SecondTone(second_spec, tone_hz, climb.curve, plan)
    yield from second.run(top)
    if second.clean < top:
        yield from start_tone(track, plan)
        result |= yield from _confirm(spec, second.clean, plan, climb.last, is_clean_above=True)
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
    spec: ToneSpec,
    volume: int,
    plan: JobPlan,
    last: Reading | None,
    *,
    is_clean_above: bool = False,
) -> Steps:
    """Measure a volume again, and lower ones until one is clean; returns the result.

    Where the level is still that of the ``last`` reading the volume was not turned: it is asked
    for once more. What is only doubtful lowers the volume once, and not where the tone is clean
    above: further down noise makes the doubt larger.
    """
    guidance = Guidance("Leave the volume where it is.", Act("wait"), headline="CONFIRM")
    why, is_asked_again, does_doubt_count = "", False, not is_clean_above
    while volume >= 1:
        yield from set_volume(volume, why)
        reading, is_over = yield from judged(
            spec, guidance, plan, again_after_s=1.0, give_up_s=CONFIRM_S
        )
        one = reading.output
        if one.tone.thd_percent is None or one.volts_rms is None:
            raise StepFailed("The reading has no volts: calibrate the probe again")
        if is_over and not is_asked_again and _stands(one, last):
            why, is_asked_again = "The level did not change.", True
            continue
        if not over_by_more(one, plan.limit_percent, doubtful=False):
            is_over, does_doubt_count = is_over and does_doubt_count, False
        if not is_over and (last is None or not exceeds_edge(one, last)):
            seq: int = yield Accept(reading, "clean_volume", {"volume": volume})
            result: dict[str, Any] = {
                "volume": volume,
                "volts_rms": one.volts_rms.as_json(),
                "thd_percent": one.tone.thd_percent.as_json(),
                "reading_seq": seq,
            }
            return result
        why, is_asked_again = f"At {volume} it is not clean.", False
        volume -= 1
    raise StepFailed("The source is clean at no volume: check what plays the tone")


def _stands(one: Reading, last: Reading | None) -> bool:
    """Tell whether a level is that of a captured one."""
    if one.volts_rms is None or last is None or last.volts_rms is None:
        return False
    return abs(db_from_ratio(one.volts_rms.value / last.volts_rms.value)) < NEW_LEVEL_DB


def _describe(
    result: dict[str, Any],
    ended: str,
    climb: VolumeClimb,
    second: SecondTone,
    top: int,
    plan: JobPlan,
) -> None:
    """Add the curves, what they say, and what set the limit; the first tone is clean at ``top``."""
    curve, loss = climb.curve, second.loss
    first = judge_curve(steps_of(curve[climb.noisy :] or curve), plan.limit_percent)
    limited_by = ended
    if second.curve and second.clean < top:
        limited_by = "clipping"
        result["limited_tone_hz"] = second.tone_hz
    elif ended == "range" and first.fixed:
        limited_by = "fixed"
    elif ended == "range" and first.limited_from is not None:
        limited_by = "limiter"
    held = held_from(steps_of(second.curve), plan.limit_percent)
    limited_from = min(filter(None, (first.limited_from, held)), default=None)
    result |= {
        "limited_by": limited_by,
        "curve": _curve_json(curve),
        "second_tone_hz": second.tone_hz if second.curve else None,
        "second_curve": _curve_json(second.curve),
        "step_db": first.step_db,
        "repeated": list(first.repeated),
        "missed": [list(pair) for pair in first.missed],
        "fixed": first.fixed,
        "limited_from": limited_from,
        "limited_volts_rms": first.limited_volts_rms,
        "bass_withdrawn_db": None if loss is None else loss.most_db,
        "bass_withdrawn_from": None if loss is None else loss.from_volume,
        "bass_kept_to": None if loss is None else loss.kept_to,
        "words": _words(result, limited_by, first, loss, second, held),
    }


def _words(
    result: dict[str, Any],
    limited_by: str,
    first: VolumeCurve,
    loss: BassLoss | None,
    second: SecondTone,
    held: int | None,
) -> list[str]:
    words = [f"Highest clean volume {result['volume']}: {result['volts_rms']['value']:.2f} V."]
    if "limited_tone_hz" in result:
        words.append(
            f"At {second.tone_hz:.0f} Hz it clips earlier than at {result['tone_hz']:g} Hz."
        )
    words += first.sentences()
    if limited_by == "limiter" and first.limited_volts_rms is not None:
        words.append(f"It is held at {first.limited_volts_rms:.2f} V, and stays clean there.")
    if loss is not None and loss.withdrawn:
        words.append(
            f"Bass is withdrawn from volume {loss.from_volume} on, by up to {loss.most_db:.1f} dB."
        )
    if held is not None and first.limited_from is None and not first.fixed:
        words.append(
            f"At {second.tone_hz:.0f} Hz the level no longer follows the volume from {held} on."
        )
    if not second.curve:
        words.append(f"{second.tone_hz:.0f} Hz is not heard on this tap and was not checked.")
    return words


def _curve_json(curve: tuple[CurvePoint, ...]) -> list[dict[str, Any]]:
    return [
        {"volume": p.volume, "volts_rms": p.volts_rms, "thd_percent": p.thd_percent} for p in curve
    ]
