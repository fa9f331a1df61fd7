"""What is shown of a stretch, as plain text: progress, wire, taps, response, noise."""

from __future__ import annotations

import numpy as np
import pytest
from tui_pilot import begin, make_app, run_with, screen_text, until
from tui_scenes import Script, view

from levelset.analysis.noise import Hum, Line, NoiseLevel, NoiseReading
from levelset.analysis.response import Curve, ResponseReading
from levelset.analysis.result import Void
from levelset.analysis.two_taps import TwoTaps
from levelset.analysis.which_wire import Transfer, WirePart, WireReading
from levelset.cli.person import reading_line
from levelset.probe.reading import Frames
from levelset.probe.stretch import TwoTapsReading
from levelset.probe.stretch_reading import StretchReading, StretchSpec
from levelset.procedures.protocol import Act, Ask, Guidance, Listen
from levelset.quantity import Quantity
from levelset.tui.renderables.band import band_of
from levelset.tui.renderables.gauge import shown_number
from levelset.tui.renderables.questions import ask_lines
from levelset.tui.renderables.stretch import response_plot, stretch_bar, stretch_lines
from levelset.tui.renderables.which import legs_line

SPEC = StretchSpec("which_wire", 8.0, "bridged", True, {})
VOLTS = Quantity(150.0, 1.5, "V")


def reading(found=None, *, seconds=8.0, state="done", void=None):
    frames = Frames(0, 0, round(seconds * 48_000), 48_000)
    return StretchReading(frames, SPEC, state, seconds / 8.0, void, found, VOLTS)


def part(channel, level_db):
    nothing = np.empty(0)
    lines = Transfer(np.empty(0, dtype=np.intp), 1.0, nothing.astype(complex), nothing)
    return WirePart(channel, Quantity(level_db, 0.1, "dB"), "normal", 0.5, lines)


def second_order_high_pass(corner_hz):
    """Butterworth of second order: 1 / sqrt(1 + (fc / f)^4)."""
    hz = 20.0 * 10.0 ** (np.arange(31) / 10.0)
    level = -10.0 * np.log10(1.0 + (corner_hz / hz) ** 4)
    return Curve(hz, level, np.full(31, 0.05), np.zeros(31, dtype=bool))


WIRE = WireReading(None, "left", "normal", 34.0, 0.5, (part("left", -40.0),))
TAPS = TwoTapsReading(
    None,
    part("left", -40.0),
    part("right", -41.0),
    TwoTaps(
        "reversed",
        0.5,
        Quantity(-1.0, 0.05, "dB"),
        0.1,
        Quantity(2e-3, 1e-5, "s"),
        np.array([30.0, 300.0, 3000.0]),
        np.array([-20.0, -3.0, 5.0]),
        np.array([5.0, 3.0, -9.0]),
        -18.0,
        5.2,
    ),
)
RESPONSE = ResponseReading(None, None, second_order_high_pass(80.0), 3)
NOISE = NoiseReading(
    None,
    NoiseLevel(Quantity(1e-5, 1e-7, "FS"), False, 0.0),
    NoiseLevel(Quantity(6e-6, 1e-7, "FS"), False, 0.0),
    hum=Hum(50.0, (Line(50.0, 3e-6), Line(150.0, 2e-6)), 4e-6),
)


def test_progress_is_said_while_it_records():
    shown = reading(seconds=4.0, state="recording")
    assert band_of(shown).word == "RECORDING, 4 of 8 s"
    assert band_of(shown).state == "waiting"
    assert shown_number(shown) == ("4", "s", "of 8 s")
    assert stretch_bar(shown, 12) == "├▇▇▇▇▇▁▁▁▁▁┤"
    assert stretch_lines(shown, 80, 10, "ascii") == []
    assert legs_line(shown) == ""


def test_a_void_says_why_and_shows_no_number():
    shown = reading(void=Void("no_tone", "Speech: switch to the test signal."))
    assert band_of(shown).word == "VOID: NO TONE"
    assert band_of(shown).reason.startswith("Speech")
    assert shown_number(shown)[0] == "--.--"


def test_wire_in_large_words_and_in_a_table():
    assert band_of(reading(WIRE)).word == "LEFT, NORMAL POLARITY"
    lines = stretch_lines(reading(WIRE), 78, 10, "ascii")
    assert any("left" in line and "-40.0 dBFS" in line and "normal" in line for line in lines)
    both = WireReading(None, None, "cannot_tell", 0.1, 0.0, (part("left", -40), part("right", -40)))
    assert band_of(reading(both)).word == "TWO CHANNELS ALIKE"


def test_two_taps_say_level_delay_and_bass():
    text = "\n".join(stretch_lines(reading(TAPS), 78, 14, "ascii"))
    assert "AGAINST EACH OTHER: REVERSED" in band_of(reading(TAPS)).word
    assert "2.000 ± 0.010 ms" in text
    assert "-18.0 dB, with one reversed +5.2 dB" in text


def test_response_is_drawn_with_its_scale():
    lines = response_plot(second_order_high_pass(80.0), 60, 12, "ascii")
    assert len(lines) == 12
    assert "top to bottom 30 dB" in lines[0]  # 24.1 dB down at 20 Hz
    assert all(text in lines[-1] for text in ("20", "100", "1k", "10k"))
    # The right half lies on top, the left end far below.
    assert lines[1][40:].strip(" ")
    assert not lines[1][:12].strip(" ")
    assert any(line[:6].strip(" ") for line in lines[7:-1])


def test_noise_in_volts_with_hum():
    text = "\n".join(stretch_lines(reading(NOISE), 78, 10, "ascii"))
    assert "1.500 mV" in text or "1.50 mV" in text
    assert "50 Hz, 150 Hz" in text


@pytest.mark.parametrize("found", [WIRE, TAPS, RESPONSE, NOISE])
@pytest.mark.parametrize("charset", ["braille", "ascii"])
@pytest.mark.parametrize("size", [(80, 12), (60, 6), (120, 30)])
def test_pictures_keep_within_their_size(found, charset, size):
    lines = stretch_lines(reading(found), *size, charset)
    assert len(lines) <= size[1]
    assert all(len(line) <= size[0] for line in lines)


def test_plain_terminal():
    shown = view(Listen(SPEC, Guidance("", Act("wait"))), reading(seconds=4.0, state="recording"))
    assert reading_line(shown) == "  recording: 4 of 8 s"


def test_a_question_that_keeps_the_reading_asks_only_to_go_on():
    ask = Ask("The response at volume 30.", Act("wait"), shows_reading=True)
    assert ask_lines(ask, None, "before", 60) == ["enter  go on"]


def test_response_stays_on_the_screen_until_the_person_goes_on():
    """At 80 x 24: the sentence, the curve and the key are all there; enter goes on."""
    ask = Ask("The response at volume 30.", Act("wait"), shows_reading=True)
    looked = view(ask, reading(RESPONSE))
    script = Script([looked])
    app, _ = make_app(script)

    async def scenario(pilot):
        await begin(pilot, looked)
        text = screen_text(app)
        for words in ("The response at volume 30.", "RESPONSE READ", "top to bottom 30 dB"):
            assert words in text, text
        assert "enter  go on" in text
        assert "1k" in text
        await pilot.press("enter")
        await until(pilot, lambda: script.answers == ["done"], "the answer")

    run_with(app, scenario)
