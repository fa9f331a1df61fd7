"""What the terminal needs of an open job."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from levelset.plan.job import JobPlan
    from levelset.ports.base import Levers
    from levelset.procedures.agenda import Entry
    from levelset.procedures.facts import StepResult
    from levelset.procedures.protocol import Person


class Session(Protocol):
    """One job that is ready to begin."""

    title: str
    plan: JobPlan
    levers: Levers | None
    hands: Person | None
    notices: tuple[str, ...]
    """What to know before it begins, in full sentences."""

    @property
    def invented(self) -> bool:
        """True for a demonstration."""
        ...

    @property
    def job_path(self) -> Path:
        """Folder of the record."""
        ...

    def run(
        self, person: Person, on_step: Callable[[StepResult], None] | None = None
    ) -> Sequence[StepResult]:
        """Run what is left of the job with a person, in the thread that calls it."""
        ...

    def run_one(self, person: Person, procedure: str, channel: str | None) -> StepResult:
        """Run one procedure with a person, in the thread that calls it."""
        ...

    def agenda(self) -> Sequence[Entry]:
        """Every step of the job and beside it, with what became of it."""
        ...

    def note(self, text: str) -> None:
        """Add a remark to the record, from any thread."""
        ...

    def close(self) -> None:
        """Silence and release the port, and the record."""
        ...
