"""The response of a source: what its equaliser and filters do, and whether bass is withdrawn."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from levelset.analysis.response import ResponseReading
from levelset.ports.base import Point
from levelset.probe.stretch_reading import StretchReading, StretchSpec, plain
from levelset.procedures import cautions
from levelset.procedures.common import (
    Steps,
    place_tips,
    set_volume,
    start_engine,
    start_tone,
    stop_tone,
)
from levelset.procedures.protocol import Accept, Acknowledge, Act, Ask, Compute, Finish, Procedure
from levelset.procedures.stretching import (
    let_settle,
    listen_once,
    listen_until_good,
    stretch_spec,
    whole_periods_s,
)
from levelset.signals.catalogue import RESPONSE, RESPONSE_PEAK_DBFS
from levelset.signals.multitone import response_tones
from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from levelset.analysis.response_change import ResponseChange
    from levelset.plan.job import JobPlan
    from levelset.probe.reading import OutputKind
    from levelset.procedures.facts import Facts
    from levelset.signals.multitone import PeriodicTones

FRACTION = 3
PERIODS, MOST_PERIODS = 4, 16
"""Periods that are heard, and at most where noise leaves places uncertain."""
QUIET_BELOW = 8
"""The quiet volume is at least so many numbers below the loud one, where there are as many."""
CLEAR_DB = 0.1
"""Median uncertainty of the curve up to which a volume is not too low, dB."""
SURE_DB, DEEP_DB = 0.25, 40.0
"""The same of every place that is not deeper than so much below the highest, dB."""
STEP_DB = 2.0
"""Of a volume whose steps are not known (common practice, no source)."""
LOUDER_STEPS, MOST_RAISES = 5, 3
"""By so many numbers at most the volume goes up where it is, and how often."""


def response_track() -> PeriodicTones:
    """Return the track of many tones."""
    return response_tones("response", RESPONSE, RESPONSE_PEAK_DBFS)


def response(plan: JobPlan, facts: Facts) -> Procedure:
    """Read the response at a low volume and at the clean volume, and say what it is.

    Without a clean volume only the low one is read.
    """
    if facts.calibration is None:
        yield Finish("skipped", "The probe is not calibrated yet.", {})
        return
    kind = facts.output_kind(None)
    clean = facts.result("clean_volume", None)
    loud_volume = None if clean is None else int(clean["volume"])
    if loud_volume is not None and clean is not None and clean.get("limited_from") is not None:
        # A limiter at work has no response: it changes with the signal.
        loud_volume = min(loud_volume, int(clean["limited_from"]) - 1)
    quiet_volume = plan.source.start_volume
    if loud_volume is not None:
        quiet_volume = max(1, min(quiet_volume, loud_volume - QUIET_BELOW))
    yield Acknowledge(cautions.HEARING)
    yield from start_engine(facts)
    yield from place_tips(
        "tip A on the positive and tip B on the negative wire of the source's tap",
        Point("source", "positive"),
        Point("source", "negative"),
    )
    yield from set_volume(quiet_volume)
    yield from start_tone(response_track(), plan)
    yield from let_settle(kind)
    most, step_db = plan.source.max_volume, STEP_DB
    if clean is not None and loud_volume is not None:
        # Filters are told where no bass is withdrawn yet.
        most = min(loud_volume - QUIET_BELOW, int(clean.get("bass_kept_to") or loud_volume))
        step_db = float(clean["step_db"] or STEP_DB)
    quiet, quiet_found = yield from _read_quiet(quiet_volume, most, step_db, kind)
    quiet_volume = quiet["volume"]
    loud: dict[str, Any] | None = None
    loud_found: ResponseReading | None = None
    if loud_volume is not None and loud_volume > quiet_volume:
        yield from set_volume(loud_volume)
        loud, loud_found = yield from _read(loud_volume, kind)
    yield from stop_tone(plan)
    filters, words = yield Compute(
        "The filters that explain the curve are looked for: up to half a minute.",
        partial(_described, quiet_found),
    )
    change = _change(quiet_found, loud_found)
    words += _change_words(change, quiet_volume, loud_volume)
    words.append(_distortion_words(loud_found or quiet_found, loud_volume or quiet_volume))
    yield Finish(
        "accepted",
        " ".join(words),
        {
            "words": words,
            "quiet": quiet,
            "loud": loud,
            "filters": filters,
            "change": None if change is None else _change_json(change),
        },
    )


def _read_quiet(volume: int, most: int, step_db: float, kind: OutputKind) -> Steps:
    """Read at a low volume, and at higher ones up to ``most`` while noise covers the tones."""
    for _ in range(MOST_RAISES):
        if volume >= most:
            break
        reading: StretchReading = yield from listen_once(_spec(kind), _hold(volume))
        louder = _louder_steps(reading.found, step_db)
        if louder == 0:
            return (yield from _accept(reading, volume))
        volume = min(volume + louder, most)
        yield from set_volume(volume)
    return (yield from _read(volume, kind))


def _short_db(found: Any) -> float | None:
    """Return by how much tones are too weak beside noise, dB; None where there is no curve."""
    if not isinstance(found, ResponseReading) or found.bands is None:
        return None
    level_db, u_db = found.bands.level_db, found.bands.u_db
    worst_db = float(u_db[level_db > level_db.max() - DEEP_DB].max())
    return db_from_ratio(max(float(np.median(u_db)) / CLEAR_DB, worst_db / SURE_DB))


def _louder_steps(found: Any, step_db: float) -> int:
    """Return by how many numbers a curve is too low; the uncertainty goes with the level."""
    short_db = _short_db(found)
    if short_db is None:
        return LOUDER_STEPS
    return min(max(math.ceil(short_db / max(step_db, 0.5)), 0), LOUDER_STEPS)


def _read(volume: int, kind: OutputKind) -> Steps:
    """Read at a volume, and again for longer where noise leaves places uncertain."""
    reading: StretchReading = yield from listen_until_good(_spec(kind), _hold(volume))
    short_db = _short_db(reading.found) or 0.0
    if short_db > 0.0:
        # Noise falls with the root of the time.
        periods = min(math.ceil(PERIODS * 10.0 ** (0.1 * short_db)), MOST_PERIODS)
        spec = _spec(kind, periods + periods % 2)
        longer: StretchReading = yield from listen_once(
            spec,
            f"Hold the tips still for {spec.seconds:.0f} s: at volume {volume} noise is near the "
            "weakest tones.",
        )
        if longer.void is None:
            reading = longer
    return (yield from _accept(reading, volume))


def _spec(kind: OutputKind, periods: int = PERIODS) -> StretchSpec:
    return stretch_spec(
        "response",
        whole_periods_s(response_track().period_s, periods),
        kind,
        peak_dbfs=RESPONSE_PEAK_DBFS,
        fraction=FRACTION,
    )


def _hold(volume: int) -> str:
    return f"Hold the tips still: the response at volume {volume}."


def _accept(reading: StretchReading, volume: int) -> Steps:
    found = reading.found
    assert isinstance(found, ResponseReading)
    seq: int = yield Accept(reading, "response", {"volume": volume})
    yield Ask(f"The response at volume {volume}.", Act("wait"), shows_reading=True)
    parts = plain(found)
    kept = ("bands", "fraction", "even_percent", "odd_percent", "noise_dbfs")
    return {"volume": volume, "stretch_seq": seq, **{key: parts[key] for key in kept}}, found


def _described(found: ResponseReading) -> tuple[Any, list[str]]:
    from levelset.analysis.response_fit import fit_response
    from levelset.analysis.response_words import response_words

    assert found.tones is not None
    fitted = fit_response(found.tones)
    return plain(fitted), list(response_words(fitted, found.tones))


def _change(quiet: ResponseReading, loud: ResponseReading | None) -> ResponseChange | None:
    from levelset.analysis.response_change import response_change

    if loud is None or quiet.tones is None or loud.tones is None:
        return None
    return response_change(quiet.tones, loud.tones)


def _change_words(
    change: ResponseChange | None, quiet_volume: int, loud_volume: int | None
) -> list[str]:
    if change is None or change.bass_db is None or change.bass_hz is None:
        return ["Whether bass is withdrawn at a higher volume was not seen."]
    if change.bass_withdrawn:
        return [
            f"Bass is withdrawn as the volume rises: {change.bass_db.text()} at "
            f"{change.bass_hz:.0f} Hz from volume {quiet_volume} to {loud_volume}."
        ]
    return [f"The same at volume {quiet_volume} and {loud_volume}: no bass is withdrawn."]


def _distortion_words(found: ResponseReading, volume: int) -> str:
    even, odd = found.even_percent, found.odd_percent
    if even is None or odd is None:
        return ""
    return (
        f"Between the tones at volume {volume}: distortion of even order "
        f"{_bounded(even.value, even.u)}, of odd order {_bounded(odd.value, odd.u)}."
    )


def _bounded(value: float, u: float) -> str:
    return f"{value:.2g} %" if value > u else f"under {value + u:.1g} %"


def _change_json(change: ResponseChange) -> dict[str, Any]:
    return {
        "volume_db": change.volume_db,
        "bass_db": None if change.bass_db is None else change.bass_db.as_json(),
        "bass_hz": change.bass_hz,
        "bass_withdrawn": change.bass_withdrawn,
        "points": [
            {"frequency_hz": hz, "level_db": {"value": db, "u": u}}
            for hz, db, u in zip(
                change.frequency_hz.tolist(),
                change.change_db.tolist(),
                change.u_db.tolist(),
                strict=True,
            )
        ],
    }
