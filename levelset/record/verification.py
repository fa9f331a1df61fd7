"""Does a job hold? Walks the chain from the stored bytes and analyses every capture again."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from levelset.errors import InputError
from levelset.probe.calibration import Calibration
from levelset.record.attachments import AttachmentChecks
from levelset.record.claims import ClaimChecks
from levelset.record.comparison import OTHER_ANALYSIS
from levelset.record.confirmation import unconfirmed_note, unconfirmed_readings
from levelset.record.findings import Findings
from levelset.record.folder import CAPTURES, read_scan, require_job
from levelset.record.journal import HEAD, JOURNAL, Line, Scan
from levelset.record.readings_again import ReadingsAgain
from levelset.record.schema import (
    ANALYSIS_VERSION,
    EVIDENCE,
    KINDS,
    AttachmentData,
    JobData,
    ProbeCheckData,
    RemovalData,
    check_version,
)
from levelset.record.versions import (
    clock_set_back,
    heads_inside,
    versions_beside,
    versions_inside,
)

if TYPE_CHECKING:
    from levelset.record.readings_again import ReadTips


@dataclass(frozen=True, slots=True)
class Verification:
    """Whether a job holds.

    Parameters
    ----------
    ok : bool
        No fault was found.
    first_fault : str or None
        The first thing that does not hold, with its place.
    faults : tuple of str
        All of them.
    notes : tuple of str
        What is worth knowing and no fault.
    lines, captures, readings, attachments : int
        Lines read, captures whose hash holds, readings analysed again, photographs whose hash
        holds.
    head_sha256 : str or None
        SHA-256 of the newest line, which the report prints.
    """

    ok: bool
    first_fault: str | None
    faults: tuple[str, ...]
    notes: tuple[str, ...]
    lines: int
    captures: int
    readings: int
    attachments: int
    head_sha256: str | None

    def as_json(self) -> dict[str, Any]:
        """Return ``job verify --json``."""
        return {"schema": "levelset.verification.v1", **asdict(self)}

    def text(self) -> str:
        """Return the answer as lines for a terminal, the first fault first."""
        rows = ["holds" if self.ok else f"DOES NOT HOLD: {self.first_fault}"]
        rows += [f"also: {fault}" for fault in self.faults[1:]]
        rows.append(
            f"{self.lines} lines, {self.captures} captures, {self.readings} readings computed again"
        )
        rows += [f"note: {note}" for note in self.notes]
        rows.append(f"newest line: SHA-256 {self.head_sha256}")
        if self.ok:
            rows.append(
                "The chain shows edits, and with a hash kept elsewhere also replacement; "
                "it does not prove who wrote the record."
            )
        return "\n".join(rows)


def verify_job(path: Path, *, read: ReadTips | None = None) -> Verification:
    """Check everything a job claims against what is stored.

    Parameters
    ----------
    path : Path
        Folder of the job; nothing in it is changed.
    read : callable or None
        Analyses samples again; ``levelset.probe.volts.read_tips`` by default.

    Returns
    -------
    Verification
        A damaged job is an answer, not an error.

    Raises
    ------
    InputError
        If there is no job in the folder, it cannot be read, or a newer levelset is needed.
    """
    require_job(path)
    if read is None:
        from levelset.probe.volts import read_tips

        read = read_tips
    try:
        return _Walk(path, read_scan(path), read).result()
    except OSError as error:
        what = f"{path}: {error.strerror or error}"
        raise InputError(what, "restore access to the folder and its files") from error


class _Walk:
    def __init__(self, path: Path, found: Scan, read: ReadTips) -> None:
        self._found = found
        self._findings = Findings(path, found)
        self._readings = ReadingsAgain(self._findings, read)
        self._claims = ClaimChecks(self._findings, self._readings.touches)
        self._attachments = AttachmentChecks(self._findings)

    def result(self) -> Verification:
        found, findings = self._found, self._findings
        if not found.faults:  # else a version may be what was damaged
            for line in found.lines:
                check_version(line.kind, line.schema)
        if found.torn:
            findings.note(
                f"{JOURNAL}: the last line was never finished ({len(found.torn)} bytes); "
                "it does not count"
            )
        if found.unsealed:
            findings.note(f"{JOURNAL}: the newest line is unsealed, {HEAD} is one line behind")
        self._first_line()
        for line in found.lines:
            self._line(line)
        self._other_files()
        attachments = self._attachments.finish()
        turned_back = clock_set_back(found.lines)
        if turned_back:
            findings.note(turned_back)
        for version in versions_inside(findings.path, found.lines):
            if version.holds_more:
                findings.fault_at(version.place, version.text())
            else:
                findings.note(f"{version.place}: {version.text()}")
        for head in heads_inside(findings.path, found.lines):
            findings.note(head)
        for version in versions_beside(findings.path, found.lines):
            findings.note(f"{version.place}: {version.text()}")
        unconfirmed = unconfirmed_readings(found.lines)
        if unconfirmed:
            findings.note(unconfirmed_note(unconfirmed))
        faults = tuple(str(fault) for fault in findings.faults)
        return Verification(
            ok=not faults,
            first_fault=faults[0] if faults else None,
            faults=faults,
            notes=tuple(findings.notes),
            lines=len(found.lines),
            captures=sum(self._readings.captures.values()),
            readings=self._readings.count,
            attachments=attachments,
            head_sha256=found.lines[-1].sha256 if found.lines else None,
        )

    def _first_line(self) -> None:
        if not self._found.lines:
            return
        findings, first = self._findings, self._found.lines[0]
        if first.kind != "job":
            findings.fault(first, f"the first line is of kind {first.kind!r}, not 'job'")
            return
        findings.head = head = findings.typed(first, JobData)
        if head is not None and head.analysis != ANALYSIS_VERSION:
            findings.tolerance = OTHER_ANALYSIS
            findings.note(
                f"made with analysis {head.analysis}, compared with analysis {ANALYSIS_VERSION}: "
                "numbers hold within a tenth of their uncertainty"
            )

    def _line(self, line: Line) -> None:
        findings = self._findings
        if line.kind in EVIDENCE:
            evidence = findings.typed(line, EVIDENCE[line.kind])
            if evidence is not None:
                self._readings.check(line, evidence)
        elif line.kind == "calibration":
            calibration = findings.typed(line, Calibration)
            if calibration is not None:
                self._claims.calibration(line, calibration)
        elif line.kind == "probe_check":
            check = findings.typed(line, ProbeCheckData)
            if check is not None:
                self._claims.probe_check(line, check)
        elif line.kind == "step":
            self._claims.step(line)
        elif line.kind == "attachment":
            attachment = findings.typed(line, AttachmentData)
            if attachment is not None:
                self._attachments.attachment(line, attachment)
        elif line.kind == "removal":
            removal = findings.typed(line, RemovalData)
            if removal is not None:
                self._attachments.removal(line, removal)
        elif line.kind not in KINDS:
            findings.note(f"{findings.place(line)}: kind {line.kind!r} is not known here")

    def _other_files(self) -> None:
        folder = self._findings.path / CAPTURES
        if not folder.is_dir():
            return
        for path in sorted(folder.iterdir()):
            if path.suffix != ".flac" or path.stem not in self._readings.captures:
                self._findings.note(f"{CAPTURES}/{path.name}: no line names it")
