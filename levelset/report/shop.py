"""The page for the shop: everything that a record holds, in the order of the work."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from levelset.probe.budget import BudgetLine, budget_lines
from levelset.record.journal import Line
from levelset.record.schema import to_data
from levelset.report.dossier import Dossier, Step
from levelset.report.evidence import stored_budget, volts_of
from levelset.report.figures import (
    Evidence,
    Figure,
    evidence_of,
    reading_text,
    step_figures,
    without_curves,
)
from levelset.report.headline import Mood, State, headline
from levelset.report.values import Field, fields_of, value_text
from levelset.report.words import OUTCOMES, about_words, procedure_words, time_text

OF_SOURCE = (
    "tap_check",
    "which_wire",
    "two_taps",
    "output_kind",
    "response",
    "noise",
    "clean_volume",
    "processor",
    "input_match",
)
OF_PROBE = ("input_level", "path_check", "calibrate", "battery_touch", "probe_check")
FIRST = ("checklist", "supply_voltage")
MOODS: dict[str, Mood] = {"accepted": "good", "limited": "note", "skipped": "open"}
PLACED = frozenset(
    ("job", "caution", "answer", "calibration", "probe_check", "tone", "step", "note")
    + ("reading", "touch", "stretch")
)
"""Kinds of lines that have a place of their own on the page; all others are listed."""
ENTRIES = {"attachment": "Photograph", "removal": "Photograph taken out"}
SMALLEST_SHARE = 0.05
"""Shares of a variance below it are not listed, %."""


@dataclass(frozen=True, slots=True)
class StepView:
    """One step as it is shown.

    Parameters
    ----------
    title, about, time : str
        What it was, of which channel, when.
    state : State
        How it ended.
    sentence : str
        What the procedure said.
    fields : tuple of Field
        Its result.
    figures : tuple of Figure
        Its pictures.
    evidence : Evidence or None
        The reading behind it.
    """

    title: str
    about: str
    time: str
    state: State
    sentence: str
    fields: tuple[Field, ...]
    figures: tuple[Figure, ...]
    evidence: Evidence | None


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One accepted reading in the list of all.

    Parameters
    ----------
    seq : int
        Its line.
    time, what, text : str
        When, what it was for, what it says.
    marks : str
        What to know about it.
    """

    seq: int
    time: str
    what: str
    text: str
    marks: str


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """Where the uncertainty of one voltage comes from.

    Parameters
    ----------
    what, volts, percent : str
        Which voltage, with its uncertainty, absolute and relative.
    parts : str
        Shares of its variance, the largest first.
    """

    what: str
    volts: str
    percent: str
    parts: str


def shop_page(dossier: Dossier) -> dict[str, Any]:
    """Return the values of the full page by the names that its template uses."""
    channels = {channel.name for channel in dossier.plan.channels}
    shown = {*OF_SOURCE, *OF_PROBE, *FIRST, "verify"}
    return {
        "plan": dossier.plan,
        "plan_fields": _plan_fields(dossier),
        "first_steps": _views(dossier, (s for name in FIRST for s in dossier.steps_of(name))),
        "source_steps": _views(
            dossier,
            (s for name in OF_SOURCE for s in dossier.steps_of(name) if s.data.channel is None),
        ),
        "channels": [
            (
                line,
                _views(
                    dossier,
                    (s for s in dossier.steps if s.data.channel == line.name and not s.superseded),
                ),
            )
            for line in (headline(dossier, channel) for channel in dossier.plan.channels)
        ],
        "verify_steps": _views(dossier, dossier.steps_of("verify")),
        "other_steps": _views(
            dossier,
            (
                s
                for s in dossier.steps
                if not s.superseded
                and s.data.channel not in channels
                and not (s.data.procedure in shown and s.data.channel is None)
            ),
        ),
        "probe_steps": _views(dossier, (s for n in OF_PROBE for s in dossier.steps_of(n))),
        "calibrations": _calibrations(dossier),
        "scale_budget": _scale_budget(dossier),
        "budgets": _budgets(dossier),
        "cautions": _cautions(dossier),
        "answers": [(line, _where(line)) for line in dossier.of_kind("answer")],
        "remarks": list(dossier.of_kind("note")),
        "entry_words": ENTRIES,
        "entries": [
            (line, fields_of(line.data)) for line in dossier.lines if line.kind not in PLACED
        ],
        "steps": _all_steps(dossier),
        "readings": _readings(dossier),
        "lines": len(dossier.lines),
        "time_text": time_text,
        "answer_text": lambda data: value_text(data.get("value"), str(data.get("unit") or "")),
    }


def _views(dossier: Dossier, steps: Iterable[Step]) -> list[StepView]:
    return [_view(dossier, step) for step in steps]


