"""The data of each kind of journal line; `schema.py` names the kinds and their versions.

Fields that are lists or objects of another room are that room's own dataclasses, so that plan,
calibration and specifications cannot drift from what is stored.
"""

from __future__ import annotations

from typing import Any, Literal

import msgspec

from levelset.plan.job import JobPlan
from levelset.probe.reading import Frames, ToneSpec
from levelset.probe.stretch_reading import StretchSpec
from levelset.probe.touch_reading import StepSpec


class LineData(msgspec.Struct, forbid_unknown_fields=True):
    """Base of the data of one kind."""


class JobData(LineData):
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


class CautionData(LineData):
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


class AnswerData(LineData):
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


class ReadingData(LineData):
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


class TouchData(LineData):
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


class StretchData(LineData):
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


class StepData(LineData):
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


class ToneData(LineData, rename={"who": "from"}):
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


class ProbeCheckData(LineData):
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


class NoteData(LineData):
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


class AttachmentData(LineData):
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


class RemovalData(LineData):
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
