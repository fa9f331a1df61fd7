"""The track plays in another process, through the sound server: which wire is it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from levelset.record.verification import verify_job
from tests.procedures.source_truth import car_with_source, source_with

pytestmark = pytest.mark.outside


def test_which_wire_while_another_process_plays_the_track(
    server: Any,
    beside: Callable[[str], ModuleType],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    """The car: right channel, turned, behind a high-pass of 60 Hz and 40 ms late."""
    job = beside("live_job")
    source = source_with(
        polarity="reversed", channel="right", highpass_hz=60.0, delay_ms=40.0, start_volume=20
    )
    car = tmp_path / "car.toml"
    car.write_text(car_with_source(source), "utf-8")
    for key, value in job.listening_environment(server).items():
        monkeypatch.setenv(key, value)
    jobs = tmp_path / "jobs"
    jobs.mkdir()
    [step] = job.run_job(server, car, jobs, tone_from="vehicle", procedures=("which_wire",))
    assert step.outcome == "accepted", step.sentence
    assert (step.result["channel"], step.result["polarity"]) == ("right", "reversed")
    [path] = jobs.iterdir()
    assert verify_job(path).ok
