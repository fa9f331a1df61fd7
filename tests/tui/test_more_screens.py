"""Screens beside the job: a probe's design, a new job, opening a job for measuring."""

from __future__ import annotations

import math
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from textual.widgets import Input
from tui_pilot import check_golden, make_app, run_with, screen_text, until
from tui_scenes import JOB

from levelset.cli import cli
from levelset.errors import DeviceError, UsageError
from levelset.probe.requirement import LIMITS
from levelset.session import new_job
from levelset.tui.screens.form import MeasureScreen, NewJobScreen
from levelset.tui.screens.jobs import JobsScreen
from levelset.tui.screens.probe import ProbeScreen
from levelset.tui.screens.texts import HelpScreen, JobScreen, PlanScreen

REAL = replace(JOB, invented=False, vehicle="Heron estate")


@pytest.mark.parametrize(
    ("size", "name"), [((60, 20), "60x20"), ((80, 24), "80x24"), ((120, 40), "120x40")]
)
def test_the_design_of_a_probe(size, name):
    app, _ = make_app()

    async def scenario(pilot):
        await pilot.press("p")
        assert isinstance(app.screen, ProbeScreen)
        check_golden(app, f"probe_empty_{name}")
        await pilot.press(*"500", "enter")
        text = " ".join(screen_text(app).split())
        assert "500 V peak is too high: type a number from 1 to 400 V peak." in text
        await pilot.press("backspace", "backspace", "backspace", *"120", "enter", *"1,5", "enter")
        check_golden(app, f"probe_{name}")
        await pilot.press("down", "down", "escape")
        assert isinstance(app.screen, JobsScreen)

    run_with(app, scenario, size)


def test_the_screen_says_what_the_command_prints():
    app, _ = make_app()
    options = "--max-volts 90 --full-scale 2.1 --input-impedance 20000 --cable-pf 200 --balanced"
    printed = CliRunner().invoke(cli, ["probe", *options.split()]).output.splitlines()

    async def scenario(pilot):
        await pilot.press("p", *"90", "tab", *"2.1", "tab", *"20", "tab", *"200", "tab")
        await pilot.press("space", "space")
        assert "balanced" in screen_text(app)
        # At the width of the command, the page begins with the same lines.
        assert app.screen.lines(96)[: len(printed)] == printed
        # Going round comes back to the first field, and backwards to the last.
        await pilot.press("tab")
        assert "> 90 V peak" in screen_text(app)
        await pilot.press("shift+tab")
        assert "> two, on one balanced input" in screen_text(app)

    run_with(app, scenario)


def test_a_probe_that_cannot_be_says_what_to_do():
    app, _ = make_app()

    async def scenario(pilot):
        await pilot.press("p", *"400", "enter", *"0.05", "enter")
        text = " ".join(screen_text(app).split())
        assert "There is no such probe: no probe of the high range fits 400 V peak" in text
        assert "What to do: use a shorter cable, an input with a larger full scale" in text
        # With a larger full scale the refusal is gone.
        await pilot.press("shift+tab", *"1.5", "enter")
        assert "There is no such probe" not in screen_text(app)
        assert "R1 (E24)" in screen_text(app)

    run_with(app, scenario)


def test_cautions_of_the_probe_are_always_in_sight_and_written_out_below():
    app, _ = make_app()

    async def scenario(pilot):
        await pilot.press("p", *"120", "enter", *"1.5", "enter")
        assert "Ground lead first on, last off." in screen_text(app)
        await pilot.press("end")
        await until(pilot, lambda: "Taken as typical" in screen_text(app), "the end of the page")
        await pilot.press("pageup", "question_mark")
        assert isinstance(app.screen, HelpScreen)
        await pilot.press("escape", "escape")
        assert isinstance(app.screen, JobsScreen)

    run_with(app, scenario)


def test_every_field_has_limits_of_its_own():
    screen = ProbeScreen()
    for index in range(4):
        screen._at = index
        entry = screen._fresh()
        _, low, high, unit = list(LIMITS.values())[index]
        scale = 1e3 if unit == "ohm" else 1.0
        assert math.isclose(entry.low * scale, low, abs_tol=1e-12)
        assert math.isclose(entry.high * scale, high)


