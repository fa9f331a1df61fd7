"""Everything a page says about one job, read once and tolerantly.

A damaged record is reported, never refused: what cannot be read is named and left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from levelset.errors import DamageError, InputError
from levelset.plan.job import JobPlan
from levelset.probe.calibration import Calibration
from levelset.record.confirmation import unconfirmed_readings
from levelset.record.customer import read_customer
from levelset.record.job import Job
from levelset.record.journal import Line
from levelset.record.schema import JobData, ReadingData, StepData, from_data
from levelset.report.values import shallow

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Step:
    """How a procedure ended, and whether a later one took its place.

    Parameters
    ----------
    seq : int
        Its line.
    time : str
        RFC 3339, UTC.
    data : StepData
        What it says.
    superseded : bool
        Whether a newer step of the same procedure and channel is there.
    """

    seq: int
    time: str
    data: StepData
    superseded: bool

    @property
    def result(self) -> dict[str, Any]:
        """Its result."""
        return self.data.result


@dataclass(frozen=True, slots=True)
class Dossier:
    """One job as it is on disk.

    Parameters
    ----------
    path : Path
        Its folder.
    head : JobData
        Title, versions and plan.
    customer : dict
        Personal data; empty where there are none.
    lines : tuple of Line
        Every line that could be read.
    steps : tuple of Step
        Oldest first.
    readings : dict of int to ReadingData
        Accepted readings of a tone, by their line.
    calibrations : dict of int to Calibration
        By their line.
    unconfirmed : frozenset of int
        Readings whose scale had moved when the known voltage was read again.
    faults : tuple of str
        What does not hold.
    notes : tuple of str
        What is worth knowing about the files.
    """

    path: Path
    head: JobData
    customer: dict[str, Any]
    lines: tuple[Line, ...]
    steps: tuple[Step, ...]
    readings: dict[int, ReadingData]
    calibrations: dict[int, Calibration]
    unconfirmed: frozenset[int]
    faults: tuple[str, ...]
    notes: tuple[str, ...] = field(default=())

    @property
    def plan(self) -> JobPlan:
        """The plan."""
        return self.head.plan

    @property
    def newest(self) -> Line:
        """The newest line: its hash stands for the whole record."""
        return self.lines[-1]

    def of_kind(self, kind: str) -> Iterator[Line]:
        """Yield the lines of one kind, oldest first."""
        return (line for line in self.lines if line.kind == kind)

    def last_step(self, procedure: str, channel: str | None) -> Step | None:
        """Return how a procedure ended last, whatever the end was."""
        return newest_step(self.steps, procedure, channel)

    def done_step(self, procedure: str, channel: str | None) -> Step | None:
        """Return how a procedure ended last if that end counts, else None."""
        step = self.last_step(procedure, channel)
        return step if step is not None and step.data.done else None

    def steps_of(self, procedure: str) -> list[Step]:
        """Return the step of a procedure that counts for each channel, in order."""
        return [s for s in self.steps if s.data.procedure == procedure and not s.superseded]

    def reading_of(self, result: dict[str, Any]) -> tuple[int, ReadingData] | None:
        """Return the reading that a result names."""
        seq = result.get("reading_seq")
        if not isinstance(seq, int) or seq not in self.readings:
            return None
        return seq, self.readings[seq]


def newest_step(steps: Sequence[Step], procedure: str, channel: str | None) -> Step | None:
    """Return the newest step of a procedure and channel."""
    same = (
        s for s in reversed(steps) if (s.data.procedure, s.data.channel) == (procedure, channel)
    )
    return next(same, None)


def read_dossier(path: Path) -> Dossier:
    """Read the job in a folder; nothing in it is changed.

    Raises
    ------
    InputError
        If there is no job in the folder, or a newer levelset is needed.
    DamageError
        If its first line cannot be read.
    """
    job = Job.open(path, writable=False)
    lines = job.lines()
    faults = list(job.faults)
    notes = list(job.notes)
    if job.torn:
        notes.append("The last line was never finished and does not count.")
    try:
        customer = read_customer(path)
    except InputError as error:
        customer = {}
        notes.append(f"The customer's data cannot be read: {error.what}.")
    return Dossier(
        path=path,
        head=job.head(),
        customer=customer,
        lines=lines,
        steps=_steps(_typed(lines, "step", StepData, faults)),
        readings={line.seq: data for line, data in _typed(lines, "reading", ReadingData, faults)},
        calibrations={
            line.seq: data for line, data in _typed(lines, "calibration", Calibration, faults)
        },
        unconfirmed=frozenset(unconfirmed_readings(lines)),
        faults=tuple(faults),
        notes=tuple(notes),
    )


def _typed(
    lines: Iterable[Line], kind: str, shape: type[T], faults: list[str]
) -> list[tuple[Line, T]]:
    found = []
    for line in lines:
        if line.kind != kind:
            continue
        try:
            found.append((line, from_data(line.data, shape, f"seq {line.seq}")))
        except DamageError as error:
            faults.append(f"{error.what}; it is left out")
    return found


def _steps(found: list[tuple[Line, StepData]]) -> tuple[Step, ...]:
    newest = {(data.procedure, data.channel): line.seq for line, data in found}
    for _, data in found:
        data.result = shallow(data.result)
    return tuple(
        Step(line.seq, line.time, data, newest[data.procedure, data.channel] != line.seq)
        for line, data in found
    )
