"""Where the uncertainty of an accepted reading comes from, computed again from its capture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from levelset.errors import DamageError, InputError
from levelset.probe.budget import BudgetLine, budget_lines, budget_table, reading_budget
from levelset.record.audio_files import CODE_HIGH, read_capture
from levelset.record.confirmation import unconfirmed_readings
from levelset.record.folder import CAPTURES
from levelset.record.job import Job

if TYPE_CHECKING:
    from levelset.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Explained:
    """One voltage with its budget.

    Parameters
    ----------
    channel : int or "pair"
        As in the reading.
    frequency_hz, volts_rms : Quantity
        What was read, Hz and V.
    budget : tuple of BudgetLine
        The largest first.
    """

    channel: int | Literal["pair"]
    frequency_hz: Quantity
    volts_rms: Quantity
    budget: tuple[BudgetLine, ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """One accepted reading.

    Parameters
    ----------
    seq : int
        Its line.
    procedure, as_what : str
        Where it belongs.
    channel : str or None
        Amplifier channel.
    calibration : str
        Name of the calibration.
    unconfirmed : bool
        Whether the known voltage had changed when it was read again.
    readings : tuple of Explained
        Every voltage of it.
    """

    seq: int
    procedure: str
    as_what: str
    channel: str | None
    calibration: str
    unconfirmed: bool
    readings: tuple[Explained, ...]

    def as_json(self) -> dict[str, Any]:
        """Return ``job show --explain --json``."""
        return {
            "schema": "levelset.explanation.v1",
            "seq": self.seq,
            "procedure": self.procedure,
            "as_what": self.as_what,
            "channel": self.channel,
            "calibration": self.calibration,
            "unconfirmed": self.unconfirmed,
            "readings": [
                {
                    "channel": one.channel,
                    "frequency_hz": one.frequency_hz.as_json(),
                    "volts_rms": one.volts_rms.as_json(),
                    "budget": [line.as_json() for line in one.budget],
                }
                for one in self.readings
            ],
        }

    def text(self) -> str:
        """Return the budgets as lines for a terminal."""
        where = self.procedure if self.channel is None else f"{self.procedure} of {self.channel}"
        rows = [f"seq {self.seq}: {self.as_what}, {where}, calibration {self.calibration}"]
        if self.unconfirmed:
            rows.append("UNCONFIRMED   the known voltage had changed when it was read again")
        for one in self.readings:
            name = "pair" if one.channel == "pair" else f"tip {'AB'[one.channel - 1]}"
            volts, percent = one.volts_rms, 100.0 * one.volts_rms.u / one.volts_rms.value
            rows += [
                "",
                f"{name}: {volts.value:.5g} V RMS at {one.frequency_hz.value:.2f} Hz, +- "
                f"{volts.u:.2g} V ({percent:.2g} %) for 95 % coverage",
                *budget_table(one.budget),
            ]
        return "\n".join(rows)


def explain_reading(path: Path, seq: int) -> Explanation:
    """Return the uncertainty of an accepted reading line by line.

    Parameters
    ----------
    path : Path
        Folder of the job; nothing in it is changed.
    seq : int
        Line of the reading.

    Raises
    ------
    InputError
        If there is no such reading, it has no volts, or its capture is missing.
    DamageError
        If the capture does not fit the reading.
    """
    from levelset.probe.volts import read_tips

    job = Job.open(path, writable=False)
    readings = dict(job.readings())
    if seq not in readings:
        with_volts = [str(s) for s, data in readings.items() if data.calibration_seq is not None]
        raise InputError(
            f"{path}: line {seq} is no accepted reading",
            f"choose one of {', '.join(with_volts)}"
            if with_volts
            else "read something in volts first",
        )
    data = readings[seq]
    calibration = dict(job.calibrations()).get(data.calibration_seq or 0)
    if calibration is None:
        raise InputError(
            f"{path}: reading {seq} has no volts, it was made without a calibration",
            "choose a later one",
        )
    codes, _ = read_capture(path / CAPTURES / f"{data.capture}.flac")
    try:
        tips = read_tips(codes / (CODE_HIGH + 1.0), data.frames, data.spec, calibration)
    except ValueError as error:
        raise DamageError(
            f"{path}: the capture of reading {seq} does not fit it ({error})",
            "run `levelset job verify` on the job",
        ) from error
    found = []
    for one in (*tips.legs, tips.pair):
        if one is None or one.volts_rms is None or one.tone.frequency_hz is None:
            continue
        budget = budget_lines(reading_budget(one, data.spec, calibration))
        found.append(Explained(one.channel, one.tone.frequency_hz, one.volts_rms, budget))
    return Explanation(
        seq=seq,
        procedure=data.procedure,
        as_what=data.as_what,
        channel=data.channel,
        calibration=calibration.name,
        unconfirmed=seq in unconfirmed_readings(job.lines()),
        readings=tuple(found),
    )
