"""What one job measured, one item each, so that two jobs can be compared."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from levelset.quantity import Quantity
from levelset.record.comparison import is_number
from levelset.record.schema import quantity_from
from levelset.report.dossier import Dossier, Step
from levelset.report.evidence import stored_budget
from levelset.report.figures import curves_in
from levelset.report.values import HIDDEN, REFERENCES, label_and_unit
from levelset.report.words import about_words

if TYPE_CHECKING:
    from levelset.probe.calibration import Calibration
    from levelset.probe.uncertainty import Component

SET_UP = frozenset(
    ("calibrate", "battery_touch", "probe_check", "path_check", "input_level", "checklist")
)
"""Steps about the instrument or about answers: they say nothing about levels of the vehicle."""
OWN_WAY = frozenset(("gain", "verify", "clean_volume", "processor"))
OF_THE_GAIN = frozenset(
    ("channel", "volts_rms", "set_volts_rms", "thd_percent", "deviation_db", "limited_by")
)
"""Values of a verified channel that are compared as its voltage, or repeat the gain step."""
OF_THE_PLAYER = frozenset(("clock_ppm",))
"""What belongs to the player of the tracks, not to a level."""
WORD = re.compile(r"[a-z]+(_[a-z]+)*")

Curve = tuple[tuple[float, ...], tuple[Quantity, ...]]
"""Frequencies, Hz, and levels, dB."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that was measured.

    Parameters
    ----------
    key : tuple of str
        What makes it the same thing in another job.
    what : str
        The same in words, such as ``bass: voltage``.
    channel : str or None
        Amplifier channel; None for the source or the whole system.
    value : Quantity or str or Curve
        The measured value: a number, a word, or levels over frequency.
    seq : int
        Line of the step that it comes from.
    conditions : dict of str to (float, str)
        Values with their unit that must be the same for a comparison, such as target and tone.
    budget : tuple of Component
        What makes up the uncertainty of a voltage, relative to it; empty where only the total is
        known.
    calibration : Calibration or None
        The one it was read with, where that is known.
    unconfirmed : bool
        Whether the probe's scale had changed when it was checked.
    """

    key: tuple[str, ...]
    what: str
    channel: str | None
    value: Quantity | str | Curve
    seq: int
    conditions: dict[str, tuple[float, str]] = field(default_factory=dict)
    budget: tuple[Component, ...] = ()
    calibration: Calibration | None = None
    unconfirmed: bool = False


def snapshot(dossier: Dossier, *, first: bool) -> dict[tuple[str, ...], Item]:
    """Return what a job measured, by key.

    Parameters
    ----------
    dossier : Dossier
        The job.
    first : bool
        Whether the first measurement of each thing counts (the baseline of a job that was taken
        up again) instead of the newest.
    """
    steps = [step for step in dossier.steps if step.data.done]
    if not first:
        steps.reverse()
    chosen: dict[tuple[str, str | None], Step] = {}
    for step in steps:
        chosen.setdefault((step.data.procedure, step.data.channel), step)
    items = list(_of_source(dossier, chosen.get(("clean_volume", None))))
    items += _of_processor(dossier, chosen.get(("processor", None)))
    verify = chosen.get(("verify", None))
    for channel in dossier.plan.channels:
        gain = chosen.get(("gain", channel.name))
        if gain is not None:
            items += _of_channel(dossier, channel.name, gain, verify, first)
    for (procedure, name), step in sorted(chosen.items(), key=lambda one: one[1].seq):
        if procedure not in SET_UP | OWN_WAY:
            what = about_words(procedure, name)
            items += _of_step(step, step.result, (procedure, name or ""), what, "", {})
    return {item.key: item for item in items}


def _of_source(dossier: Dossier, step: Step | None) -> Iterator[Item]:
    if step is None:
        return
    result = step.result
    conditions = {"highest volume": (float(dossier.plan.source.max_volume), "")}
    tone = result.get("tone_hz")
    if is_number(tone):
        conditions["tone"] = (float(tone), "Hz")
    volume = result.get("volume")
    if is_number(volume):
        value = Quantity(float(volume), 0.0, "")
        what = "source: clean volume"
        yield Item(("clean_volume", "volume"), what, None, value, step.seq, conditions)
        conditions = {**conditions, "clean volume": (float(volume), "")}
    yield from _voltage(dossier, step, result, "volts_rms", "source", None, conditions)


def _of_processor(dossier: Dossier, step: Step | None) -> Iterator[Item]:
    if step is None:
        return
    conditions = {}
    tone, volume = step.result.get("tone_hz"), step.result.get("volume")
    if is_number(tone):
        conditions["tone"] = (float(tone), "Hz")
    if is_number(volume):
        conditions["clean volume"] = (float(volume), "")
    clip = quantity_from(step.result.get("clip_volts_rms"), "V")
    if clip is not None:
        yield Item(("processor", "clip"), "processor: onset of clipping", None, clip, step.seq)
    yield from _voltage(dossier, step, step.result, "volts_rms", "processor", None, conditions)


def _of_channel(
    dossier: Dossier, channel: str, gain: Step, verify: Step | None, first: bool
) -> Iterator[Item]:
    conditions = {}
    target = gain.result.get("target_volts_rms")
    if is_number(target):
        conditions["target"] = (float(target), "V")
    clip = quantity_from(gain.result.get("clip_volts_rms"), "V")
    if clip is not None:
        what = f"{channel}: onset of clipping"
        yield Item(("clip", channel), what, channel, clip, gain.seq)
    row = _row_of(verify, channel)
    if verify is not None and row is not None:
        rest = {key: value for key, value in row.items() if key not in OF_THE_GAIN}
        what = f"{channel}: verification"
        yield from _of_step(verify, rest, ("verify", channel), what, "", {})
    # As it was set is the baseline; how it was found last is the newest.
    found_last = verify is not None and not first and verify.seq > gain.seq
    if verify is not None and row is not None and found_last and row.get("volts_rms"):
        yield from _voltage(dossier, verify, row, "volts_rms", channel, channel, conditions)
    else:
        yield from _voltage(
            dossier, gain, gain.result, "set_volts_rms", channel, channel, conditions
        )


def _row_of(verify: Step | None, channel: str) -> dict[str, Any] | None:
    rows = [] if verify is None else verify.result.get("channels", [])
    return next((r for r in rows if isinstance(r, dict) and r.get("channel") == channel), None)


def _voltage(
    dossier: Dossier,
    step: Step,
    result: dict[str, Any],
    key: str,
    name: str,
    channel: str | None,
    conditions: dict[str, tuple[float, str]],
) -> Iterator[Item]:
    """Yield a voltage and its THD, with what their reading says about their uncertainty."""
    named = dossier.reading_of(result)
    budget: tuple[Component, ...] = ()
    calibration, unconfirmed = None, False
    if named is not None:
        seq, reading = named
        calibration = dossier.calibrations.get(reading.calibration_seq or 0)
        unconfirmed = seq in dossier.unconfirmed
        budget = stored_budget(reading, calibration) or ()
        if "tone" not in conditions and reading.spec.expected_hz is not None:
            conditions = {**conditions, "tone": (reading.spec.expected_hz, "Hz")}
    volts = quantity_from(result.get(key), "V")
    if volts is not None:
        yield Item(
            ("voltage", name),
            f"{name}: voltage",
            channel,
            volts,
            step.seq,
            conditions,
            budget,
            calibration,
            unconfirmed,
        )
    thd = quantity_from(result.get("thd_percent"), "%")
    if thd is not None:
        yield Item(("thd", name), f"{name}: THD", channel, thd, step.seq, conditions)


def _of_step(
    step: Step,
    value: object,
    key: tuple[str, ...],
    what: str,
    unit_above: str,
    conditions: dict[str, tuple[float, str]],
) -> Iterator[Item]:
    """Yield every quantity, word and curve of a result, whatever step wrote it."""
    if not isinstance(value, dict) or value.get("below") is True:
        return
    volume = value.get("volume")
    if is_number(volume):
        conditions = {**conditions, "volume": (float(volume), "")}
    for name, part in value.items():
        if name in HIDDEN | OF_THE_PLAYER or name.endswith(REFERENCES):
            continue
        label, unit = label_and_unit(name)
        unit = unit or unit_above
        here, words = (*key, name), f"{what}, {label}"
        quantity = quantity_from(part, unit)
        if quantity is not None:
            yield Item(here, words, step.data.channel, quantity, step.seq, conditions)
        elif isinstance(part, str) and WORD.fullmatch(part):
            text = part.replace("_", " ")
            yield Item(here, words, step.data.channel, text, step.seq, conditions)
        elif isinstance(part, dict):
            yield from _of_step(step, part, here, words, unit, conditions)
        elif isinstance(part, list):
            for _, hz, levels in curves_in(part):
                curve = (tuple(hz), tuple(levels))
                yield Item(here, words, step.data.channel, curve, step.seq, conditions)
