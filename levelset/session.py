"""One open job: a port, a person's tools, an engine and the record they write to."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from levelset.errors import UsageError
from levelset.procedures.agenda import Entry, agenda
from levelset.procedures.catalogue import channel_of, further_steps, run_step, whole_job
from levelset.procedures.engine import Engine
from levelset.procedures.facts import DONE, Facts, StepResult
from levelset.procedures.protocol import Person

if TYPE_CHECKING:
    from levelset.plan.gain_structure import GainStructure
    from levelset.plan.job import JobPlan
    from levelset.ports.base import Levers, Port
    from levelset.record.job import Job

MOST_TURNS = 3
"""How often one run does the same step at most."""


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
    stored_calibration : bool
        Whether a calibration of the store was taken, so that the whole job makes none.
    notices : tuple of str
        What to know before it begins, in full sentences.
    """

    title: str
    plan: JobPlan
    port: Port
    job: Job
    levers: Levers | None
    hands: Person | None
    stored_calibration: bool = False
    notices: tuple[str, ...] = ()
    _engine: Engine | None = field(default=None, init=False, repr=False)

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
        """Run what is left of the whole job with this person; returns every step's result.

        A step that did not end well is left behind, so that the rest gets its turn, and is to be
        done the next time. Without a calibration there is nothing to go on with. One that later
        steps outdate is done again, but never endlessly.

        Raises
        ------
        DeviceError
            If the input went away; what was done is in the record.
        """
        engine = self._engine_for(person)
        results: list[StepResult] = []
        turns: Counter[tuple[str, str | None]] = Counter()
        while (entry := self._next(turns)) is not None:
            step = run_step(engine, self.port.info, *entry.name)
            results.append(step)
            if on_step is not None:
                on_step(step)
            uncalibrated = entry.procedure == "calibrate" and engine.facts.calibration is None
            if step.outcome == "aborted" or uncalibrated:
                break
            turns[entry.name] += 1 if step.outcome in DONE else MOST_TURNS
        return results

    def _next(self, turns: Counter[tuple[str, str | None]]) -> Entry | None:
        """Return the first step that is left and has not had all its turns."""
        return next((e for e in self.agenda() if e.is_left and turns[e.name] < MOST_TURNS), None)

    def agenda(self) -> tuple[Entry, ...]:
        """Return every step of the whole job and what can be done beside it, with what became."""
        return agenda(
            self.plan,
            whole_job(self.plan),
            self._engine.steps if self._engine is not None else self._recorded(),
            stored_calibration=self.stored_calibration,
            further=further_steps(self.plan),
        )

    def run_one(self, person: Person, procedure: str, channel: str | None) -> StepResult:
        """Run one procedure with this person, on what the record already holds.

        Raises
        ------
        UsageError
            If there is no such procedure or channel, or it would calibrate what is calibrated.
        DeviceError
            If the input went away; what was done is in the record.
        """
        if procedure == "calibrate" and self.stored_calibration:
            raise UsageError(
                "calibrate makes a calibration of its own", "leave out the one from the store"
            )
        return run_step(self._engine_for(person), self.port.info, procedure, channel)

    def _engine_for(self, person: Person) -> Engine:
        """Return the engine of this session, which knows what the record holds."""
        if self._engine is None:
            made = self.job.calibrations()
            self._engine = Engine(
                self.port,
                self.job,
                person,
                self.plan,
                calibration=made[-1][1] if made else None,
                calibration_seq=made[-1][0] if made else None,
                steps=self._recorded(),
            )
        self._engine.person = person
        return self._engine

    def _recorded(self) -> tuple[StepResult, ...]:
        return tuple(
            StepResult(s.procedure, s.channel, s.outcome, s.sentence, s.result, tuple(s.cautions))
            for s in self.job.steps()
        )

    def note(self, text: str) -> None:
        """Add a remark to the record, also while another thread measures.

        Raises
        ------
        UsageError
            If the text cannot be used.
        InputError
            If the record cannot be written.
        """
        from levelset.record.attachments import add_note

        add_note(self.job, text)

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


def new_job(plan_path: Path, jobs: Path | None) -> Path:
    """Make a job from a plan file and return its folder.

    Raises
    ------
    UsageError
        If the plan file has a bad field.
    InputError
        If it cannot be read, or the folder cannot be written.
    """
    return _job_of(read_plan(plan_path), jobs)


def new_job_of_text(text: str, jobs: Path | None) -> Path:
    """Make a job from the text of a plan file and return its folder; raises as `new_job`."""
    import tomllib

    from levelset.plan.plan_file import plan_from_document

    return _job_of(plan_from_document(tomllib.loads(text)), jobs)


def read_plan(plan_path: Path) -> JobPlan:
    """Read and check a plan file; raises as `new_job`."""
    from levelset.plan.plan_file import plan_from_document
    from levelset.toml_file import read_checked

    return read_checked(plan_path, str(plan_path), "plan file", plan_from_document)


def _job_of(plan: JobPlan, jobs: Path | None) -> Path:
    from levelset.record.job import Job
    from levelset.record.store import jobs_folder

    with Job.create(jobs_folder(jobs), plan.vehicle, plan) as job:
        return job.path


def job_levels(folder: Path) -> tuple[GainStructure, ...]:
    """Return the gain structure of every channel of a recorded job.

    Raises
    ------
    InputError
        If there is no job that can be read.
    """
    from levelset.plan.gain_structure import LevelFacts, gain_structure
    from levelset.record.job import Job

    job = Job.open(folder, writable=False)
    plan = job.plan()
    steps = (
        StepResult(s.procedure, s.channel, s.outcome, s.sentence, s.result, tuple(s.cautions))
        for s in job.steps()
    )
    facts = Facts(None, steps)
    known = LevelFacts(
        facts.result("clean_volume", None),
        {channel.name: facts.result("gain", channel.name) for channel in plan.channels},
        facts.result("supply_voltage", None),
        facts.result("processor", None),
    )
    return tuple(gain_structure(plan, channel, known) for channel in plan.channels)


def open_live_session(
    folder: Path,
    *,
    device: str | None,
    output: str | None,
    rate_hz: int,
    channel: str | None = None,
    calibration: str | None = None,
) -> Session:
    """Open a job for measuring with a sound card.

    Parameters
    ----------
    folder : Path
        The job.
    device, output : str or None
        Names of the input and output device; None for the system's own input, and for no output.
    rate_hz : int
        Sample rate, Hz.
    channel : str or None
        Name of a channel that the plan must have.
    calibration : str or None
        Name of a calibration of the store to begin with; None to calibrate in the job.

    Raises
    ------
    DeviceError
        If the device cannot be used.
    InputError
        If the job cannot be written to, or there is no such calibration.
    UsageError
        If the job is a demonstration, has no such channel, or the calibration does not fit it.
    """
    from levelset.ports.live import open_live
    from levelset.record.job import Job
    from levelset.record.job_calibration import take_calibration

    job = Job.open(folder, writable=True)
    try:
        plan = job.plan()
        if plan.invented:
            raise UsageError(
                "the job is a demonstration on an invented car",
                "make a job of the vehicle with levelset job new",
            )
        if channel is not None:
            channel_of(plan, channel)
        port = open_live(device, output=output, rate_hz=rate_hz, channels=plan.probe.tips)
    except BaseException:
        job.close()
        raise
    session = Session(job.head().title, plan, port, job, None, None)
    if calibration is not None:
        try:
            session.notices = take_calibration(
                job, calibration, device=port.info.name, rate_hz=port.info.rate_hz
            )
        except BaseException:
            session.close()
            raise
        session.stored_calibration = True
    return session
