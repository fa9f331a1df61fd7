"""What is stored: the kinds of journal lines, their data and their versions.

This is the only definition. A line is checked against it before it is written; what is read back
is converted by the same types (`line_data.py`, and the calibration's own).
"""

from __future__ import annotations

from typing import Any, TypeVar

import msgspec

import levelset
from levelset.errors import DamageError, InputError
from levelset.plan.job import JobPlan
from levelset.probe.calibration import Calibration
from levelset.probe.reading import Frames, ToneSpec
from levelset.probe.stretch_reading import StretchSpec
from levelset.probe.touch_reading import StepSpec
from levelset.quantity import Quantity
from levelset.record.line_data import (
    AnswerData,
    AttachmentData,
    CautionData,
    JobData,
    LineData,
    NoteData,
    ProbeCheckData,
    ReadingData,
    RemovalData,
    StepData,
    StretchData,
    ToneData,
    TouchData,
)

__all__ = [  # what stands in the module beside this one is part of the definition
    "AnswerData",
    "AttachmentData",
    "CautionData",
    "JobData",
    "NoteData",
    "ProbeCheckData",
    "ReadingData",
    "RemovalData",
    "StepData",
    "StretchData",
    "ToneData",
    "TouchData",
]

ANALYSIS_VERSION = 3
"""Raised whenever the analysis may give other numbers for the same capture."""

CORRECTED = {"response": (3, "hum and whine between the tones are told from distortion")}
"""Analyses of stretches that a version corrected, and how: numbers of earlier ones may be further
apart than their uncertainty."""

JOB_SCHEMA = 2

KINDS: dict[str, tuple[int, type[Any]]] = {
    "job": (JOB_SCHEMA, JobData),
    "caution": (1, CautionData),
    "answer": (1, AnswerData),
    "calibration": (1, Calibration),
    "reading": (1, ReadingData),
    "touch": (1, TouchData),
    "stretch": (1, StretchData),
    "step": (1, StepData),
    "tone": (1, ToneData),
    "note": (1, NoteData),
    "attachment": (1, AttachmentData),
    "removal": (1, RemovalData),
    "probe_check": (1, ProbeCheckData),
}
"""Version and data of every kind that this version of levelset writes.

A version is raised when the data get a field or lose one, so that an older levelset says that it
is too old. Lines of older versions stay readable: a new field has a default.
"""

EVIDENCE: dict[str, type[ReadingData] | type[TouchData] | type[StretchData]] = {
    "reading": ReadingData,
    "touch": TouchData,
    "stretch": StretchData,
}
"""Kinds with a capture from which the reading is computed again."""

T = TypeVar("T")


def job_data(title: str, plan: JobPlan) -> dict[str, Any]:
    """Return the data of a job's first line, written by this version of levelset."""
    return {
        "title": title,
        "levelset": levelset.__version__,
        "analysis": ANALYSIS_VERSION,
        "plan": to_data(plan),
    }


def note_data(text: str, about: int | None) -> dict[str, Any]:
    """Return the data of a remark."""
    return {"text": text, "about": about}


def to_data(
    value: JobPlan | Calibration | ToneSpec | Frames | StepData | StepSpec | StretchSpec | LineData,
) -> dict[str, Any]:
    """Return a plan, calibration, tone specification, frames or step as JSON values."""
    built: dict[str, Any] = msgspec.to_builtins(value)
    return built


def from_data(data: object, kind: type[T], where: str) -> T:
    """Convert stored JSON values, strictly.

    Parameters
    ----------
    data : object
        JSON values.
    kind : type
        What they must be, such as ``JobPlan``.
    where : str
        Where they come from, for the message.

    Raises
    ------
    DamageError
        If a field is missing, unknown, of the wrong type or out of range.
    """
    try:
        value = msgspec.convert(data, kind)
    except msgspec.ValidationError as error:
        raise _unusable(where, str(error)) from error
    # Dataclasses ignore fields they do not know; what would get lost is found by going back.
    extra = _lost(data, msgspec.to_builtins(value), "$")
    if extra:
        raise _unusable(where, f"unknown field {extra}")
    return value


def check_data(kind: str, data: dict[str, Any]) -> int:
    """Check the data of a line before it is written and return its schema version.

    Raises
    ------
    ValueError
        If the kind is unknown or the data are not what the kind holds.
    """
    if kind not in KINDS:
        raise ValueError(f"unknown kind of line {kind!r}")
    version, shape = KINDS[kind]
    try:
        from_data(data, shape, kind)
    except DamageError as error:
        raise ValueError(error.what) from error
    return version


def check_version(kind: str, schema: int) -> None:
    """Refuse a line whose known kind has a newer version than this levelset can read.

    Raises
    ------
    InputError
        If a newer levelset is needed.
    """
    if kind in KINDS and schema > KINDS[kind][0]:
        raise InputError(
            f"written by a newer levelset ({kind} version {schema}, this one reads up to "
            f"{KINDS[kind][0]})",
            "install a newer levelset to open this job; nothing was changed",
        )


def quantity_from(value: object, unit: str) -> Quantity | None:
    """Return a stored ``{"value": x, "u": u}`` as a quantity; None stays None."""
    if not isinstance(value, dict):
        return None
    try:
        return Quantity(float(value["value"]), float(value["u"]), unit)
    except (KeyError, TypeError, ValueError):
        return None


def _unusable(where: str, why: str) -> DamageError:
    return DamageError(f"{where}: {why}", "run `levelset job verify` on the job")


def _lost(data: object, kept: object, where: str) -> str:
    """Return the path of the first field of ``data`` that is not in ``kept``, else nothing."""
    if isinstance(data, dict) and isinstance(kept, dict):
        for key, item in data.items():
            if key not in kept:
                return f"{where}.{key}"
            found = _lost(item, kept[key], f"{where}.{key}")
            if found:
                return found
    elif isinstance(data, list | tuple) and isinstance(kept, list | tuple):
        for index, (item, other) in enumerate(zip(data, kept, strict=False)):
            found = _lost(item, other, f"{where}[{index}]")
            if found:
                return found
    return ""