def _view(dossier: Dossier, step: Step) -> StepView:
    data, figures = step.data, step_figures(dossier, step)
    hidden = ("curve", "second_curve", "words") if figures else ()
    result = {k: v for k, v in without_curves(data.result).items() if k not in hidden}
    drawn = data.procedure in ("gain", "processor", "clean_volume") and data.done
    return StepView(
        title=procedure_words(data.procedure),
        about=data.channel or "",
        time=time_text(step.time),
        state=State(MOODS.get(data.outcome, "bad"), OUTCOMES.get(data.outcome, data.outcome)),
        sentence=data.sentence,
        fields=fields_of(result),
        figures=figures,
        evidence=evidence_of(dossier, step, full=True) if drawn else None,
    )


def _plan_fields(dossier: Dossier) -> tuple[Field, ...]:
    """Return everything of the plan that has no table of its own."""
    data = to_data(dossier.plan)
    return fields_of(
        {
            k: v
            for k, v in data.items()
            if k not in ("vehicle", "invented", "channels", "unconfirmed")
        }
    )


def _calibrations(dossier: Dossier) -> list[tuple[int, tuple[Field, ...]]]:
    """Return every calibration; one that a touch has only completed stands for both."""
    shown: dict[tuple[Field, ...], int] = {}
    for seq, made in dossier.calibrations.items():
        data = to_data(made)
        for key in ("scale_budget", "evidence", "dc"):
            data.pop(key)
        shown[fields_of(data)] = seq
    return [(seq, found) for found, seq in shown.items()]


def _scale_budget(dossier: Dossier) -> tuple[BudgetLine, ...]:
    made = list(dossier.calibrations.values())
    return budget_lines(made[-1].scale_budget) if made else ()


def _budgets(dossier: Dossier) -> list[BudgetRow]:
    rows = []
    feeding = {"clean_volume": "source", "processor": "processor"}
    for procedure in (*feeding, "gain"):
        for step in dossier.steps_of(procedure):
            named = dossier.reading_of(step.result)
            if named is None or not step.data.done:
                continue
            _, reading = named
            budget = stored_budget(reading, dossier.calibrations.get(reading.calibration_seq or 0))
            volts = volts_of(reading)
            if budget is None or volts is None or not volts.value > 0.0:
                continue
            lines = budget_lines(budget)
            rows.append(
                BudgetRow(
                    step.data.channel or feeding.get(procedure, ""),
                    f"{volts.text()} RMS",
                    f"± {100.0 * volts.u / volts.value:.2g} %",
                    ", ".join(
                        f"{one.name} {one.share_percent:.1f} %"
                        for one in lines
                        if one.share_percent >= SMALLEST_SHARE
                    ),
                )
            )
    return rows


def _cautions(dossier: Dossier) -> list[tuple[str, str]]:
    """Return every caution that was acknowledged, with where, each text once."""
    where: dict[str, list[str]] = {}
    for line in dossier.of_kind("caution"):
        where.setdefault(str(line.data.get("text")), []).append(_where(line))
    return [(text, ", ".join(dict.fromkeys(places))) for text, places in where.items()]


def _where(line: Line) -> str:
    return about_words(str(line.data.get("procedure")), line.data.get("channel"))


def _all_steps(dossier: Dossier) -> list[tuple[Step, str, str, str]]:
    return [
        (
            step,
            about_words(step.data.procedure, step.data.channel),
            OUTCOMES.get(step.data.outcome, step.data.outcome),
            "superseded" if step.superseded else "",
        )
        for step in dossier.steps
    ]


def _readings(dossier: Dossier) -> list[ReadingRow]:
    used = {
        seq
        for step in dossier.steps
        if not step.superseded
        for key, seq in _seqs(step.result)
        if key.endswith("_seq")
    }
    rows = []
    for line in dossier.lines:
        if line.kind not in ("reading", "touch", "stretch"):
            continue
        reading = dossier.readings.get(line.seq)
        text = _other_text(line) if reading is None else reading_text(reading)
        marks = ["counts"] if line.seq in used else []
        if line.seq in dossier.unconfirmed:
            marks.append("UNCONFIRMED")
        what = str(line.data.get("as_what")).replace("_", " ")
        channel = line.data.get("channel")
        what = what if channel is None else f"{channel}: {what}"
        rows.append(ReadingRow(line.seq, line.time[11:19], what, text, ", ".join(marks)))
    return rows


def _seqs(value: object) -> Iterable[tuple[str, int]]:
    if isinstance(value, dict):
        for key, part in value.items():
            if isinstance(part, int):
                yield key, part
            else:
                yield from _seqs(part)
    elif isinstance(value, list):
        for part in value:
            yield from _seqs(part)


def _other_text(line: Line) -> str:
    """Return what a touch or a stretch says: DC volts of tips and pair, or what was analysed."""
    parts = []
    for one in line.data.get("readings") or []:
        if not isinstance(one, dict):
            continue
        channel = one.get("channel")
        name = "tip A" if channel == 1 else "tip B" if channel == 2 else str(channel)
        if one.get("void"):
            parts.append(f"{name} void: {one.get('void_reason') or one['void']}")
        elif "volts" in one:
            parts.append(f"{name} {value_text(one['volts'], 'V')} DC")
        elif "analysis" in one:
            parts.append(f"{value_text(one['analysis'], '')} of all tips")
    return "; ".join(parts)
