"""Every accepted reading explains its uncertainty, from its own capture."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner
from record_jobs import build_job

from levelset.cli import cli
from levelset.errors import InputError
from levelset.probe.volts import read_tips
from levelset.record.explanation import explain_reading
from levelset.record.job import Job


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_job(tmp_path_factory.mktemp("jobs"), read=read_tips, frames=12000)


def with_volts(path: Path) -> list[int]:
    return [seq for seq, data in Job.open(path, False).readings() if data.calibration_seq]


def test_every_reading_in_volts_is_explained(job: Path) -> None:
    stored = dict(Job.open(job, False).readings())
    for seq in with_volts(job):
        explained = explain_reading(job, seq)
        by_channel = {one["channel"]: one for one in stored[seq].readings}
        assert explained.readings
        for one in explained.readings:
            assert one.volts_rms.as_json() == pytest.approx(by_channel[one.channel]["volts_rms"])
            assert sum(line.share_percent for line in one.budget) == pytest.approx(100.0)
            # Root of the sum of squares (JCGM 100, 5.1.2), and k between 1.65 and t for 95 %.
            combined = math.sqrt(sum(line.percent**2 for line in one.budget))
            k = 100.0 * one.volts_rms.u / one.volts_rms.value / combined
            assert 1.6 < k < 2.1
            shares = [line.share_percent for line in one.budget]
            assert shares == sorted(shares, reverse=True)


def test_the_command_prints_it(job: Path) -> None:
    seq = with_volts(job)[0]
    text = CliRunner().invoke(cli, ["job", "show", str(job), "--explain", str(seq)]).output
    assert "drift since the calibration" in text
    assert "95 % coverage" in text
    arguments = ["job", "show", str(job), "--explain", str(seq), "--json"]
    data = json.loads(CliRunner().invoke(cli, arguments).output)
    assert data["schema"] == "levelset.explanation.v1"
    assert data["readings"][-1]["budget"][0]["standard_uncertainty_percent"] > 0.0


@pytest.mark.parametrize(("seq", "says"), [(1, "no accepted"), (999, "no accepted"), (5, "volts")])
def test_what_has_no_volts_cannot_be_explained(job: Path, seq: int, says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        explain_reading(job, seq)
    assert caught.value.todo


def test_a_missing_capture_is_reported(tmp_path: Path) -> None:
    path = build_job(tmp_path, read=read_tips, frames=12000)
    for capture in (path / "captures").iterdir():
        capture.unlink()
    with pytest.raises(InputError, match="missing"):
        explain_reading(path, with_volts(path)[0])
