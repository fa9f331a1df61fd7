"""A calibration kept from one job, taken into another, and what verification says of both."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from levelset.cli import cli
from levelset.errors import DamageError, InputError, LevelsetError, UsageError
from levelset.ports import live
from levelset.ports.simulated import open_demo
from levelset.procedures.catalogue import whole_job
from levelset.record.calibration_evidence import check_evidence
from levelset.record.calibrations import find_calibration, load_calibration, save_calibration
from levelset.record.job import Job
from levelset.record.job_calibration import calibration_from_job, take_calibration
from levelset.record.store import jobs_folder
from levelset.record.verification import verify_job
from levelset.session import Session, open_live_session


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory):
    """A job of a vehicle in which the probe was calibrated, by simulated hands."""
    demo = open_demo(None, seed=3, fast=True)
    plan = replace(demo.plan, invented=False)
    job = Job.create(tmp_path_factory.mktemp("jobs"), "first", plan)
    session = Session("first", plan, demo.port, job, demo.levers, demo.hands)
    try:
        assert session.run_one(session.simulated_hands, "calibrate", None).outcome == "accepted"
    finally:
        session.close()
    return job.path


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("LEVELSET_HOME", str(tmp_path / "home"))


@pytest.fixture
def stored(calibrated):
    made, captures = calibration_from_job(calibrated, "bench")
    save_calibration(made, captures)
    return made


def new_job(**changes):
    plan = replace(open_plan(), **changes)
    return Job.create(jobs_folder(), "second", plan)


def open_plan():
    demo = open_demo(None, seed=3, fast=True)
    demo.port.close()
    return replace(demo.plan, invented=False)


def test_what_a_job_keeps_is_its_own_scale_with_its_evidence(calibrated, stored):
    with Job.open(calibrated, writable=False) as job:
        [(_, made)] = job.calibrations()
    kept = load_calibration(find_calibration("bench"))
    assert kept == stored
    assert kept.calibration == replace(made, name="bench", evidence=())
    assert [t.meter_volts_rms for t in kept.touches] == [made.meter_volts_rms]
    assert kept.set_up.device == made.port_name
    assert check_evidence(kept, find_calibration("bench")) == ""


def test_a_job_that_begins_with_it_measures_holds_and_says_where_it_is_from(stored):
    demo = open_demo(None, seed=4, fast=True)
    job = new_job()
    try:
        said = take_calibration(job, "bench", device=demo.port.info.name, rate_hz=48_000)
        session = Session(
            "second", job.plan(), demo.port, job, demo.levers, demo.hands, stored_calibration=True
        )
        with pytest.raises(UsageError, match="of its own"):
            session.run_one(session.simulated_hands, "calibrate", None)
        step = session.run_one(session.simulated_hands, "output_kind", None)
        # The whole job leaves out what belongs to a touch in this job.
        names = [entry.procedure for entry in session.agenda() if not entry.further]
        everything = [name for name, _ in whole_job(job.plan())]
        session.close()
    finally:
        demo.port.close()
        job.close()
    assert len(said) == 1
    assert said[0].startswith("Calibration 'bench' of ")
    assert step.outcome == "accepted"
    assert [n for n in everything if n not in ("calibrate", "probe_check")] == names
    assert len(names) == len(everything) - 2
    result = verify_job(job.path)
    assert result.ok, result.text()
    assert any("'bench' was not made in this job" in note for note in result.notes)
    [(seq, _)] = job.calibrations()
    readings = [reading for _, reading in job.readings()]
    assert readings
    assert {reading.calibration_seq for reading in readings} == {seq}
    [note] = [line for line in job.lines() if line.kind == "note"]
    assert note.data["about"] == seq
    assert stored.created in note.data["text"]


def test_taking_it_again_adds_nothing(stored):
    with new_job() as job:
        for _ in range(2):
            take_calibration(job, "bench", device=stored.set_up.device, rate_hz=48_000)
        assert [line.kind for line in job.lines()] == ["job", "calibration", "note"]


def test_what_speaks_against_it_is_said_and_recorded(stored):
    with new_job() as job:
        said = take_calibration(job, "bench", device="another input", rate_hz=96_000)
        text = job.newest.data["text"]
    assert len(said) == 3
    for warning in said[1:]:
        assert warning in text
    assert "another input" in said[1]
    assert "96000 Hz" in said[2]


@pytest.mark.parametrize(
    ("change", "says"), [({"tips": 1}, "of 2 tips"), ({"divider": 10.0}, "V per full scale")]
)
def test_one_that_does_not_fit_the_plan_is_refused(stored, change, says):
    plan = open_plan()
    with new_job(probe=replace(plan.probe, **change)) as job:
        with pytest.raises(UsageError, match=says):
            take_calibration(job, "bench", device=stored.set_up.device, rate_hz=48_000)
        assert [line.kind for line in job.lines()] == ["job"]


def test_a_job_with_a_calibration_of_its_own_takes_none(calibrated, stored):
    with (
        Job.open(calibrated, writable=True) as job,
        pytest.raises(UsageError, match="a calibration of its own"),
    ):
        take_calibration(job, "bench", device=stored.set_up.device, rate_hz=48_000)


def test_a_job_without_one_keeps_none():
    with new_job() as job, pytest.raises(InputError, match="no calibration was made"):
        calibration_from_job(job.path, "bench")
    with new_job(invented=True) as job, pytest.raises(UsageError, match="demonstration"):
        calibration_from_job(job.path, "bench")


def test_altered_evidence_is_not_kept(calibrated, tmp_path):
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(calibrated, copy)
    [capture] = (copy / "captures").iterdir()
    data = bytearray(capture.read_bytes())
    data[-1] ^= 1
    capture.write_bytes(bytes(data))
    with pytest.raises(DamageError, match="altered"):
        calibration_from_job(copy, "bench")
    capture.unlink()
    with pytest.raises(DamageError):
        calibration_from_job(copy, "bench")


def test_the_command_keeps_it(calibrated):
    arguments = ["calibrate", "save", str(calibrated), "--name", "bench"]
    done = CliRunner().invoke(cli, [*arguments, "--json"], standalone_mode=False)
    assert json.loads(done.output)["calibration"]["name"] == "bench"
    again = CliRunner().invoke(cli, arguments, standalone_mode=False)
    assert isinstance(again.exception, LevelsetError)
    assert "already" in str(again.exception)


class Port:
    """An input that is only there."""

    def __init__(self, name):
        self.info = SimpleNamespace(name=name, rate_hz=48_000)
        self.closed = 0

    def close(self):
        self.closed += 1


def test_opening_live_takes_it_and_releases_everything_where_it_cannot(stored, monkeypatch):
    port = Port(stored.set_up.device)
    monkeypatch.setattr(live, "open_live", lambda *_, **__: port)
    with new_job() as job:
        path = job.path
    options = {"device": None, "output": None, "rate_hz": 48_000}
    with pytest.raises(InputError, match="no such calibration"):
        open_live_session(path, **options, calibration="no such")
    assert port.closed == 1
    journal = (path / "journal.jsonl").read_bytes()
    with pytest.raises(UsageError, match="no channel 'rear'"):
        open_live_session(path, **options, channel="rear", calibration="bench")
    assert (path / "journal.jsonl").read_bytes() == journal
    session = open_live_session(path, **options, calibration="bench")
    assert session.stored_calibration
    assert len(session.notices) == 1
    session.close()
    session = open_live_session(path, **options)
    assert not session.stored_calibration
    session.close()
    with new_job(invented=True) as job:
        demonstration = job.path
    with pytest.raises(UsageError, match="demonstration"):
        open_live_session(demonstration, **options)
