"""The key ``u`` shows where the uncertainty of the newest reading comes from."""

from dataclasses import replace

import pytest
from tui_pilot import begin, make_app, run_with, screen_text, until
from tui_scenes import CLEAN, Script

from levelset.probe.budget import BudgetLine

BUDGET = (
    BudgetLine("multimeter", "rectangular", None, 0.9743, 97.8),
    BudgetLine("drift since the calibration", "rectangular", None, 0.1155, 1.4),
    BudgetLine("repeatability", "normal", 3.0, 0.0854, 0.8),
)


def test_the_budget_takes_the_place_of_the_pictures_and_goes_again():
    explained = replace(CLEAN, budget=BUDGET)
    app, _ = make_app(Script([explained]))

    async def scenario(pilot):
        await begin(pilot, explained)
        before = screen_text(app)
        assert "multimeter" not in before
        assert "uncertainty" in before
        await pilot.press("u")
        await until(pilot, lambda: "multimeter" in screen_text(app), "the budget")
        shown = screen_text(app)
        assert "97.8 %" in shown
        assert "3 degrees of freedom" in shown
        await pilot.press("u")
        await until(pilot, lambda: screen_text(app) == before, "the pictures")

    run_with(app, scenario, size=(100, 40))


@pytest.mark.parametrize("size", [(80, 24), (60, 20)])
def test_it_fits_a_small_terminal(size):
    explained = replace(CLEAN, budget=BUDGET)
    app, _ = make_app(Script([explained]))

    async def scenario(pilot):
        await begin(pilot, explained)
        await pilot.press("u")
        await until(pilot, lambda: "multimeter" in screen_text(app), "the largest line")
        assert sum(" %" in line for line in screen_text(app).splitlines()) >= len(BUDGET)
        assert ("degrees of" in screen_text(app)) == (size[0] >= 80)
        assert max(map(len, screen_text(app).splitlines())) <= size[0]

    run_with(app, scenario, size=size)


def test_without_volts_the_key_is_not_offered():
    app, _ = make_app(Script([CLEAN]))

    async def scenario(pilot):
        await begin(pilot, CLEAN)
        before = screen_text(app)
        assert "uncertainty" not in before
        await pilot.press("u")
        await pilot.pause()
        assert screen_text(app) == before

    run_with(app, scenario)
