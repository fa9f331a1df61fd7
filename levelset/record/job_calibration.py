"""Calibrations between a job and the store: taken into a job, and kept from one."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

from levelset.errors import DamageError, InputError, UsageError
from levelset.probe.calibrate import DESIGN_TOLERANCE
from levelset.probe.calibration import Calibration
from levelset.record.calibration_evidence import differs_from_captures
from levelset.record.calibrations import FILE, find_calibration, load_calibration
from levelset.record.comparison import is_number
from levelset.record.folder import CAPTURES
from levelset.record.job import Job
from levelset.record.journal import digest
from levelset.record.schema import TouchData, from_data, note_data, to_data
from levelset.record.self_test import (
    PARTS,
    StoredSelfTest,
    StoredStretch,
    complete,
    judge_again,
    lines_of,
)
from levelset.record.stored_calibration import (
    SetUp,
    StoredBattery,
    StoredCalibration,
    StoredTouch,
    new_calibration,
    warnings,
)


def take_calibration(job: Job, name: str, *, device: str, rate_hz: int) -> tuple[str, ...]:
    """Write a calibration of the store into a job, which then measures with it.

    The line names no reading as its evidence, since none was taken in this job; a remark says
    which file it came from, by its SHA-256.

    Parameters
    ----------
    job : Job
        Open for writing.
    name : str
        Of the calibration.
    device : str
        The open input.
    rate_hz : int
        Its rate, Hz.

    Returns
    -------
    tuple of str
        Where it comes from and what speaks against it, in full sentences.

    Raises
    ------
    InputError
        If there is no such calibration or it does not hold.
    UsageError
        If it does not fit the plan, or the job has a calibration of its own.
    """
    path = find_calibration(name)
    stored = load_calibration(path)
    made = job.calibrations()
    if any(calibration.evidence for _, calibration in made):
        raise UsageError(
            "the job has a calibration of its own",
            "go on without one from the store, or make a new job",
        )
    probe = job.plan().probe
    _check_fits(stored, probe.tips, probe.divider * probe.full_scale_volts_peak)
    found = warnings(stored, device=device, rate_hz=rate_hz, divider=probe.divider, tips=probe.tips)
    taken = _alone(stored.calibration, stored.name)
    # A touch of a battery may have added to it since.
    if not made or replace(made[-1][1], dc=None) != replace(taken, dc=None):
        seq = job.append("calibration", to_data(taken))
        source = (
            f"Calibration {stored.name!r} of {stored.created} from the store; its file has the "
            f"SHA-256 {digest((path / FILE).read_bytes())}."
        )
        job.append("note", note_data(" ".join((source, *found)), seq))
    scale = taken.volts_per_full_scale[0]
    tested = stored.self_test_lines(device, rate_hz)
    return (
        f"Calibration {stored.name!r} of {stored.created[:10]}: one full scale is "
        f"{scale.value:.2f} V peak at tip A, ± {100.0 * scale.u / scale.value:.1f} %. It holds "
        "only while nothing at the input's gain was turned since.",
        *found,
        *tested,
    )


def calibration_from_job(folder: Path, name: str) -> tuple[StoredCalibration, list[bytes]]:
    """Return the newest calibration that was made in a job, with its evidence, for the store.

    Parameters
    ----------
    folder : Path
        The job.
    name : str
        What the calibration is to be called.

    Returns
    -------
    stored : StoredCalibration
        Its scale and DC part with the touches behind them.
    captures : list of bytes
        FLAC files of its touches.

    Raises
    ------
    InputError
        If the job holds no calibration of its own.
    DamageError
        If the record does not hold, or its captures give something else.
    UsageError
        If the job is a demonstration.
    """
    job = Job.open(folder, writable=False)
    head = job.head()
    if job.faults:
        raise DamageError(f"{folder}: {job.faults[0]}", "see levelset job verify")
    if head.plan.invented:
        raise UsageError(
            "a calibration of a demonstration belongs to no real interface",
            "calibrate in a job of a vehicle",
        )
    own = [(seq, made) for seq, made in job.calibrations() if made.evidence]
    if not own:
        raise InputError(
            f"{folder}: no calibration was made in this job", "run levelset run calibrate"
        )
    made = own[-1][1]
    # A touch of a battery repeats the line; the comparison with the multimeter was the first.
    seq = next(seq for seq, other in own if other.evidence == made.evidence)
    readings = dict(job.readings())
    touches, captures = [], []
    for number in made.evidence:
        reading = readings.get(number)
        volts = None if reading is None else reading.details.get("meter_volts_rms")
        if reading is None or not is_number(volts):
            raise DamageError(
                f"{folder}: seq {number} is no touch with a multimeter", "see levelset job verify"
            )
        captures.append(_capture(folder, reading.capture))
        touches.append(
            StoredTouch(reading.capture, reading.frames, reading.spec, float(volts), 0.0)
        )
    battery = None
    if made.dc is not None:
        battery = _battery(job, folder, made.dc.evidence)
        captures.append(_capture(folder, battery.capture))
    tested = _self_test(job, folder, made)
    if tested is not None:
        captures += [_capture(folder, stretch.capture) for stretch in tested.stretches]
    probe = head.plan.probe
    set_up = SetUp(
        device=made.port_name,
        rate_hz=made.rate_hz,
        channels=tuple(range(1, len(made.volts_per_full_scale) + 1)),
        probe="",
        range="",
        divider=probe.divider,
        full_scale_v_peak=_full_scale_v_peak(job, seq),
    )
    when = datetime.fromisoformat(job.lines()[seq - 1].time)
    stored = replace(
        new_calibration(
            _alone(made, name),
            set_up,
            probe.meter,
            touches,
            None,
            battery=battery,
            self_test=tested,
            now=when,
        ),
        levelset=head.levelset,
        analysis=head.analysis,
    )
    differs = differs_from_captures(stored, captures)
    if differs:
        raise DamageError(
            f"{folder}: {differs}, computed again from its captures", "see levelset job verify"
        )
    return stored, captures


def _self_test(job: Job, folder: Path, made: Calibration) -> StoredSelfTest | None:
    """Return the newest path check of the same input and rate, in volts of this calibration."""
    readings = dict(job.readings())
    here = {"device": made.port_name, "rate_hz": made.rate_hz}
    for line in reversed(job.lines()):
        if line.kind != "step" or line.data["procedure"] != "path_check":
            continue
        result = line.data["result"]
        if {key: result.get(key) for key in here} != here:
            continue
        stretches = tuple(
            StoredStretch(part, readings[seq].capture, readings[seq].frames)
            for part in PARTS
            if (seq := result["readings"].get(part)) is not None
        )
        if not complete(stretches):
            # What is spoilt has no captures that would say so; what was said is kept.
            return StoredSelfTest(line.time, trusted=False, lines=tuple(result["lines"]))
        captures = {s.capture: _capture(folder, s.capture) for s in stretches}
        scales = tuple(scale.value for scale in made.volts_per_full_scale)
        trust = judge_again(stretches, captures, scales)
        return StoredSelfTest(line.time, trust.trusted, lines_of(trust), stretches)
    return None


def _full_scale_v_peak(job: Job, before_seq: int) -> float:
    """Return the input's full scale that a calibration went by: as set in the job, or planned."""
    found = job.plan().probe.full_scale_volts_peak
    for step in job.steps(before_seq):
        if step.procedure == "input_level" and step.done:
            found = float(step.result["full_scale_volts_peak"]["value"])
    return found


