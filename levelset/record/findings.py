"""What a walk through a job has found so far, and the lines it can look back at."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar

from levelset.errors import InputError
from levelset.record.comparison import SAME_ANALYSIS, Tolerance
from levelset.record.journal import JOURNAL, Fault, Line, Scan
from levelset.record.schema import JobData, from_data

T = TypeVar("T")


class Findings:
    """Faults and notes about one job, each with its place.

    Parameters
    ----------
    path : Path
        Folder of the job.
    found : Scan
        What its journal and head hold; its faults come first.
    """

    def __init__(self, path: Path, found: Scan) -> None:
        self.path = path
        self.faults: list[Fault] = list(found.faults)
        self.notes: list[str] = []
        self.by_seq = {line.seq: line for line in found.lines}
        self.head: JobData | None = None
        """The first line; None where it cannot be read."""
        self.tolerance: Tolerance = SAME_ANALYSIS
        """How far numbers may be apart."""
        self._place = {
            id(line): f"{JOURNAL} line {number}"
            for line, number in zip(found.lines, found.numbers, strict=True)
        }

    def place(self, line: Line) -> str:
        """Return file and line number of a line."""
        return self._place[id(line)]

    def fault(self, line: Line, what: str) -> None:
        """Keep a fault of a line."""
        self.faults.append(Fault(self.place(line), what))

    def fault_at(self, place: str, what: str) -> None:
        """Keep a fault of another file."""
        self.faults.append(Fault(place, what))

    def note(self, what: str) -> None:
        """Keep what is worth knowing and no fault."""
        self.notes.append(what)

    def typed(self, line: Line, kind: type[T]) -> T | None:
        """Return the data of a line; None, and a fault, where they are not of this kind."""
        try:
            return from_data(line.data, kind, "data")
        except InputError as error:
            self.fault(line, error.what)
            return None

    def named(self, line: Line, seq: int, kind: str) -> Line | None:
        """Return the line of this kind before ``line`` that it names; None where there is none."""
        named = self.by_seq.get(seq)
        if named is None or named.kind != kind or named.seq >= line.seq:
            return None
        return named
