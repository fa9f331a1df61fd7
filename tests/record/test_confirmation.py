"""A known voltage that has changed leaves the readings before it unconfirmed, and says so."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from record_jobs import clock, codes, reading_data
from test_verification import forge, of_kind, verify

from levelset.probe.known_voltage import ProbeCheck, compare_levels
from levelset.procedures import entries
from levelset.quantity import Quantity
from levelset.record.job import Job
from levelset.record.summary import summarise

LATER = clock(datetime(2031, 6, 1, tzinfo=UTC))


def add_check(path: Path, gain: float, meter_v: float = 5.02) -> None:
    """Repeat the touch of the calibration through an input with another gain."""
    with Job.open(path, writable=True, clock=LATER) as job:
        ((calibration_seq, calibration),) = job.calibrations()
        start_seq, start = job.readings()[0]
        raw = (codes(1, 0.05 * gain) * 1.0).astype("int32")
        raw[:, 1] = (0.997 * raw[:, 0]).round()
        data = reading_data(
            job,
            raw,
            procedure="probe_check",
            as_what="probe_check",
            calibration=(calibration_seq, calibration),
        )
        data["details"] = {"meter_volts_rms": meter_v}
        end_seq = job.append("reading", data)

        def levels(readings: list[dict[str, Any]]) -> list[Quantity]:
            return [
                Quantity(r["level_dbfs"]["value"], r["level_dbfs"]["u"], "dB") for r in readings
            ]

        tips = compare_levels(
            levels(start.readings[:2]), 5.02, levels(data["readings"][:2]), meter_v, 0.01
        )
        check = ProbeCheck(start_seq, end_seq, tips)
        job.append("probe_check", entries.probe_check(check, calibration_seq))


@pytest.fixture
def with_meter(job_path: Path) -> Path:
    """The calibration's reading also says what the multimeter read, as the procedure writes it."""

    def edit(lines: list[dict[str, Any]]) -> None:
        of_kind(lines, "reading")["data"]["details"] = {"meter_volts_rms": 5.02}

    forge(job_path, edit)
    return job_path


def after(path: Path) -> tuple[int, ...]:
    return tuple(seq for seq, data in Job.open(path, False).readings() if data.calibration_seq)


def test_a_scale_that_held_confirms(with_meter: Path) -> None:
    add_check(with_meter, 1.0)
    assert summarise(with_meter).unconfirmed == ()
    answer = verify(with_meter)
    assert answer.ok, answer.first_fault
    assert answer.notes == ()


def test_a_knocked_gain_marks_the_readings_between(with_meter: Path) -> None:
    between = after(with_meter)
    add_check(with_meter, 1.03)
    summary = summarise(with_meter)
    assert summary.unconfirmed == between
    assert not summary.complete
    assert "UNCONFIRMED" in summary.text()
    assert summary.as_json()["unconfirmed"] == between
    answer = verify(with_meter)
    assert answer.ok, answer.first_fault  # nothing was forged: it is a note
    [note] = answer.notes
    assert ", ".join(map(str, between)) in note


def test_a_check_that_holds_later_takes_it_back(with_meter: Path) -> None:
    add_check(with_meter, 1.03)  # a tip was loose
    add_check(with_meter, 1.0)
    assert summarise(with_meter).unconfirmed == ()


def test_readings_before_a_check_that_held_stay_confirmed(with_meter: Path) -> None:
    add_check(with_meter, 1.0)
    held = after(with_meter)
    with Job.open(with_meter, writable=True, clock=LATER) as job:
        known = job.calibrations()[0]
        data = reading_data(
            job, codes(7, 0.2), procedure="gain", as_what="gain", channel="bass", calibration=known
        )
        seq = job.append("reading", data)
    add_check(with_meter, 0.97)
    assert summarise(with_meter).unconfirmed == (seq,)
    assert seq not in held


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        (lambda d: d.update(confirmed=True), "data.confirmed is True"),
        (lambda d: d["change_percent"][0].update(value=0.1), "data.change_percent[0].value"),
        (lambda d: d["change_percent"].pop(), "data.change_percent has 1 entries"),
        (lambda d: d.update(end_seq=d["start_seq"]), "data.change_percent"),
        (lambda d: d.update(start_seq=2), "which is no reading"),
        (lambda d: d.update(end_seq=99), "which is no reading"),
        (lambda d: d.update(start_seq=8), "no multimeter reading"),
        (lambda d: d.pop("text"), "text"),
    ],
)
def test_a_forged_check_does_not_hold(with_meter: Path, edit: Any, says: str) -> None:
    add_check(with_meter, 1.03)
    forge(with_meter, lambda lines: edit(of_kind(lines, "probe_check")["data"]))
    assert says in str(verify(with_meter).first_fault)


def test_the_ground_lead_of_a_calibration_is_honoured(job_path: Path) -> None:
    # Kirchhoff: both tips on one point lift the probe's ground by 2 r / (1 + 2 r).
    def edit(lines: list[dict[str, Any]]) -> None:
        data = of_kind(lines, "calibration")["data"]
        data["ground_lead_ratio"] = 0.01
        for scale in data["volts_per_full_scale"]:
            scale["value"] /= 1.02

    forge(job_path, edit)
    faults = verify(job_path).faults
    assert not [fault for fault in faults if "volts_per_full_scale" in fault]
    forge(job_path, lambda lines: of_kind(lines, "calibration")["data"].pop("ground_lead_ratio"))
    assert "volts_per_full_scale[0]" in str(verify(job_path).first_fault)
