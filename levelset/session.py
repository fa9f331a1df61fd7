"""One open job: a port, a person's tools, an engine and the record they write to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from levelset.errors import UsageError
from levelset.procedures.catalogue import run_step, whole_job
from levelset.procedures.engine import Engine
from levelset.procedures.facts import StepResult
from levelset.procedures.protocol import Person

if TYPE_CHECKING:
    from levelset.plan.job import JobPlan
    from levelset.ports.base import Levers, Port
    from levelset.record.job import Job


@dataclass
class Session:
    """A job that is open for measuring.

    Parameters
    ----------
    title : str
        Title of the job.
    plan : JobPlan
        Its plan.
    port : Port
        Where samples come from.
    job : Job
        The record, open for writing.
    levers : Levers or None
        What hands reach in a simulated vehicle; None on a real one.
    hands : Person or None
        Simulated hands; None on a real vehicle.
    """

    title: str
    plan: JobPlan
    port: Port
    job: Job
    levers: Levers | None
    hands: Person | None

    @property
    def simulated_hands(self) -> Person:
        """The simulated hands, where the job needs them."""
        if self.hands is None:
            raise UsageError("a real vehicle has no simulated hands", "use the terminal screen")
        return self.hands

    @property
    def invented(self) -> bool:
        """True for a demonstration."""
        return self.plan.invented

    @property
    def job_path(self) -> Path:
        """Folder of the record."""
        return self.job.path

    def run(
        self, person: Person, on_step: Callable[[StepResult], None] | None = None
    ) -> list[StepResult]:
        """Run the whole job with this person; returns every step's result.

        Raises
        ------
        DeviceError
            If the input went away; what was done is in the record.
        """
        engine = Engine(self.port, self.job, person, self.plan)
        results: list[StepResult] = []
        for name, channel in whole_job(self.plan):
            step = run_step(engine, self.port.info, name, channel)
            results.append(step)
            if on_step is not None:
                on_step(step)
            if step.outcome == "aborted":
                break
        return results

    def close(self) -> None:
        """Silence the port, release it and the record."""
        self.port.close()
        self.job.close()


def open_demo_session(car: Path | None, jobs: Path | None, *, seed: int, fast: bool) -> Session:
    """Open a new job on a simulated car.

    Parameters
    ----------
    car : Path or None
        Car file; None takes the invented car.
    jobs : Path or None
        Folder for the record; None takes the store's own.
    seed : int
        Seed of noise and hands.
    fast : bool
        Do not wait for real time.
    """
    from levelset.ports.simulated import open_demo
    from levelset.record.job import Job
    from levelset.record.store import jobs_folder

    demo = open_demo(car, seed=seed, fast=fast)
    title = demo.plan.vehicle
    try:
        job = Job.create(jobs_folder(jobs), title, demo.plan)
    except BaseException:
        demo.port.close()
        raise
    return Session(title, demo.plan, demo.port, job, demo.levers, demo.hands)
