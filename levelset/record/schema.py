"""What is stored: the kinds of journal lines, their data and their versions.

This is the only definition. A line is checked against it before it is written; what is read back
is converted by the same types. Fields that are lists or objects of another room are that room's
own dataclasses, so that plan, calibration and tone specification cannot drift from what is stored.
"""

from __future__ import annotations

from typing import Any, Literal, TypeVar

import msgspec

import levelset
from levelset.errors import DamageError, InputError
from levelset.plan.job import JobPlan
from levelset.probe.calibration import Calibration
from levelset.probe.reading import Frames, ToneSpec
from levelset.probe.stretch_reading import StretchSpec
from levelset.probe.touch_reading import StepSpec
from levelset.quantity import Quantity

ANALYSIS_VERSION = 2
"""Raised whenever the analysis may give other numbers for the same capture."""

JOB_SCHEMA = 2


class _Data(msgspec.Struct, forbid_unknown_fields=True):
    """Base of the data of one kind."""


class JobData(_Data):
    """First line: what the job is.

    Parameters
    ----------
    title : str
        What a person calls the job.
    levelset : str
        Version of levelset that began it.
    analysis : int
        Version of the analysis behind its numbers.
    plan : JobPlan
        What was known before measuring.
    """

    title: str
    levelset: str
    analysis: int
    plan: JobPlan


class CautionData(_Data):
    """A caution that was shown and acknowledged.

    Parameters
    ----------
    procedure : str
        Procedure in which it happened.
    channel : str or None
        Amplifier channel; None for the source or the whole job.
    key : str
        Short name of the caution.
    text : str
        Its words, as they were shown.
    """

    procedure: str
    channel: str | None
    key: str
    text: str


class AnswerData(_Data):
    """A question and what the person answered.

    Parameters
    ----------
    procedure : str
        Procedure in which it happened.
    channel : str or None
        Amplifier channel; None for the source or the whole job.
    question : str
        Its words, as they were shown.
    value : str or float
        A number, or a word such as yes, no, done.
    unit : str
        Unit of a number, else empty.
    """

    procedure: str
    channel: str | None
    question: str
    value: str | float
    unit: str


class ReadingData(_Data):
    """An accepted reading: legs and pair as they were read, and the capture behind them.

    ``readings`` holds the READING objects of ``measure --json``: tip A, tip B, pair.

    Parameters
    ----------
    procedure : str
        Procedure in which it happened.
    channel : str or None
        Amplifier channel; None for the source or the whole job.
    as_what : str
        What it was taken for.
    frames : Frames
        Where in the stream it was.
    spec : ToneSpec
        What was listened for.
    calibration_seq : int or None
        Line of the calibration; None without one.
    capture : str
        SHA-256 of the FLAC file with the raw codes of all channels.
    readings : list
        READING objects: tip A, tip B, pair.
    details : dict
        What the procedure adds, such as the volume of the display.
    """

    procedure: str
    channel: str | None
    as_what: str
    frames: Frames
    spec: ToneSpec
    calibration_seq: int | None
    capture: str
    readings: list[dict[str, Any]]
    details: dict[str, Any]


class TouchData(_Data):
    """An accepted touch: legs and pair in DC volts, and the capture behind them.

    ``readings`` holds tip A, tip B, pair: volts, the step in full scale, and where the touch
    identified it the coupling of the input.

    Parameters
    ----------
    procedure : str
        Procedure in which it happened.
    channel : str or None
        Amplifier channel; None for the source or the whole job.
    as_what : str
        What it was taken for.
    frames : Frames
        Where in the stream it was.
    spec : StepSpec
        What was listened for.
    calibration_seq : int or None
        Line of the calibration; None without one.
    capture : str
        SHA-256 of the FLAC file with the raw codes of all channels.
    readings : list
        Tip A, tip B, pair: DC volts and the step in full scale.
    details : dict
        What the procedure adds.
    """

    procedure: str
    channel: str | None
    as_what: str
    frames: Frames
    spec: StepSpec
    calibration_seq: int | None
    capture: str
    readings: list[dict[str, Any]]
    details: dict[str, Any]