def test_a_new_job_from_a_plan_file(tmp_path):
    plan = tmp_path / "plan.toml"
    made = []

    def make(path):
        made.append(new_job(path, tmp_path / "jobs"))
        jobs.append(replace(REAL, path=made[-1], title="a new estate"))
        return made[-1]

    jobs = [REAL]
    app, _ = make_app(jobs=(), new_job=make)
    app.list_jobs = lambda: list(jobs)

    async def scenario(pilot):
        await pilot.press("n", "end", "enter")
        assert isinstance(app.screen, NewJobScreen)
        await pilot.press("enter")
        assert "Type the path of a plan file" in screen_text(app)
        app.screen.query_one(Input).value = str(plan)
        await pilot.press("enter")
        text = "".join(screen_text(app).split())
        assert "cannotberead(Nosuchfileordirectory):givethepath" in text
        plan.write_text("vehicle = 3\n", "utf-8")
        await pilot.press("enter")
        assert "vehicle" in screen_text(app)
        assert made == []
        plan.write_text(PLAN_FILE, "utf-8")
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, JobsScreen), "the list")
        await until(pilot, lambda: "a new estate" in screen_text(app), "the new job")
        await pilot.press("enter")
        assert app.screen._job.path == made[0]

    run_with(app, scenario)


def test_new_job_looks_like_this_and_esc_makes_none():
    app, _ = make_app()

    async def scenario(pilot):
        await pilot.press("n", "end", "enter", *"a plan?.toml")
        check_golden(app, "new_job_80x24")
        await pilot.press("escape")
        assert isinstance(app.screen, JobsScreen)

    run_with(app, scenario)


def test_a_recorded_job_is_opened_with_the_sound_card():
    chosen = []

    def open_live(session, *given):
        chosen.append(given)
        if len(chosen) == 1:
            raise DeviceError("there is no input 'no such'", "see levelset devices")
        session.notices = ("Calibration 'bench' of 2031-04-01.",)
        return session

    app, session = make_app(jobs=(REAL,), open_live=open_live)

    async def scenario(pilot):
        await pilot.press("enter")
        assert "m measure with the sound card" in screen_text(app)
        await pilot.press("m")
        assert isinstance(app.screen, MeasureScreen)
        await type_lines(pilot, "no such", "", "bench")
        await until(pilot, lambda: "there is no input" in screen_text(app), "the refusal")
        check_golden(app, "measure_refused_80x24")
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, PlanScreen), "the plan")
        assert "Calibration 'bench'" in screen_text(app)
        await pilot.press("escape")
        assert isinstance(app.screen, JobsScreen)
        assert session.closed == 1

    run_with(app, scenario)
    assert chosen == [(REAL.path, "no such", None, "bench")] * 2


def test_a_sound_card_that_opens_after_esc_is_released():
    go_on = threading.Event()

    def open_live(session, *_):
        go_on.wait(5.0)
        return session

    app, session = make_app(jobs=(REAL,), open_live=open_live)

    async def scenario(pilot):
        await pilot.press("enter", "m")
        await type_lines(pilot, "", "", "")
        assert "Opening the input." in screen_text(app)
        await pilot.press("escape")
        assert isinstance(app.screen, JobScreen)
        go_on.set()
        await until(pilot, lambda: session.closed == 1, "the release")
        assert isinstance(app.screen, JobScreen)

    run_with(app, scenario)


@pytest.mark.parametrize("job", [JOB, replace(REAL, fault="line 3: altered")])
def test_a_demonstration_or_a_damaged_record_is_not_measured(job):
    app, _ = make_app(jobs=(job,))

    async def scenario(pilot):
        await pilot.press("enter")
        assert "measure with" not in screen_text(app)
        await pilot.press("m")
        assert isinstance(app.screen, JobScreen)

    run_with(app, scenario)


def test_an_unusable_calibration_is_refused_like_a_device():
    def open_live(*_):
        raise UsageError("calibration 'b' is of 1 tips, the plan has 2", "choose another one")

    app, _ = make_app(jobs=(REAL,), open_live=open_live)

    async def scenario(pilot):
        await pilot.press("enter", "m")
        await type_lines(pilot, "", "", "b")
        await until(pilot, lambda: "choose another one." in screen_text(app), "the refusal")

    run_with(app, scenario)


def test_a_sound_card_can_be_opened_while_the_screen_has_the_error_stream():
    code = """
import io, sys
from levelset.cli.common import open_screen
from levelset.errors import DeviceError
from levelset.ports.audio_process import devices
from levelset.tui.app import LevelsetApp

class Taken(io.StringIO):
    isatty = lambda self: True
    fileno = lambda self: -1

def run(app):
    sys.stderr = Taken()
    try:
        devices()
    except DeviceError:
        pass

if __name__ == "__main__":
    sys.stdin = sys.stdout = Taken()
    LevelsetApp.run = run
    open_screen(None)
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr


async def type_lines(pilot, *lines):
    """Type into each line of a form and end it by enter."""
    for line in lines:
        await pilot.press(*line, "enter")
        await pilot.pause()


PLAN_FILE = (Path(__file__).parent / "plan.toml").read_text("utf-8")
