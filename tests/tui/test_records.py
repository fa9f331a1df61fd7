"""Finding a job by words, and a remark while measuring."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from textual.widgets import Input
from tui_pilot import begin, make_app, run_with, screen_text, until
from tui_scenes import CLEAN, JOB, YES_NO, Script

from levelset.errors import InputError
from levelset.tui.screens.form import NoteScreen
from levelset.tui.screens.jobs import JobsScreen
from levelset.tui.screens.texts import ResultScreen

MANY = [
    replace(JOB, path=Path(f"jobs/{name}"), title=name, vehicle=f"{name} (invented)")
    for name in ("heron estate", "egret van", "stilt coupé")
]


def test_words_find_jobs_and_esc_shows_all_again() -> None:
    app, _ = make_app(jobs=MANY)

    async def scenario(pilot):
        assert "3 jobs" in screen_text(app)
        await pilot.press("slash", *"coupe")
        text = screen_text(app)
        assert "1 of 3 jobs" in text
        assert "stilt coupé" in text
        assert "heron" not in text
        await pilot.press("enter", "enter")
        assert "stilt coupé" in screen_text(app).splitlines()[0]
        await pilot.press("escape")
        assert isinstance(app.screen, JobsScreen)
        assert "1 of 3 jobs" in screen_text(app)
        await pilot.press("escape")
        assert "3 jobs" in screen_text(app)
        assert "heron estate" in screen_text(app)
        await pilot.press("slash", *"none", "enter", "enter")
        assert isinstance(app.screen, JobsScreen)
        assert "0 of 3 jobs" in screen_text(app)

    run_with(app, scenario)


def test_a_remark_is_added_while_levelset_listens() -> None:
    app, session = make_app(Script([CLEAN]))

    async def scenario(pilot):
        screen = await begin(pilot, CLEAN)
        await pilot.press("n")
        assert isinstance(app.screen, NoteScreen)
        assert "no personal data" in " ".join(screen_text(app).split())
        app.screen.query_one(Input).value = "fuse holder is warm"
        await pilot.press("enter")
        assert app.screen is screen
        assert session.remarks == ["fuse holder is warm"]
        await pilot.press("n", "enter")
        assert app.screen is screen
        assert session.remarks == ["fuse holder is warm"]

    run_with(app, scenario)


def test_a_remark_that_cannot_be_kept_says_so() -> None:
    app, session = make_app(Script([CLEAN]))

    def full(text: str) -> None:
        raise InputError("the job cannot be written", "make room")

    session.note = full

    async def scenario(pilot):
        await begin(pilot, CLEAN)
        await pilot.press("n", *"warm", "enter")
        assert isinstance(app.screen, NoteScreen)
        assert "the job cannot be written: make room." in screen_text(app)

    run_with(app, scenario)


def test_n_still_answers_a_question() -> None:
    script = Script([YES_NO])
    app, session = make_app(script)

    async def scenario(pilot):
        screen = await begin(pilot, YES_NO)
        await pilot.press("n")
        await until(pilot, lambda: script.answers == ["no"], "the answer")
        assert not isinstance(app.screen, NoteScreen)
        assert screen is not None

    run_with(app, scenario)


def test_a_job_that_ends_behind_the_remark_shows_its_result() -> None:
    app, session = make_app(Script([CLEAN]))

    async def scenario(pilot):
        await begin(pilot, CLEAN)
        await pilot.press("n")
        app.person.stop()
        await until(pilot, lambda: isinstance(app.screen, ResultScreen), "the result")

    run_with(app, scenario)