class StretchData(_Data):
    """An accepted stretch: what a named analysis found in it as a whole, and the capture behind it.

    ``readings`` holds one object: the analysis, what it found, and RMS volts per full scale.

    Parameters
    ----------
    procedure : str
        Procedure in which it happened.
    channel : str or None
        Amplifier channel; None for the source or the whole job.
    as_what : str
        What it was taken for.
    frames : Frames
        Where in the stream it was.
    spec : StretchSpec
        Which analysis, over how many seconds.
    calibration_seq : int or None
        Line of the calibration; None without one.
    capture : str
        SHA-256 of the FLAC file with the raw codes of all channels.
    readings : list
        One object: what the analysis found.
    details : dict
        What the procedure adds.
    """

    procedure: str
    channel: str | None
    as_what: str
    frames: Frames
    spec: StretchSpec
    calibration_seq: int | None
    capture: str
    readings: list[dict[str, Any]]
    details: dict[str, Any]


class StepData(_Data):
    """How a procedure ended; the newest step of a procedure and channel supersedes older ones.

    Parameters
    ----------
    procedure : str
        Procedure in which it happened.
    channel : str or None
        Amplifier channel; None for the source or the whole job.
    outcome : str
        How it ended.
    sentence : str
        The same in words.
    result : dict
        What came of it; ``reading_seq`` and the like name lines.
    cautions : list of str
        Short names of the cautions that were shown.
    """

    procedure: str
    channel: str | None
    outcome: Literal["accepted", "limited", "failed", "skipped", "aborted"]
    sentence: str
    result: dict[str, Any]
    cautions: list[str]

    @property
    def done(self) -> bool:
        """Whether the step reached an end that counts."""
        return self.outcome in ("accepted", "limited")


class ToneData(_Data, rename={"who": "from"}):
    """A tone that started or ended; ``from`` says whose it is.

    Parameters
    ----------
    who : str
        ``vehicle``, ``levelset``, or ``nobody`` where it ended.
    name : str or None
        Name of the test signal.
    level_dbfs : float or None
        Level of levelset's own output, dB re full scale.
    """

    who: str
    name: str | None
    level_dbfs: float | None


class ProbeCheckData(_Data):
    """The known voltage of a calibration, read again: whether the scale held since.

    ``start_seq`` and ``end_seq`` are the readings that were compared; ``change_percent`` has one
    entry per tip. A reading counts as unconfirmed when a check after it failed and none after it
    held.

    Parameters
    ----------
    calibration_seq : int
        Line of the calibration.
    start_seq, end_seq : int
        Readings that were compared.
    change_percent : list
        Change of each tip with its uncertainty, %.
    confirmed : bool
        Whether the scale held.
    text : str
        The same in words.
    """

    calibration_seq: int
    start_seq: int
    end_seq: int
    change_percent: list[dict[str, float]]
    confirmed: bool
    text: str


class NoteData(_Data):
    """A remark of the person; ``about`` is the line that it corrects or explains.

    Parameters
    ----------
    text : str
        The remark.
    about : int or None
        Line that it corrects or explains.
    """

    text: str
    about: int | None


class AttachmentData(_Data):
    """A photograph that was added, named by the SHA-256 of its bytes.

    ``name`` is what its file was called, ``about`` the line that it belongs to.

    Parameters
    ----------
    name : str
        What its file was called.
    media_type : str
        What it is, by its content.
    sha256 : str
        SHA-256 of the file in ``attachments``.
    size_bytes : int
        Its size.
    text : str
        What it shows; may be empty.
    about : int or None
        Line that it belongs to.
    """

    name: str
    media_type: Literal["image/jpeg", "image/png"]
    sha256: str
    size_bytes: int
    text: str
    about: int | None


class RemovalData(_Data):
    """A photograph that was taken out again: its file is gone, the line that named it stays.

    Parameters
    ----------
    attachment_seq : int
        Line of the photograph.
    text : str
        Why; may be empty.
    """

    attachment_seq: int
    text: str


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
    value: JobPlan | Calibration | ToneSpec | Frames | StepData | StepSpec | StretchSpec | _Data,
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
