"""The list of jobs: fast, tolerant, newest first."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from record_jobs import BEGIN, build_job, clock, plan, step_data

from levelset.errors import InputError
from levelset.record.job import Job
from levelset.record.store import data_folder, find_job, jobs_folder, list_jobs
from levelset.record.summary import summarise


def test_home_is_taken_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LEVELSET_HOME", str(tmp_path))
    assert jobs_folder() == tmp_path / "jobs"
    assert data_folder() == tmp_path
    assert jobs_folder(Path("elsewhere")) == Path("elsewhere")
    assert list_jobs() == []
    monkeypatch.delenv("LEVELSET_HOME")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DOCUMENTS_DIR", str(tmp_path / "Documents"))
    assert jobs_folder().name == "levelset"
    assert not any(part.startswith(".") for part in jobs_folder().relative_to(tmp_path).parts)
    assert data_folder() != jobs_folder()


def test_a_finished_job_in_summary(job_path: Path) -> None:
    summary = summarise(job_path)
    assert summary.complete
    assert summary.state == "complete"
    assert summary.clean_volume == 30
    assert summary.readings == 4
    assert summary.invented
    assert summary.created == "2031-05-04T09:30:00.000Z"
    assert summary.fault is None
    (bass,) = summary.channels
    assert (bass.name, bass.load, bass.target_volts_rms) == ("bass", "4||4", 22.8)
    assert (bass.outcome, bass.limited_by, bass.verified) == ("accepted", "target", True)
    assert bass.set_volts_rms is not None
    assert bass.set_volts_rms.unit == "V"
    text = summary.text()
    assert "Invented estate: bass (invented): complete" in text
    assert "set " in text
    assert "verified" in text
    data = json.loads(json.dumps(summary.as_json(), allow_nan=False))
    assert data["schema"] == "levelset.job.v1"
    assert data["channels"][0]["set_volts_rms"].keys() == {"value", "u"}


def test_a_job_is_incomplete_until_a_procedure_says_otherwise(tmp_path: Path) -> None:
    with Job.create(tmp_path, "new", plan(), BEGIN, clock=clock()) as job:
        verified = {"channels": [{"channel": "bass", "verdict": "ok"}]}
        gain = {"set_volts_rms": {"value": 22.0, "u": 0.2}, "limited_by": "clipping"}
        assert not summarise(job.path).complete
        job.append("step", step_data("verify", None, verified))
        assert not summarise(job.path).complete
        job.append("step", step_data("gain", "bass", gain))
        assert not summarise(job.path).complete
        job.append("step", step_data("verify", None, verified))
        assert summarise(job.path).complete
        # What is done again supersedes what was.
        job.append("step", {**step_data("gain", "bass", {}), "outcome": "failed"})
        again = summarise(job.path)
        assert not again.complete
        assert again.channels[0].set_volts_rms is None
        assert again.channels[0].outcome == "failed"


def test_the_list_is_newest_first_and_shows_what_is_wrong(tmp_path: Path) -> None:
    for days, title in enumerate(("old", "middle", "young")):
        begin = BEGIN + timedelta(days=days)
        Job.create(tmp_path, title, plan(), begin, clock=clock(begin)).close()
    damaged = build_job(tmp_path)
    data = (damaged / "journal.jsonl").read_bytes()
    (damaged / "journal.jsonl").write_bytes(data.replace(b"Ground first.", b"Ground last.."))
    (tmp_path / "2031-05-05-holiday-pictures").mkdir()
    (tmp_path / ".hidden").mkdir()
    (tmp_path / "a-file.txt").write_text("x")
    garbage = tmp_path / "2000-01-01-garbage"
    garbage.mkdir()
    (garbage / "journal.jsonl").write_bytes(b"\x00\xff\n")

    jobs = list_jobs(tmp_path)
    assert [job.path.name for job in jobs] == [
        "2031-05-06-young",
        "2031-05-05-middle",
        "2031-05-05-holiday-pictures",
        "2031-05-04-old",
        "2031-05-04-Invented-estate-bass",
        "2000-01-01-garbage",
    ]
    by_name = {job.path.name: job for job in jobs}
    assert "not a job" in str(by_name["2031-05-05-holiday-pictures"].fault)
    assert "line 2: altered" in str(by_name["2031-05-04-Invented-estate-bass"].fault)
    assert "line 1" in str(by_name["2000-01-01-garbage"].fault)
    assert by_name["2031-05-06-young"].fault is None
    assert [job.line() for job in jobs][0] == (
        "2031-05-06  incomplete  0/1 channels  2031-05-06-young"
    )
    assert all("\n" not in job.line() for job in jobs)


def test_jobs_are_found_by_path_and_by_name(tmp_path: Path) -> None:
    path = build_job(tmp_path)
    assert find_job(str(path)) == path
    assert find_job(path.name, tmp_path) == path
    for name in ("none", "x" * 5000, "~nobody-of-that-name/x", "a\0b"):
        with pytest.raises(InputError, match="no such job"):
            find_job(name, tmp_path)
    with pytest.raises(InputError, match="no such job"):
        find_job("../" + path.name, tmp_path / "deeper")


def test_a_file_in_place_of_the_folder_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "jobs").write_text("x")
    with pytest.raises(InputError, match="jobs"):
        list_jobs(tmp_path / "jobs")
