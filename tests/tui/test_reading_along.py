"""What somebody reads who has never seen the screen: nothing is cut off, lost, or flickers."""

from dataclasses import replace

import pytest
from tui_pilot import begin, make_app, run_with, screen_text, until
from tui_scenes import (
    CURVE,
    DONE,
    JOB,
    PLACE,
    STEPS,
    YES_NO,
    FakeLevers,
    Script,
    reading,
    view,
)

from levelset.probe.stretch_reading import StretchSpec
from levelset.procedures import cautions
from levelset.procedures.cautions import Caution
from levelset.procedures.facts import StepResult
from levelset.procedures.protocol import Act, Guidance, Listen
from levelset.quantity import Quantity
from levelset.tui.renderables.charset import in_charset
from levelset.tui.renderables.curve import curve_table
from levelset.tui.renderables.pages import in_short
from levelset.tui.renderables.questions import caution_lines
from levelset.tui.renderables.stretch import stretch_number, stretch_word
from levelset.tui.renderables.which import current, shown_reading
from levelset.tui.renderables.wording import hanging
from levelset.tui.screens.texts import HELP, ResultScreen

CAUTIONS = [one for one in vars(cautions).values() if isinstance(one, Caution)]
ROOM = (56, 12)
"""Columns and rows of a caution on the smallest screen, below a head of two lines."""


@pytest.mark.parametrize("width", [60, 80])
def test_every_word_of_the_help_is_there(width):
    lines = [part for line in HELP.splitlines() for part in hanging(line, width)]
    assert max(map(len, lines)) <= width
    assert " ".join(lines).split() == HELP.split()


def test_a_column_stays_a_column():
    assert hanging("  esc     one two three", 17) == ["  esc     one two", "          three"]
    assert hanging("no column here at all", 12) == ["no column", "here at all"]


@pytest.mark.parametrize("caution", CAUTIONS, ids=lambda one: one.key)
def test_a_caution_is_whole_on_the_smallest_screen(caution):
    width, height = ROOM
    said = "One full scale is 160.76 V peak at tip A, and so on for a line or two, or three."
    lines = caution_lines(caution, said, width, height)
    assert len(lines) <= height
    assert any("I have read this" in line for line in lines)
    # What came of the step before is there as a whole or not at all.
    assert ("Before" in " ".join(lines)) == ("or three." in " ".join(lines))


def test_the_first_levels_of_a_search_are_all_in_the_table():
    for taken in range(1, 5):
        assert len(curve_table(CURVE[:taken], 40, 8)) == 1 + taken
    assert len(curve_table(CURVE, 40, 1)) == 1


def test_a_distortion_that_noise_may_make_is_only_bounded():
    faint = replace(CURVE[0], thd_percent=0.0004)
    assert "<0.1 %" in curve_table([faint], 40, 2)[1]


def test_two_tips_that_read_alike_do_not_take_turns():
    tips = reading(6.2, output="unknown")
    first, quiet = tips.legs
    for ratio, shown in ((0.99, 0), (1.01, 0), (1.2, 1)):
        amplitude_fs = first.tone.amplitude_fs
        scaled = Quantity(amplitude_fs.value * ratio, amplitude_fs.u, "FS")
        second = replace(quiet, tone=replace(first.tone, amplitude_fs=scaled))
        both = replace(tips, legs=(first, second))
        assert shown_reading(both) is both.legs[shown]
    assert shown_reading(replace(tips, legs=(quiet, first))) is first


def test_a_stretch_begins_at_nothing_and_not_with_volts():
    spec = StretchSpec("noise", 4.0, "grounded", True, {})
    listen = Listen(spec, Guidance("Hold the tips still.", Act("wait"), headline="HOLD STILL"))
    shown = current(view(listen, reading(6.2)), None).reading
    assert (stretch_number(shown), stretch_word(shown)) == (
        ("0", "s", "of 4 s"),
        "RECORDING, 0 of 4 s",
    )
    assert current(view(listen), None).reading.progress == 0.0


def test_jobs_of_one_day_and_name_are_told_apart():
    morning = replace(JOB, created="2031-04-02T08:00:00Z", path=JOB.path / "2")
    other = replace(JOB, title="Finch van", path=JOB.path / "3")
    app, _ = make_app(jobs=(JOB, morning, other))

    async def scenario(pilot):
        text = screen_text(app)
        assert "2031-04-02 10:11 UTC Heron estate" in text
        assert "2031-04-02 08:00 UTC Heron estate" in text
        assert "2031-04-02 Finch van" in text
        await pilot.resize_terminal(60, 20)
        await until(pilot, lambda: "\n           incomplete" in screen_text(app), "a second line")

    run_with(app, scenario)


def test_enter_on_a_question_with_answers_says_what_to_press():
    app, _ = make_app(script := Script([YES_NO]))

    async def scenario(pilot):
        await begin(pilot, YES_NO)
        await pilot.press("enter")
        assert "Press the key of one of these answers." in screen_text(app)
        assert script.answers == []
        await pilot.press("y")
        await until(pilot, lambda: script.answers == ["yes"], "the answer")

    run_with(app, scenario)


def test_the_invented_car_stays_as_it_is_from_step_to_step():
    """Tips, player and engine are where the step before left them."""
    app, _ = make_app(Script([PLACE, DONE], hold_last=False), levers=FakeLevers())

    async def scenario(pilot):
        screen = await begin(pilot, PLACE)
        await pilot.press("t", "e", "enter")
        await until(pilot, lambda: isinstance(app.screen, ResultScreen), "the result")
        app.begin()
        await until(pilot, lambda: app.screen is not screen and shows_tips(app), "tips")

    def shows_tips(app):
        text = screen_text(app)
        return "tip A: bass + · tip B: bass -" in text and "engine on" in text

    run_with(app, scenario)


def test_a_job_that_ended_before_anything_was_set_says_where_and_why():
    failed = StepResult("calibrate", None, "failed", "The meter is too coarse.", {}, ())
    assert in_short([STEPS[0], failed], 80) == [
        "FAILED: calibrate the probe. The meter is too coarse.",
        "",
    ]
    assert in_short(STEPS[:1], 80) == []


def test_units_stay_readable_in_plain_ascii():
    assert in_charset(["35 mm², 105 °C"], "ascii") == ["35 mm2, 105  C"]
    assert in_charset(["22.80 V ± 0.27 V"], "ascii") == ["22.80 V +-0.27 V"]
