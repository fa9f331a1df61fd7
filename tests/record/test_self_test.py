"""The self-test of a path is kept with the calibration of its device and rate, with evidence."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from levelset.cli import cli
from levelset.cli.live import _self_tests
from levelset.errors import DamageError
from levelset.ports.base import PortInfo
from levelset.ports.simulated import open_demo
from levelset.procedures import path_check
from levelset.procedures.catalogue import run_step
from levelset.procedures.engine import Engine
from levelset.record import calibrations as store
from levelset.record.calibration_evidence import check_evidence
from levelset.record.job import Job
from levelset.record.job_calibration import calibration_from_job, take_calibration
from levelset.record.verification import verify_job
from tests.procedures.test_path_check import Loop, Reader

KEY = "API / interface / 2 in 2 out / 48000 Hz"


def measured(folder: Path, loop: Any) -> Path:
    """Return a job in which one input was calibrated, and its path checked."""
    demo = open_demo(None, seed=3, fast=True)
    plan = replace(demo.plan, invented=False)
    info = PortInfo(KEY, 48_000, 2, can_play=True)
    demo.port._info = loop.info = info
    try:
        with Job.create(folder, "not invented", plan) as job:
            step = run_step(Engine(demo.port, job, demo.hands, plan), info, "calibrate", None)
            assert step.outcome == "accepted", step.sentence
            run_step(Engine(loop, job, Reader(), plan), info, "path_check", None)
            return job.path
    finally:
        demo.port.close()


@pytest.fixture(scope="module")
def job_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(path_check, "STRETCH_S", 1.0)
        patch.setattr(path_check, "LONG_S", 2.0)
        patch.setattr(path_check, "SPARE_S", 0.25)
        patch.setattr(Engine, "_meanwhile", lambda self, work: work())
        return measured(tmp_path_factory.mktemp("jobs"), Loop())


@pytest.fixture
def kept(job_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LEVELSET_HOME", str(tmp_path / "home"))
    stored, captures = calibration_from_job(job_path, "bench")
    return store.save_calibration(stored, captures)


def test_it_is_in_the_job_with_the_samples_behind_it(job_path: Path) -> None:
    report = verify_job(job_path)
    assert report.ok
    job = Job.open(job_path, writable=False)
    [step] = [s for s in job.steps() if s.procedure == "path_check"]
    readings = dict(job.readings())
    seconds = {
        part: readings[seq].frames.count / 48_000 for part, seq in step.result["readings"].items()
    }
    assert seconds == {"low_before": 1.0, "high": 1.0, "low_after": 2.0, "left_only": 1.0}
    assert step.result["device"] == KEY


def test_it_is_kept_with_the_calibration_in_volts_and_computed_again(kept: Path) -> None:
    stored = store.load_calibration(kept)
    assert stored.self_test is not None
    assert stored.self_test.trusted
    first, second = stored.self_test.lines
    assert first.startswith("Input 1 can be trusted for volts to 0.1 %, not below ")
    # White noise of 2e-5 in full scale of 160 V peak, 20 kHz of the band, 0.25 s: as in path.md.
    assert first.endswith(" mV; DC: by touch")
    noise_v = 2e-5 * (20_000 / 24_000) ** 0.5 * 160.0
    lowest_mv = 1e3 * 2.0 * noise_v / (20_000 * 0.25) ** 0.5 / 0.001 / 2.0**0.5
    said_mv = float(first.split("not below ")[1].split(" ")[0])
    assert said_mv == pytest.approx(lowest_mv, rel=0.05)
    assert second.startswith("Input 2 ")
    assert check_evidence(stored, kept) == ""


def test_a_line_that_the_captures_do_not_give_is_found(kept: Path) -> None:
    file = kept / store.FILE
    text = file.read_text().replace("to 0.1 %, not below", "to 0.1 %, not under")
    file.write_text(text)
    assert check_evidence(store.load_calibration(kept), kept).startswith("self-test: Input 1")


def test_a_capture_that_is_missing_is_found(kept: Path) -> None:
    stored = store.load_calibration(kept)
    assert stored.self_test is not None
    (kept / f"{stored.self_test.stretches[2].capture}.flac").unlink()
    with pytest.raises(DamageError, match="missing"):
        store.load_calibration(kept)


def test_it_travels_with_the_calibration(kept: Path, tmp_path: Path) -> None:
    store.export_calibration(kept, tmp_path / "one.zip")
    path, stored = store.import_calibration(tmp_path / "one.zip", folder=tmp_path / "other")
    assert stored.self_test == store.load_calibration(kept).self_test
    assert check_evidence(stored, path) == ""


def test_a_calibration_of_the_version_before_still_opens(kept: Path) -> None:
    data = json.loads((kept / store.FILE).read_text())
    del data["self_test"]
    (kept / store.FILE).write_text(json.dumps(data))
    stored = store.load_calibration(kept)
    assert stored.self_test is None
    assert stored.self_test_lines(KEY) == ()
    assert check_evidence(stored, kept) == ""


def test_it_is_said_of_its_own_device_and_rate_only(kept: Path) -> None:
    stored = store.load_calibration(kept)
    assert len(stored.self_test_lines(KEY, 48_000)) == 2
    assert stored.self_test_lines(KEY, 96_000) == ()
    assert stored.self_test_lines("another input", 48_000) == ()
    [test] = _self_tests(KEY)
    assert (test["calibration"], test["rate_hz"], test["behind"]) == ("bench", 48_000, "")
    for other in (KEY + " 2", KEY[:-1], "another input", ""):
        assert _self_tests(other) == []


def test_a_source_behind_a_sound_server_is_said(kept: Path) -> None:
    file = kept / store.FILE
    file.write_text(file.read_text().replace(KEY, KEY + " / line in"))
    [test] = _self_tests(KEY)
    assert test["behind"] == " through line in"


def test_commands_show_it(kept: Path) -> None:
    run = CliRunner().invoke
    assert "trusted for volts to 0.1 %" in run(cli, ["calibrate", "list"]).output
    shown = run(cli, ["calibrate", "show", "bench"]).output
    assert "path          Input 1 can be trusted for volts to 0.1 %" in shown
    assert "trusted" not in run(cli, ["calibrate", "show", "bench", "--rate", "96000"]).output
    assert "trusted" not in run(cli, ["calibrate", "show", "bench", "--device", "x"]).output
    data = json.loads(run(cli, ["calibrate", "show", "bench", "--json"]).output)
    assert len(data["trusted_for"]) == 2


def test_a_job_that_takes_it_says_it_of_the_same_input(kept: Path, tmp_path: Path) -> None:
    plan = replace(open_demo(None, seed=1, fast=True).plan, invented=False)
    for device, says in ((KEY, True), ("another input", False)):
        with Job.create(tmp_path, "x", plan) as job:
            said = take_calibration(job, "bench", device=device, rate_hz=48_000)
        assert any("can be trusted for volts" in line for line in said) == says


def test_the_newest_check_counts_also_where_it_failed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, seconds in (("STRETCH_S", 1.0), ("LONG_S", 2.0), ("SPARE_S", 0.25)):
        monkeypatch.setattr(path_check, name, seconds)
    monkeypatch.setattr(Engine, "_meanwhile", lambda self, work: work())
    path = measured(tmp_path, Loop())
    spoilt = Loop(lambda block, first: block.mean(axis=1, keepdims=True) * (1.0, 1.0))
    spoilt.info = PortInfo(KEY, 48_000, 2, can_play=True)
    with Job.open(path, writable=True) as job:
        step = run_step(Engine(spoilt, job, Reader(), job.plan()), spoilt.info, "path_check", None)
    assert step.outcome == "failed"
    stored, captures = calibration_from_job(path, "bench")
    assert stored.self_test is not None
    assert not stored.self_test.trusted
    assert all("cannot be trusted for volts" in line for line in stored.self_test.lines)
    assert verify_job(path).ok
    kept = store.save_calibration(stored, captures, folder=tmp_path / "kept")
    assert check_evidence(stored, kept) == ""
