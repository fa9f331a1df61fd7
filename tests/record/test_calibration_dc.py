"""A calibration of the store with its DC part: kept, exported, used in another job, verified."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from levelset.errors import DamageError
from levelset.ports.simulated import open_demo
from levelset.record.calibration_evidence import check_evidence
from levelset.record.calibrations import (
    FILE,
    export_calibration,
    import_calibration,
    load_calibration,
    save_calibration,
)
from levelset.record.job import Job
from levelset.record.job_calibration import calibration_from_job, take_calibration
from levelset.record.verification import verify_job
from levelset.session import Session
from levelset.simulation.car_file import load_demo_car


def session_of(folder, title):
    """A job of a vehicle on the simulated car."""
    demo = open_demo(None, seed=3, fast=True)
    plan = replace(demo.plan, invented=False)
    job = Job.create(folder, title, plan)
    return Session(title, plan, demo.port, job, demo.levers, demo.hands)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """What a job gives to the store in which the battery was touched, with its captures."""
    session = session_of(tmp_path_factory.mktemp("jobs"), "first")
    try:
        for name in ("calibrate", "battery_touch"):
            assert session.run_one(session.simulated_hands, name, None).outcome == "accepted"
    finally:
        session.close()
    return calibration_from_job(session.job_path, "bench")


@pytest.fixture
def path(made, tmp_path, monkeypatch):
    monkeypatch.setenv("LEVELSET_HOME", str(tmp_path / "home"))
    return save_calibration(*made)


def test_it_holds_by_its_own_captures_also_elsewhere(path, made, tmp_path):
    stored = load_calibration(path)
    assert stored == made[0]
    assert stored.calibration.dc.evidence == 0
    assert check_evidence(stored, path) == ""
    export_calibration(path, tmp_path / "bench.zip")
    other, again = import_calibration(tmp_path / "bench.zip", folder=tmp_path / "elsewhere")
    assert again == stored
    assert check_evidence(again, other) == ""
    assert {file.stem for file in other.glob("*.flac")} == set(stored.captures)


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data["calibration"]["dc"]["tips"][1].update(height_fs=0.0601),
        lambda data: data["calibration"]["dc"]["tips"][0]["coefficients"].__setitem__(0, 14.0),
        lambda data: data["calibration"]["dc"]["tips"][0]["covariance"][0].__setitem__(0, 1e-6),
    ],
)
def test_a_dc_part_that_its_touch_does_not_give_is_found(path, change):
    data = json.loads((path / FILE).read_bytes())
    change(data)
    (path / FILE).write_text(json.dumps(data))
    assert "battery" in check_evidence(load_calibration(path), path)


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data.update(battery=None),
        lambda data: data["calibration"].update(dc=None),
        lambda data: data["calibration"]["dc"]["tips"].pop(),
        lambda data: data["calibration"]["dc"].update(battery_v=0.0),
        lambda data: data["calibration"]["dc"]["tips"][0]["covariance"].pop(),
        lambda data: data["battery"].update(capture="../../secret"),
    ],
)
def test_a_dc_part_that_cannot_be_is_refused(path, change):
    data = json.loads((path / FILE).read_bytes())
    change(data)
    (path / FILE).write_text(json.dumps(data))
    with pytest.raises(DamageError):
        load_calibration(path)


def test_one_without_a_battery_of_an_earlier_version_still_opens(path):
    data = json.loads((path / FILE).read_bytes())
    del data["battery"], data["calibration"]["dc"]
    (path / FILE).write_text(json.dumps(data))
    stored = load_calibration(path)
    assert stored.calibration.dc is None
    assert check_evidence(stored, path) == ""


def test_a_job_that_begins_with_it_reads_by_touch(path, tmp_path):
    demo = open_demo(None, seed=4, fast=True)
    job = Job.create(tmp_path / "jobs", "second", replace(demo.plan, invented=False))
    take_calibration(job, "bench", device=demo.port.info.name, rate_hz=48_000)
    session = Session(
        "second", job.plan(), demo.port, job, demo.levers, demo.hands, stored_calibration=True
    )
    try:
        battery = session.run_one(session.simulated_hands, "battery_touch", None)
        tap = session.run_one(session.simulated_hands, "tap_check", None)
    finally:
        session.close()
    assert battery.outcome == tap.outcome == "accepted"
    assert "from the store" in battery.sentence
    assert tap.result["typed"] is False
    source = load_demo_car().source
    bias = tap.result["bias_v"]["positive"]
    truth = source.bias_volts + source.offset_millivolts / 2000.0
    assert abs(bias["value"] - truth) <= bias["u"]
    verified = verify_job(job.path)
    assert verified.ok, verified.first_fault
