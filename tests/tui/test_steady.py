"""Reasons of a void whose numbers change at every look."""

from levelset.tui.renderables.steady import HOLD_S, SteadyText, alike

NOISE = "The strongest line is at {} Hz, not at the 94.0 Hz of the tone."


def test_other_numbers_wait_until_the_first_are_read():
    steady = SteadyText()
    assert steady.shown(NOISE.format(14032.5), 10.0) == NOISE.format(14032.5)
    assert steady.shown(NOISE.format(9666), 10.3) == NOISE.format(14032.5)
    assert steady.shown(NOISE.format(18932.1), 10.0 + HOLD_S) == NOISE.format(18932.1)


def test_another_text_is_shown_at_once():
    steady = SteadyText()
    steady.shown(NOISE.format(14032.5), 10.0)
    assert steady.shown("The input is overloaded.", 10.1) == "The input is overloaded."
    assert steady.shown("", 10.2) == ""


def test_alike_is_what_differs_in_numbers_alone():
    assert alike("2 of 3", "12 of 30.5")
    assert not alike("turn up", "turn down")
