"""The key that makes the report of a recorded job."""

from __future__ import annotations

import shutil
from pathlib import Path

from tui_pilot import make_app, run_with, screen_text, until

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
