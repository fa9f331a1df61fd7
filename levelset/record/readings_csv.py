"""Accepted readings of many jobs as one table (RFC 4180), harmless when a spreadsheet opens it.

A spreadsheet takes a text that begins with ``= + - @``, a tab or a carriage return for a formula;
such texts get an apostrophe in front, and control characters become spaces. Numbers stay numbers.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from levelset.errors import DamageError, LevelsetError
from levelset.record.confirmation import unconfirmed_readings
from levelset.record.job import Job
from levelset.record.journal import Line

COLUMNS: dict[str, str] = {
    "job": "name of the job's folder",
    "vehicle": "vehicle, as in the plan",
    "invented": "yes for a demonstration",
    "seq": "line of the journal",
    "time": "when it was accepted, UTC",
    "kind": "reading (a tone), touch (DC) or stretch (an analysis of seconds)",
    "procedure": "procedure that asked for it",
    "channel": "amplifier channel; empty for the source",
    "as_what": "what it was taken for",
    "tip": "1, 2 or pair; empty for a stretch",
    "void": "why it is no number; empty for a number",
    "frequency_hz": "frequency of the tone, Hz",
    "volts_rms": "fundamental, V RMS",
    "volts_rms_total": "with harmonics, V RMS",
    "volts_dc": "DC of a touch, V",
    "level_dbfs": "level at the input, dB re full scale",
    "thd_percent": "harmonic distortion, %",
    "thd_n_percent": "distortion and noise, %",
    "crest_factor": "peak over RMS",
    "clipping": "clean, soft_clipping, hard_clipping or distorted",
    "calibration": "name of the calibration; empty where there was none",
    "unconfirmed": "yes where the scale had moved when it was checked afterwards",
    "capture": "SHA-256 of the raw samples",
}
"""Columns and what they hold; behind a measured number stands ``_u``, its 95 % uncertainty."""

MEASURED = (
    "frequency_hz",
    "volts_rms",
    "volts_rms_total",
    "volts_dc",
    "level_dbfs",
    "thd_percent",
    "thd_n_percent",
)
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def header() -> list[str]:
    """Return the names of the columns in their order."""
    names: list[str] = []
    for name in COLUMNS:
        names.append(name)
        if name in MEASURED:
            names.append(f"{name}_u")
    return names


def readings_csv(jobs: Sequence[Path]) -> tuple[str, list[LevelsetError]]:
    """Return every accepted reading of the jobs as a table with a header.

    Parameters
    ----------
    jobs : sequence of Path
        Folders of jobs.

    Returns
    -------
    table : str
        The readings, with the line ends of RFC 4180.
    errors : list of LevelsetError
        One for each job that is left out: it cannot be read, or it does not hold.
    """
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, header(), restval="")
    writer.writeheader()
    errors: list[LevelsetError] = []
    for path in jobs:
        try:
            rows = list(_rows(path))
        except LevelsetError as error:
            errors.append(error)
        else:
            writer.writerows(rows)
    return out.getvalue(), errors


def text_cell(value: object) -> str:
    """Return a text that no spreadsheet takes for a formula, on one line."""
    text = "" if value is None else str(value)
    flat = "".join(c if c.isprintable() else " " for c in text)
    return f"'{flat}" if text.startswith(_FORMULA) or flat.lstrip().startswith(_FORMULA) else flat


def _rows(path: Path) -> Iterator[dict[str, Any]]:
    job = Job.open(path, writable=False)
    if job.faults:
        raise DamageError(f"{path}: does not hold, {job.faults[0]}", "restore it from a copy")
    plan = job.plan()
    names = {seq: calibration.name for seq, calibration in job.calibrations()}
    unconfirmed = set(unconfirmed_readings(job.lines()))
    for line in job.lines():
        readings = line.data.get("readings")
        if "capture" not in line.data or not isinstance(readings, list):
            continue
        common = {
            "job": text_cell(path.resolve().name),
            "vehicle": text_cell(plan.vehicle),
            "invented": "yes" if plan.invented else "",
            "seq": line.seq,
            "time": text_cell(line.time),
            "kind": line.kind,
            "procedure": text_cell(line.data.get("procedure")),
            "channel": text_cell(line.data.get("channel")),
            "as_what": text_cell(line.data.get("as_what")),
            "calibration": text_cell(names.get(_seq(line), "")),
            "unconfirmed": "yes" if line.seq in unconfirmed else "",
            "capture": text_cell(line.data.get("capture")),
        }
        for reading in readings:
            if isinstance(reading, dict):
                yield {**common, **_numbers(line.kind, reading)}


def _seq(line: Line) -> int:
    seq = line.data.get("calibration_seq")
    return seq if isinstance(seq, int) else 0


def _numbers(kind: str, reading: dict[str, Any]) -> dict[str, Any]:
    clipping = reading.get("clipping")
    cells: dict[str, Any] = {
        "tip": "" if kind == "stretch" else text_cell(reading.get("channel")),
        "void": text_cell(reading.get("void")),
        "crest_factor": _number(reading.get("crest_factor")),
        "clipping": text_cell(clipping.get("state")) if isinstance(clipping, dict) else "",
    }
    for name in MEASURED:
        stored = reading.get("volts" if name == "volts_dc" else name)
        if isinstance(stored, dict):
            cells[name] = _number(stored.get("value"))
            cells[f"{name}_u"] = _number(stored.get("u"))
    return cells


def _number(value: object) -> float | str:
    return "" if isinstance(value, bool) or not isinstance(value, int | float) else value
