"""The screen of a touch: its word, its bar, volts of each tip, and why one does not count."""

from __future__ import annotations

import pytest
from tui_pilot import begin, make_app, run_with, screen_text, until
from tui_scenes import Script, view

from levelset.analysis.result import Void
from levelset.ports.base import Point
from levelset.probe.reading import Frames
from levelset.probe.touch_reading import StepSpec, TipTouch, TouchReading
from levelset.procedures.protocol import Act, Ask, Guidance, Listen, Offer
from levelset.quantity import Quantity
from levelset.tui.renderables.touch import touch_bar, touch_line, touch_number, touch_word

SPEC = StepSpec(1.0, False, (2.1,))
FRAMES = Frames(0, 0, 48_000, 48_000)
TAP = Act("place_tips", tip_a=Point("source", "positive"), tip_b=Point("source", "negative"))
ON = Guidance(
    "Put tip A on the positive and tip B on the negative wire, both at once, and hold them.",
    TAP,
    headline="TOUCH NOW",
)
OFF = Guidance("Hold the tips free.", Act("wait"), headline="TIPS OFF")
LOST = Void(
    "contact_not_held",
    "Tip B did not hold its contact: lift both tips, press them on and hold still.",
)


def tip(channel, volts, u, void=None):
    quantity = None if volts is None else Quantity(volts, u, "V")
    return TipTouch(channel, void, quantity, True, None)


def touch(state, progress, a=(None, 0.0), b=(None, 0.0), across=(None, 0.0), void=None):
    legs = (tip(1, *a), tip(2, *b, void))
    return TouchReading(FRAMES, SPEC, state, progress, legs, tip("pair", *across, void))


QUIET = TouchReading(FRAMES, SPEC, "quiet", 1.0)
NOT_QUIET = TouchReading(FRAMES, SPEC, "not_quiet", 0.4)
BUILDING = touch("building", 0.5, (6.31, 0.09), (6.29, 0.09), (0.014, 0.008))
READ = touch("done", 1.0, (6.307, 0.041), (6.293, 0.041), (0.0140, 0.0021))
VOIDED = touch("done", 1.0, (6.307, 0.041), void=LOST)


@pytest.mark.parametrize(
    ("reading", "word"),
    [
        (NOT_QUIET, "TIPS OFF, HOLD STILL 40 %"),
        (QUIET, "READY FOR THE TOUCH"),
        (BUILDING, "KEEP HOLDING 50 %"),
        (READ, "READ"),
    ],
)
def test_the_word_says_how_far_it_has_come(reading, word):
    assert touch_word(reading) == word


def test_the_bar_fills_while_contact_holds():
    filled = [touch_bar(reading, 22).count("▇") for reading in (QUIET, BUILDING, READ)]
    assert filled == [0, 10, 20]
    assert {len(touch_bar(BUILDING, width)) for width in (6, 40, 78)} == {6, 40, 78}


def test_numbers_come_with_their_uncertainty_and_never_without_a_reading():
    assert touch_number(READ) == ("6.307", "V", "± 0.041 V")
    assert touch_number(QUIET) == ("--.--", "V", "")
    line = touch_line(READ)
    assert line.startswith("DC against chassis: tip A 6.307 V ± 0.041 V, tip B 6.293 V ± 0.041 V")
    assert line.endswith("across 14.00 mV ± 2.1 mV")
    assert "tip B no reading, across no reading" in touch_line(VOIDED)


def shown(reading, guidance=ON, offers=(), size=(80, 24)):
    """Return the whole screen while a touch is followed."""
    one = view(Listen(SPEC, guidance, offers), reading, "tap_check", None, "nobody")
    app, _ = make_app(Script([one]))
    texts = []

    async def scenario(pilot):
        await begin(pilot, one)
        texts.append(screen_text(app))

    run_with(app, scenario, size)
    return " ".join(texts[0].split()), texts[0]


@pytest.mark.parametrize("size", [(80, 24), (60, 20), (120, 40)])
def test_every_state_on_the_screen(size):
    said, _ = shown(NOT_QUIET, OFF, size=size)
    assert "HOLD STILL" in said
    assert "Hold the tips free." in said
    said, text = shown(BUILDING, size=size)
    assert "KEEP HOLDING 50 %" in said
    assert "▇" in text
    assert "both at once" in said
    said, _ = shown(READ, size=size)
    assert "tip A 6.307 V ± 0.041" in said
    assert "across 14.00 mV" in said


def test_a_touch_that_is_void_says_why_and_has_no_number():
    said, _ = shown(VOIDED)
    assert "Tip B did not hold its contact" in said
    assert "6.293" not in said


def test_the_offer_of_a_touch_that_nobody_saw():
    said, _ = shown(QUIET, offers=(Offer("touched", "the tips are on, nothing moves"),))
    assert "the tips are on, nothing moves" in said


def test_changing_the_tips_over_is_asked_with_yes_and_no():
    question = "51 mV is too close to a limit to call. Touch once more with the tips changed over?"
    one = view(Ask(question, Act("wait"), "yes_no"), READ, "dc_offset", "bass", "nobody")
    script = Script([one], hold_last=False)
    app, _ = make_app(script)
    texts = []

    async def scenario(pilot):
        await begin(pilot, one)
        texts.append(" ".join(screen_text(app).split()))
        await pilot.press("y")
        await until(pilot, lambda: script.answers == ["yes"], "the answer")

    run_with(app, scenario)
    assert "tips changed over?" in texts[0]


def test_before_there_are_volts_the_number_is_how_far_the_touch_is():
    assert touch_number(NOT_QUIET) == ("40", "%", "")
    assert touch_number(touch("building", 0.64)) == ("64", "%", "")
    assert touch_number(BUILDING)[:2] == ("6.310", "V")
    assert touch_number(QUIET)[:2] == ("--.--", "V")
    assert touch_number(touch("done", 1.0, void=LOST))[:2] == ("--.--", "V")
