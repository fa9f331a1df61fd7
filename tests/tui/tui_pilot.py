"""Drives the program without a terminal, and reads its screen as plain text."""

from __future__ import annotations

import asyncio
import os
from importlib.metadata import version
from pathlib import Path

from tui_scenes import JOB, FakeSession, Script

from levelset.tui.app import LevelsetApp
from levelset.tui.screens.procedure import ProcedureScreen

GOLDENS = Path(__file__).parent / "goldens"
TEXTUAL = "8.2.8"
"""The version whose layout the golden files show."""

UPDATE = "LEVELSET_UPDATE_GOLDENS"


def screen_text(app: LevelsetApp) -> str:
    """Return the screen as plain text; the one place that reaches into Textual's compositor."""
    strips = app.screen._compositor.render_strips()
    lines = ["".join(segment.text for segment in strip).rstrip() for strip in strips]
    return "\n".join(lines).rstrip() + "\n"


def check_golden(app: LevelsetApp, name: str) -> None:
    """Compare the screen with its golden file, or write it where that is asked for."""
    path = GOLDENS / f"{name}.txt"
    found = screen_text(app)
    if os.environ.get(UPDATE) == "1":
        assert version("textual") == TEXTUAL, f"golden files belong to textual {TEXTUAL}"
        path.write_text(found, encoding="utf-8")
    assert found == path.read_text(encoding="utf-8"), f"{path.name} differs from the screen"


def make_app(
    script: Script | None = None,
    *,
    jobs=(JOB,),
    levers=None,
    hands=None,
    charset="braille",
    new_job=None,
    new_job_of_text=None,
    open_live=None,
    write_tracks=None,
) -> tuple[LevelsetApp, FakeSession]:
    """Return the program with a session at hand; key ``d`` opens it."""
    made = FakeSession(script or Script([]), levers=levers, hands=hands)
    app = LevelsetApp(
        open_demo=lambda: made,
        list_jobs=lambda: list(jobs),
        new_job=new_job or unused,
        new_job_of_text=new_job_of_text or unused,
        open_live=lambda *chosen: (open_live or unused)(made, *chosen),
        write_tracks=write_tracks or unused,
        charset=charset,
    )
    return app, made


def unused(*_: object) -> Path:
    raise AssertionError("not used in this test")


def run_with(app: LevelsetApp, scenario, size=(80, 24)) -> None:
    """Run a scenario ``async def scenario(pilot)`` against the program."""

    async def main() -> None:
        async with app.run_test(size=size) as pilot:
            # The list of jobs is read beside the screen.
            await app.workers.wait_for_complete()
            await pilot.pause()
            await scenario(pilot)
            if app.person is not None and not app._leaving:
                app.person.stop()
                await until(pilot, lambda: not app._engaged, "the end of the run")

    asyncio.run(main())


async def until(pilot, condition, what: str) -> None:
    """Wait for a condition, at most five seconds."""
    for _ in range(500):
        await pilot.pause()
        if condition():
            return
        await asyncio.sleep(0.01)
    raise AssertionError(f"did not come: {what}\n{screen_text(pilot.app)}")


async def begin(pilot, view=None) -> ProcedureScreen:
    """Open the session, begin it, and wait for a view to be on the screen."""
    app = pilot.app
    await pilot.press("d", "enter")
    await until(pilot, lambda: isinstance(app.screen, ProcedureScreen), "the procedure screen")
    screen = app.screen
    screen.read_time_s = 0.0
    if view is not None:
        await until(pilot, lambda: screen._view is view, "the view")
        await pilot.pause()
    return screen
