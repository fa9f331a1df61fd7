"""A new job from a template on the screen."""

from __future__ import annotations

import tomllib

from textual.widgets import Input
from tui_pilot import check_golden, make_app, run_with, screen_text, until

from levelset.plan.plan_file import plan_from_document
from levelset.tui.screens.jobs import JobsScreen
from levelset.tui.screens.plan import PlanEditScreen, PlanPageScreen


def test_from_template_to_job(tmp_path):
    made = []

    def make(text):
        made.append(plan_from_document(tomllib.loads(text)))
        return tmp_path

    app, _ = make_app(new_job_of_text=make)

    async def scenario(pilot):
        await pilot.press("n")
        assert "front pair and bass" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, PlanEditScreen), "the values")
        await pilot.pause()
        check_golden(app, "plan_values_80x24")
        line = app.screen.query_one(Input)
        # The first one is the vehicle.
        await pilot.press("enter")
        line.value = "an invented estate"
        await pilot.press("enter", "c")
        # Then the front amplifier's rating: what cannot be stays in the line, with the reason.
        await pilot.press("down", "down")
        assert app.screen._row == "amplifier.bass amplifier.rated"
        await pilot.press("enter")
        line.value = "[[4.0, 160.0]]"
        await pilot.press("enter")
        assert "below the lowest rated load" in " ".join(screen_text(app).split())
        line.value = "[[4.0, 160.0], [2.0, 300.0]]"
        await pilot.press("enter", "v")
        assert isinstance(app.screen, PlanPageScreen)
        assert "NOT YET CONFIRMED" in "".join(app.screen.lines(80))
        await pilot.press("escape", "m")
        await until(pilot, lambda: isinstance(app.screen, JobsScreen), "the jobs")
        [plan] = made
        assert plan.vehicle == "an invented estate"
        assert plan.channels[2].target.power_w == 300.0
        left = set(plan.unconfirmed)
        assert not {"vehicle", "source.max_volume", "amplifier.bass amplifier.rated"} & left
        assert "channel.bass.load" in left

    run_with(app, scenario)


def test_escape_leaves_the_value_then_the_plan():
    app, _ = make_app()

    async def scenario(pilot):
        await pilot.press("n", "enter", "enter")
        app.screen.query_one(Input).value = "nonsense"
        await pilot.press("escape")
        assert "an invented vehicle" in screen_text(app)
        assert not app.screen.query_one(Input).display
        await pilot.press("escape")
        assert isinstance(app.screen, JobsScreen)

    run_with(app, scenario)


def test_a_changed_plan_is_not_lost_by_one_escape():
    app, _ = make_app()

    async def scenario(pilot):
        await pilot.press("n", "enter", "c", "escape")
        assert isinstance(app.screen, PlanEditScreen)
        assert "Press esc once more" in screen_text(app)
        await pilot.press("escape")
        assert isinstance(app.screen, JobsScreen)

    run_with(app, scenario)
