"""The path check and a test signal, through a real sound server."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from levelset.ports.live import open_live
from levelset.procedures import path_check
from levelset.procedures.catalogue import run_step
from levelset.procedures.engine import Engine
from levelset.procedures.facts import StepResult
from levelset.procedures.protocol import Acknowledge, Answer, Ask, View
from levelset.record.job import Job
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.paperwork import job_plan

pytestmark = pytest.mark.outside


class Reader:
    """A person who confirms whatever is shown."""

    def see(self, view: View) -> None:
        pass

    def answer(self, view: View) -> Answer | None:
        match view.instruction:
            case Acknowledge():
                return Answer("yes")
            case Ask():
                return Answer("done")
        return None

    def wants_to_stop(self) -> bool:
        return False


def checked(folder: Path) -> StepResult:
    plan = job_plan(load_demo_car())
    port = open_live("pulse", output="pulse", rate_hz=48_000, channels=2)
    try:
        with Job.create(folder, "invented", plan) as job:
            return run_step(Engine(port, job, Reader(), plan), port.info, "path_check", None)
    finally:
        port.close()


def test_the_servers_own_loop_is_checked_and_trusted(
    server: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(path_check, "LONG_S", 2.0)
    monkeypatch.setattr(path_check, "STRETCH_S", 1.0)
    # A busy machine starves the server now and then; the check says so, and is done again.
    steps = (checked(tmp_path / str(turn)) for turn in range(3))
    step = next((step for step in steps if not step.result.get("port_notes", {"failed": ""})), None)
    assert step is not None
    assert step.outcome == "accepted", step.sentence
    assert step.result["findings"] == []
    for channel in step.result["channels"]:
        assert channel["heard"]
        assert channel["trusted_percent"] == 0.1
        # The server's loop hands on the codes themselves: nothing is off by more than rounding.
        assert abs(channel["tracking_db"]["value"]) < 1e-4
        assert abs(channel["clock_ppm"]["value"]) < 0.01
        assert channel["noise_dbfs"] < -130.0
        assert channel["bits"] == 24
    assert step.result["left_only_db"] < -100.0


def play(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "levelset", "signals", "play", *words, "--output", "pulse"],
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_a_signal_rises_in_steps_and_ends_with_the_interrupt(server: Any, live: ModuleType) -> None:
    with live.Recorder(server, live.SINKS[0]) as recorder:
        player = play("set-bass", "--level", "-12", "--yes")
        assert player.stdout is not None
        lines = []
        for line in player.stdout:
            lines.append(line)
            if "-22 dBFS" in line:
                break
        player.send_signal(signal.SIGINT)
        sent_s = time.perf_counter()
        rest, errors = player.communicate(timeout=20)
        time.sleep(0.3)
        assert player.returncode == 130
        assert recorder.last_sound_s() - sent_s < live.ENOUGH_S
        # The step to -22 dBFS had begun; -16 and -12 dBFS had not.
        peak = recorder.peak_after(float("-inf"))
        assert 10.0 ** (-29.0 / 20.0) < peak < 10.0 ** (-21.9 / 20.0)
    assert [float(x) for x in re.findall(r"at (-\d+) dBFS", "".join(lines))] == [-40, -34, -28, -22]
    assert "CAUTION" in "".join(lines)
    assert errors.count("\n") == 1


def test_without_a_level_it_stays_at_forty_below(server: Any, live: ModuleType) -> None:
    with live.Recorder(server, live.SINKS[0]) as recorder:
        player = play("check-level", "--seconds", "2.5")
        _, errors = player.communicate(timeout=30)
        assert player.returncode == 0, errors
        time.sleep(0.2)
        assert recorder.peak_after(float("-inf")) == pytest.approx(0.01, rel=1e-4)
        tail = np.concatenate([x for _, x in recorder.heard])[-1024:]
    assert not np.any(tail)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--level", "-12"), "--yes"),
        (("--level", "-3", "--yes"), "name the interface itself"),
        (("--level", "3", "--yes"), "cannot be played"),
    ],
)
def test_loud_is_refused(server: Any, live: ModuleType, words: tuple[str, ...], said: str) -> None:
    with live.Recorder(server, live.SINKS[0]) as recorder:
        player = play("set-bass", *words)
        _, errors = player.communicate(timeout=30)
        assert player.returncode == 2
        assert said in errors
        assert recorder.peak_after(float("-inf")) == 0.0
