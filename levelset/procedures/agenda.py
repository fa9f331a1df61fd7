"""What of a job is done and what is left: how a job is taken up where it was left.

The unit of taking up is the procedure. A step counts while nothing that it was built on has been
done again since: gains that were set at another clean volume have to be set again, and so has one
that stands above a channel which it has to match.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from levelset.procedures.facts import DONE, Facts, StepResult
from levelset.procedures.matching import above_its_group

if TYPE_CHECKING:
    from levelset.plan.job import JobPlan

OF_OWN_CALIBRATION = ("calibrate", "probe_check")
"""Steps that belong to a touch in this job: there is none where a calibration came from a store."""

BUILT_ON: dict[str, tuple[str, ...]] = {
    "clean_volume": ("output_kind",),
    "processor": ("clean_volume",),
    "input_match": ("clean_volume", "processor"),
    "gain": ("clean_volume", "processor"),
    "verify": ("clean_volume", "processor", "gain"),
    "probe_check": ("clean_volume", "processor", "gain", "verify"),
}
"""What each procedure takes over from others; ``output_kind`` here is the source's."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One step of a job.

    Parameters
    ----------
    procedure : str
        Contract name.
    channel : str or None
        Amplifier channel, None for the source or the whole system.
    step : StepResult or None
        How it ended last; None where it was not done yet.
    done : bool
        Whether that end counts.
    outdated_by : str or None
        Procedure that was done again since, or in words what else has happened, so that this one
        has to be done again too.
    further : bool
        Whether it is no part of the whole job, but can be done beside it.
    """

    procedure: str
    channel: str | None
    step: StepResult | None
    done: bool
    outdated_by: str | None = None
    further: bool = False

    @property
    def name(self) -> tuple[str, str | None]:
        """Procedure and channel."""
        return self.procedure, self.channel

    @property
    def is_left(self) -> bool:
        """Whether the job is not complete without doing it."""
        return not (self.done or self.further)


def agenda(
    plan: JobPlan,
    order: Iterable[tuple[str, str | None]],
    steps: Sequence[StepResult],
    *,
    stored_calibration: bool = False,
    further: Iterable[tuple[str, str | None]] = (),
) -> tuple[Entry, ...]:
    """Return every step of a job in its order, with what became of it.

    Parameters
    ----------
    plan : JobPlan
        The plan, for channels that must match.
    order : iterable of (str, str or None)
        Procedures and channels of the whole job.
    steps : sequence of StepResult
        What the record holds, oldest first.
    stored_calibration : bool
        Whether the calibration came from a store: the job then makes and checks none of its own.
    further : iterable of (str, str or None)
        What can be done beside the whole job.

    Returns
    -------
    tuple of Entry
        One for each step of `order`, then one for each of `further`.
    """
    newest = {(step.procedure, step.channel): n for n, step in enumerate(steps)}
    facts = Facts(None, steps)
    above = above_its_group(plan, {c.name: facts.result("gain", c.name) for c in plan.channels})

    def entry(procedure: str, channel: str | None) -> Entry:
        found = _entry(procedure, channel, steps, newest)
        if procedure == "gain" and found.done and channel in above:
            return replace(found, done=False, outdated_by=f"{above[channel][0]} was set lower")
        return found

    of_job = (
        entry(procedure, channel)
        for procedure, channel in order
        if not (stored_calibration and procedure in OF_OWN_CALIBRATION)
    )
    beside = (replace(entry(procedure, channel), further=True) for procedure, channel in further)
    return (*of_job, *beside)


def _entry(
    procedure: str,
    channel: str | None,
    steps: Sequence[StepResult],
    newest: dict[tuple[str, str | None], int],
) -> Entry:
    at = newest.get((procedure, channel))
    if at is None:
        return Entry(procedure, channel, None, done=False)
    step = steps[at]
    if step.outcome not in DONE:
        return Entry(procedure, channel, step, done=False)
    later = {steps[n].procedure for n in newest.values() if n > at and _counts(steps[n])}
    outdated_by = next((name for name in BUILT_ON.get(procedure, ()) if name in later), None)
    return Entry(procedure, channel, step, done=outdated_by is None, outdated_by=outdated_by)


def _counts(step: StepResult) -> bool:
    # The kind of an amplifier's output is found after the clean volume, and changes nothing in it.
    return step.outcome in DONE and not (step.procedure == "output_kind" and step.channel)
