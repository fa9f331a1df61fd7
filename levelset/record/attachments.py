"""Remarks and photographs that a person adds to a job, and taking a photograph out again."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from levelset.errors import InputError, UsageError
from levelset.record.folder import is_sha256
from levelset.record.journal import JOURNAL, digest
from levelset.record.photograph import ENDINGS, LARGEST_BYTES, without_particulars
from levelset.record.schema import AttachmentData, NoteData, RemovalData, from_data, to_data

if TYPE_CHECKING:
    from levelset.record.findings import Findings
    from levelset.record.job import Job
    from levelset.record.journal import Line

ATTACHMENTS = "attachments"
LONGEST_NOTE = 4000
LONGEST_NAME = 80


@dataclass(frozen=True, slots=True)
class Attachment:
    """One photograph of a job.

    Parameters
    ----------
    seq : int
        Its line.
    data : AttachmentData
        What the line says.
    removed : bool
        Whether it was taken out again.
    """

    seq: int
    data: AttachmentData
    removed: bool


def add_note(job: Job, text: str, about: int | None = None) -> int:
    """Append a remark and return its sequence number.

    Raises
    ------
    UsageError
        If the text is empty, too long or not printable, or there is no line ``about``.
    """
    data = NoteData(_printable(text, "the remark", LONGEST_NOTE), _existing(job, about))
    return job.append("note", to_data(data))


def attach(job: Job, path: Path, text: str = "", about: int | None = None) -> int:
    """Add a photograph without its particulars and return the sequence number of its line.

    Raises
    ------
    UsageError
        If the text cannot be used, or there is no line ``about``.
    InputError
        If the file cannot be read or is no photograph, or the job cannot be written.
    """
    if text:
        text = _printable(text, "the text", LONGEST_NOTE)
    about = _existing(job, about)
    try:
        with open(path, "rb") as file:
            raw = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise InputError(f"{path}: {error.strerror or error}", "check the file") from error
    try:
        media_type, data = without_particulars(raw)
    except InputError as error:
        raise InputError(f"{path}: {error.what}", error.todo) from error
    sha256 = digest(data)
    job.store_file(ATTACHMENTS, f"{sha256}{ENDINGS[media_type]}", data)
    name = "".join(c if c.isprintable() else "_" for c in path.name)[-LONGEST_NAME:]
    line = AttachmentData(name, media_type, sha256, len(data), text, about)
    return job.append("attachment", to_data(line))


def remove_attachment(job: Job, seq: int, text: str = "") -> None:
    """Take a photograph out: a line says so, then its file goes. The chain holds on.

    Raises
    ------
    UsageError
        If that line is no photograph, or it is gone already.
    InputError
        If the job cannot be written.
    """
    there = {one.seq: one for one in attachments(job)}
    one = there.get(seq)
    if one is None or one.removed:
        left = ", ".join(str(s) for s, a in there.items() if not a.removed) or "none"
        raise UsageError(f"line {seq} is no photograph that is there", f"photographs: {left}")
    job.append("removal", to_data(RemovalData(seq, text)))
    same = [a for a in there.values() if a.data.sha256 == one.data.sha256 and not a.removed]
    if same == [one]:
        job.remove_file(ATTACHMENTS, file_name(one.data))


def attachments(job: Job) -> list[Attachment]:
    """Return every photograph of a job, oldest first."""
    removed = {line.data.get("attachment_seq") for line in job.lines() if line.kind == "removal"}
    return [
        Attachment(
            line.seq,
            from_data(line.data, AttachmentData, f"{JOURNAL} seq {line.seq}"),
            line.seq in removed,
        )
        for line in job.lines()
        if line.kind == "attachment"
    ]


def file_name(data: AttachmentData) -> str:
    """Return the name of a photograph's file in its folder."""
    return f"{data.sha256}{ENDINGS[data.media_type]}"


class AttachmentChecks:
    """Finds the file of every photograph that was not taken out.

    Parameters
    ----------
    findings : Findings
        Where faults go.
    """

    def __init__(self, findings: Findings) -> None:
        self._findings = findings
        self._there: dict[int, tuple[Line, AttachmentData]] = {}
        self._removed: set[int] = set()

    def attachment(self, line: Line, data: AttachmentData) -> None:
        """Keep a photograph for the end."""
        self._there[line.seq] = (line, data)

    def removal(self, line: Line, data: RemovalData) -> None:
        """Keep what was taken out."""
        if data.attachment_seq not in self._there:
            what = f"takes out seq {data.attachment_seq}, which is no photograph before it"
            self._findings.fault(line, what)
        self._removed.add(data.attachment_seq)

    def finish(self) -> int:
        """Look for the files; return how many hold."""
        folder = self._findings.path / ATTACHMENTS
        held = 0
        named = set()
        for seq, (line, data) in self._there.items():
            if not is_sha256(data.sha256):
                self._findings.fault(line, f"{data.sha256!r} is not the name of a photograph")
                continue
            if seq in self._removed:
                continue
            name = file_name(data)
            named.add(name)
            place, by = f"{ATTACHMENTS}/{name}", f"named by {self._findings.place(line)}"
            try:
                found = digest((folder / name).read_bytes())
            except FileNotFoundError:
                self._findings.fault_at(place, f"missing, {by}")
                continue
            if found != data.sha256:
                self._findings.fault_at(place, f"altered: its SHA-256 is {found}, {by}")
                continue
            held += 1
        for path in sorted(folder.iterdir()) if folder.is_dir() else ():
            if path.name not in named:
                self._findings.note(f"{ATTACHMENTS}/{path.name}: no line names it")
        return held


def _existing(job: Job, about: int | None) -> int | None:
    if about is not None and not 1 <= about <= job.newest.seq:
        raise UsageError(f"there is no line {about}", f"lines go from 1 to {job.newest.seq}")
    return about


def _printable(text: str, what: str, longest: int) -> str:
    text = text.strip()
    if not text or len(text) > longest:
        raise UsageError(
            f"{what} has {len(text)} characters", f"give 1 to {longest} printable characters"
        )
    if any(not (c.isprintable() or c == "\n") for c in text):
        raise UsageError(f"{what} holds control characters", "give a printable text")
    return text