def _alone(made: Calibration, name: str) -> Calibration:
    """Return a calibration that names no line of any journal."""
    dc = None if made.dc is None else replace(made.dc, evidence=0)
    return replace(made, name=name, evidence=(), dc=dc)


def _battery(job: Job, folder: Path, seq: int) -> StoredBattery:
    line = next((line for line in job.lines() if line.seq == seq), None)
    if line is None or line.kind != "touch":
        raise DamageError(f"{folder}: seq {seq} is no touch", "see levelset job verify")
    touch = from_data(line.data, TouchData, "data")
    return StoredBattery(touch.capture, touch.frames, touch.spec)


def _check_fits(stored: StoredCalibration, tips: int, design_v: float) -> None:
    # Further from the plan's than a new calibration may be: another range or another gain.
    scales = stored.calibration.volts_per_full_scale
    if len(scales) != tips:
        raise UsageError(
            f"calibration {stored.name!r} is of {len(scales)} tips, the plan has {tips}",
            "choose another one, or calibrate in this job",
        )
    for scale in scales:
        if abs(scale.value / design_v - 1.0) > DESIGN_TOLERANCE:
            raise UsageError(
                f"calibration {stored.name!r} has {scale.value:.4g} V per full scale, the plan's "
                f"probe {design_v:.4g} V",
                "choose the one of this range and gain, or calibrate in this job",
            )


def _capture(folder: Path, sha256: str) -> bytes:
    name = f"{CAPTURES}/{sha256}.flac"
    try:
        data = (folder / CAPTURES / f"{sha256}.flac").read_bytes()
    except OSError as error:
        raise DamageError(
            f"{folder}: {name}: {error.strerror or error}", "see levelset job verify"
        ) from error
    if digest(data) != sha256:
        raise DamageError(f"{folder}: {name} is altered", "see levelset job verify")
    return data
