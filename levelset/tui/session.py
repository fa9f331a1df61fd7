"""What the terminal is given: a session to run, and the jobs to list."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from levelset.plan.job import JobPlan
    from levelset.ports.base import Levers
    from levelset.procedures.facts import StepResult
    from levelset.procedures.protocol import Person


@dataclass(frozen=True, slots=True)
class Session:
    """One job that is ready to begin.

    Parameters
    ----------
    title : str
        Title of the job.
    plan : JobPlan
        What is planned.
    run : callable
        Runs the whole job with the person it is given, in the thread that calls it, and returns
        what came of each step.
    levers : Levers or None
        What the keys reach in a simulated vehicle; None for a real one.
    hands : Person or None
        Simulated hands that the person may watch.
    invented : bool
        True for a demonstration.
    close : callable
        Releases the port; called once, after ``run`` or instead of it.
    record : str
        Where the record is; empty where there is none.
    """

    title: str
    plan: JobPlan
    run: Callable[[Person], Sequence[StepResult]]
    levers: Levers | None
    hands: Person | None
    invented: bool
    close: Callable[[], None]
    record: str = ""


class JobSummary(Protocol):
    """One line of the job list, and the page behind it."""

    @property
    def title(self) -> str:
        """Title of the job."""
        ...

    @property
    def vehicle(self) -> str:
        """Short description of the vehicle."""
        ...

    @property
    def created(self) -> str:
        """Date on which it was begun."""
        ...

    @property
    def state(self) -> str:
        """How far it is, or what is wrong with it, in a few words."""
        ...

    @property
    def channels(self) -> Sequence[str]:
        """What came of it, a line each."""
        ...
