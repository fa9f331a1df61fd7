"""The record with the tone analysis it is made for."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from record_jobs import build_job
from test_verification import forge, of_kind

from levelset.probe.volts import read_tips
from levelset.record.verification import verify_job


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_job(tmp_path_factory.mktemp("jobs"), read=read_tips, frames=12000)


@pytest.fixture
def real_job(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "job")
    return tmp_path / "job"


def test_readings_of_the_tone_analysis_come_out_again(real_job: Path) -> None:
    answer = verify_job(real_job)
    assert answer.ok, answer.first_fault
    assert answer.readings == 4


@pytest.mark.parametrize("which", [0, 1, 2, 3])
@pytest.mark.parametrize("key", ["level_dbfs", "frequency_hz", "thd_percent"])
def test_a_number_moved_by_a_twentieth_of_its_uncertainty_is_found(
    real_job: Path, which: int, key: str
) -> None:
    def edit(lines: list[dict[str, Any]]) -> None:
        one = of_kind(lines, "reading", which)["data"]["readings"][0]
        one[key]["value"] += max(0.05 * one[key]["u"], 1e-5 * abs(one[key]["value"]))

    forge(real_job, edit)
    answer = verify_job(real_job)
    assert f"readings[0].{key}.value" in str(answer.first_fault)
