"""The keys of a recorded job: its report, and the tracks for its player."""

from __future__ import annotations

import shutil
from pathlib import Path

from tui_pilot import make_app, run_with, screen_text, until

from levelset.errors import InputError
from levelset.record.summary import summarise
from levelset.session import new_job

PLAN = Path(__file__).parent / "plan.toml"


def test_r_makes_both_pages_and_says_where(tmp_path):
    path = new_job(PLAN, tmp_path)
    app, _ = make_app(jobs=(summarise(path),))

    async def scenario(pilot):
        await pilot.press("enter", "r")
        await until(pilot, lambda: "report-short.html" in screen_text(app), "the report")
        for name in ("report.html", "report-short.html"):
            assert (path / name).read_text("utf-8").startswith("<!doctype html>")
        assert len((path / "journal.jsonl").read_bytes().splitlines()) == 1

    run_with(app, scenario)


def test_a_report_that_cannot_be_made_says_why(tmp_path):
    path = new_job(PLAN, tmp_path)
    app, _ = make_app(jobs=(summarise(path),))
    shutil.rmtree(path)

    async def scenario(pilot):
        await pilot.press("enter", "r")
        await until(pilot, lambda: "No report:" in screen_text(app), "the reason")
        assert "What to do:" in screen_text(app)

    run_with(app, scenario)


def test_t_writes_the_tracks_and_says_where(tmp_path):
    path = new_job(PLAN, tmp_path)
    asked = []

    def write(job, folder):
        asked.append((job, folder))
        if folder.name == "full":
            raise InputError("full cannot be written", "make room")
        return [folder / "set-bass.wav", folder / "tracks.txt"]

    app, _ = make_app(jobs=(summarise(path),), write_tracks=write)

    async def scenario(pilot):
        await pilot.press("enter", "t", *"full", "enter")
        await until(pilot, lambda: "make room" in screen_text(app), "the reason")
        await pilot.press(*("backspace",) * 4, *"stick", "enter")
        await until(pilot, lambda: "Tracks written: 1" in screen_text(app), "the files")
        assert asked == [(path, Path("full")), (path, Path("stick"))]
        await pilot.press("escape")
        assert "m measure with the sound card" in screen_text(app)

    run_with(app, scenario)
