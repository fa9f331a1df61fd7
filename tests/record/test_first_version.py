"""A job that the first version wrote, a whole one on an invented car, still opens and holds."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from levelset.record.job import Job
from levelset.record.summary import summarise
from levelset.record.verification import verify_job

FIRST = Path(__file__).parent / "jobs" / "first-version"
HEAD = "0a8740aba84124a49752406e083394e50417c89a97a57ddd1a09bfc1b6c25cef"


@pytest.fixture
def first(tmp_path: Path) -> Path:
    return shutil.copytree(FIRST, tmp_path / "first")


def test_it_is_shown() -> None:
    summary = summarise(FIRST)
    assert summary.state == "complete"
    assert summary.fault is None
    assert (summary.vehicle, summary.invented) == ("simulated car (invented)", True)
    assert summary.clean_volume == 33
    (bass,) = summary.channels
    assert bass.set_volts_rms is not None
    assert bass.set_volts_rms.value == pytest.approx(21.70, abs=0.01)  # as it was printed
    assert bass.verified


def test_it_holds() -> None:
    answer = verify_job(FIRST)
    assert answer.ok, answer.first_fault
    assert (answer.lines, answer.captures, answer.readings) == (66, 15, 15)
    assert answer.head_sha256 == HEAD


def test_it_goes_on(first: Path) -> None:
    before = (first / "journal.jsonl").read_bytes()
    with Job.open(first, writable=True) as job:
        assert job.append("note", {"text": "years later", "about": None}) == 67
    assert (first / "journal.jsonl").read_bytes().startswith(before)
    assert summarise(first).state == "complete"
