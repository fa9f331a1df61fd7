"""What a list or a page says about a job, as plain data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from levelset.errors import LevelsetError
from levelset.quantity import Quantity
from levelset.record.attachments import attachments
from levelset.record.confirmation import unconfirmed_note, unconfirmed_readings
from levelset.record.job import Job
from levelset.record.journal import Line
from levelset.record.schema import StepData, quantity_from, to_data
from levelset.record.versions import heads_inside, versions_beside, versions_inside


@dataclass(frozen=True, slots=True)
class ChannelSummary:
    """One channel: what was planned and how its gain ended.

    Parameters
    ----------
    name, load : str
        As in the plan.
    target_volts_rms : float
        Planned, V.
    set_volts_rms : Quantity or None
        As it was set, V; None while it is not.
    limited_by : str or None
        What ended the gain.
    outcome : str or None
        Of the newest gain step; None before the first.
    verified : bool or None
        Verdict of the newest verify step; None where there is none.
    """

    name: str
    load: str
    target_volts_rms: float
    set_volts_rms: Quantity | None
    limited_by: str | None
    outcome: str | None
    verified: bool | None

    def text(self) -> str:
        """Return the channel as one line for a terminal."""
        volts = self.set_volts_rms
        text = f"{self.name:<13} target {self.target_volts_rms:.2f} V RMS into {self.load} ohm"
        if volts is None:
            return f"{text}, not set" if self.outcome is None else f"{text}, {self.outcome}"
        verified = {None: "not verified", True: "verified", False: "look again"}[self.verified]
        text += f", set {volts.text()} RMS"
        return f"{text}, limited by {self.limited_by}, {verified}"


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRow:
    """One job as a list shows it.

    Parameters
    ----------
    path : Path
        Its folder.
    title, vehicle : str
        What it is called and of which vehicle; the folder's name and nothing when unreadable.
    invented : bool
        Whether it is a demonstration.
    created, changed : str
        Time of the first and newest line, RFC 3339; empty when unreadable.
    channels : tuple of ChannelSummary
        In the order of the plan.
    clean_volume : int or None
        Highest clean volume of the source.
    readings : int
        Accepted readings.
    complete : bool
        The newest verify step was accepted, after the last gain, every channel has a gain, and no
        reading is unconfirmed.
    notes : tuple of str
        What is worth knowing.
    fault : str or None
        Why the job cannot be trusted or read, else None.
    unconfirmed : tuple of int
        Sequence numbers of readings whose scale had moved when the known voltage was read again.
    equipment : tuple of str
        Names of channels, equipment, interfaces and calibrations.
    first_sha256, newest_sha256 : str
        SHA-256 of the first line, by which copies of a job are known, and of the newest.
    versions : tuple of str
        Other versions of the record, inside the folder or beside it, each as a sentence.
    """

    path: Path
    title: str
    vehicle: str = ""
    invented: bool = False
    created: str = ""
    changed: str = ""
    channels: tuple[ChannelSummary, ...] = ()
    clean_volume: int | None = None
    readings: int = 0
    complete: bool = False
    notes: tuple[str, ...] = ()
    fault: str | None = None
    unconfirmed: tuple[int, ...] = ()
    equipment: tuple[str, ...] = ()
    first_sha256: str = ""
    newest_sha256: str = ""
    versions: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the job as JSON values."""
        data = asdict(self)
        data["path"] = str(self.path)
        for row, channel in zip(data["channels"], self.channels, strict=True):
            volts = channel.set_volts_rms
            row["set_volts_rms"] = None if volts is None else volts.as_json()
        return {"schema": "levelset.job.v1", **data}

    @property
    def state(self) -> str:
        """One word for a list."""
        return "damaged" if self.fault else "complete" if self.complete else "incomplete"

    def line(self) -> str:
        """Return the job as one line of a list."""
        done = sum(channel.set_volts_rms is not None for channel in self.channels)
        day = self.created[:10] or "-" * 10
        text = f"{day}  {self.state:<10}  {done}/{len(self.channels)} channels  {self.path.name}"
        if self.fault:
            return f"{text}: {self.fault}"
        return f"{text}: {'; '.join(self.versions)}" if self.versions else text


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSummary(JobRow):
    """One job as its page shows it.

    Parameters
    ----------
    steps : tuple of StepData
        How every procedure ended, oldest first.
    photographs : tuple of str
        Names of the photographs that are attached.
    """

    steps: tuple[StepData, ...] = ()
    photographs: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return ``job show --json``."""
        return {**JobRow.as_json(self), "steps": [to_data(step) for step in self.steps]}

    def text(self) -> str:
        """Return the job as lines for a terminal."""
        named = "(invented)" in self.title
        invented = " (invented)" if self.invented and not named else ""
        rows = [
            f"{self.title}{invented}: {self.state}",
            f"vehicle       {self.vehicle}",
            f"created       {self.created}",
            f"last entry    {self.changed}",
            f"readings      {self.readings} accepted",
        ]
        if self.unconfirmed:
            rows.append(f"UNCONFIRMED   {unconfirmed_note(self.unconfirmed)}")
        if self.clean_volume is not None:
            rows.append(f"clean volume  {self.clean_volume}")
        rows += self._processor()
        rows += [channel.text() for channel in self.channels]
        rows += [f"photograph    {name}" for name in self.photographs]
        rows += [f"note          {note}" for note in self.notes]
        rows += [f"VERSIONS      {version}" for version in self.versions]
        if self.fault:
            rows.append(f"DOES NOT HOLD {self.fault}")
        return "\n".join(rows)

    def _processor(self) -> list[str]:
        """Return the output level of the processor, where it was set at the clean volume."""
        step = _newest(self.steps, "processor", None)
        if step is None or not step.done or step.result.get("volume") != self.clean_volume:
            return []
        volts = quantity_from(step.result.get("volts_rms"), "V")
        if volts is None:
            return []
        limited_by = str(step.result.get("limited_by")).replace("_", " ")
        return [f"processor     {volts.text()} RMS at its output, limited by {limited_by}"]


def summarise(path: Path, *, beside: bool = True) -> JobSummary:
    """Return the summary of the job in a folder.

    Parameters
    ----------
    path : Path
        The folder.
    beside : bool
        Whether to look for versions of the same job in the folders beside it.

    Raises
    ------
    InputError
        If there is no job in the folder, or a newer levelset is needed.
    DamageError
        If a line that is needed cannot be read; what else does not hold is the ``fault``.
    """
    job = Job.open(path, writable=False)
    summary = summarise_job(job)
    if not beside:
        return summary
    others = (f"{v.place}: {v.text()}" for v in versions_beside(path, job.lines()))
    return replace(summary, versions=(*summary.versions, *others))


def summarise_job(job: Job) -> JobSummary:
    """Return the summary of an open job.

    Raises
    ------
    DamageError
        If a line that is needed cannot be converted.
    """
    head = job.head()
    steps = job.steps()
    verdicts = _verdicts(steps)
    channels = tuple(
        _channel(channel.name, channel.load, channel.target.volts_rms, steps, verdicts)
        for channel in head.plan.channels
    )
    clean = _newest(steps, "clean_volume", None)
    volume = clean.result.get("volume") if clean is not None and clean.done else None
    lines = job.lines()
    unconfirmed = unconfirmed_readings(lines)
    notes = list(job.notes)
    if job.torn:
        notes.append("The last line was never finished and does not count.")
    inside = [f"{v.place}: {v.text()}" for v in versions_inside(job.path, lines)]
    return JobSummary(
        path=job.path,
        title=head.title,
        vehicle=head.plan.vehicle,
        invented=head.plan.invented,
        created=lines[0].time,
        changed=lines[-1].time,
        channels=channels,
        clean_volume=volume if isinstance(volume, int) else None,
        readings=sum(line.kind == "reading" for line in lines),
        steps=tuple(steps),
        complete=_complete(steps, channels) and not unconfirmed,
        notes=tuple(notes),
        fault=job.faults[0] if job.faults else None,
        unconfirmed=unconfirmed,
        equipment=_equipment(lines),
        first_sha256=lines[0].sha256,
        newest_sha256=lines[-1].sha256,
        versions=(*inside, *heads_inside(job.path, lines)),
        photographs=tuple(
            f"seq {one.seq}: {one.data.name}" for one in attachments(job) if not one.removed
        ),
    )


def summary_or_fault(path: Path, *, beside: bool = True) -> JobSummary:
    """Return the summary of the job in a folder; one that cannot be read says why."""
    try:
        return summarise(path, beside=beside)
    except LevelsetError as error:
        fault = error.what.removeprefix(f"{path}: ")
        return JobSummary(path=path, title=path.name, fault=f"{fault}, {error.todo}")


def _equipment(lines: Sequence[Line]) -> tuple[str, ...]:
    """Return every name in the plan and the calibrations, without repeats."""
    named = [line.data for line in lines if line.kind in ("job", "calibration")]
    return tuple(dict.fromkeys(name for data in named for name in _names(data)))


def _names(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        for key, item in value.items():
            if key.endswith("name") and isinstance(item, str):
                yield item
            else:
                yield from _names(item)
    elif isinstance(value, list):
        for item in value:
            yield from _names(item)


def _newest(steps: Sequence[StepData], procedure: str, channel: str | None) -> StepData | None:
    same = (s for s in reversed(steps) if (s.procedure, s.channel) == (procedure, channel))
    return next(same, None)


def _channel(
    name: str,
    load: str,
    target_volts_rms: float,
    steps: list[StepData],
    verdicts: dict[str, bool],
) -> ChannelSummary:
    gain = _newest(steps, "gain", name)
    done = gain if gain is not None and gain.done else None
    limited_by = None if done is None else done.result.get("limited_by")
    return ChannelSummary(
        name=name,
        load=load,
        target_volts_rms=target_volts_rms,
        set_volts_rms=None
        if done is None
        else quantity_from(done.result.get("set_volts_rms"), "V"),
        limited_by=limited_by if isinstance(limited_by, str) else None,
        outcome=None if gain is None else gain.outcome,
        verified=verdicts.get(name),
    )


def _verdicts(steps: list[StepData]) -> dict[str, bool]:
    newest = _newest(steps, "verify", None)
    rows = [] if newest is None else newest.result.get("channels", [])
    return {
        row["channel"]: row.get("verdict") == "ok"
        for row in rows
        if isinstance(row, dict) and isinstance(row.get("channel"), str)
    }


def _complete(steps: list[StepData], channels: tuple[ChannelSummary, ...]) -> bool:
    # A job is incomplete until a procedure says otherwise.
    last = next((s for s in reversed(steps) if s.procedure in ("gain", "verify")), None)
    if last is None or last.procedure != "verify" or last.outcome != "accepted":
        return False
    return all(channel.outcome in ("accepted", "limited") for channel in channels)
