"""What is drawn, as strings."""

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
from tui_scenes import (
    CLEAN,
    CURVE,
    DISTORTED,
    FLAT,
    NOTHING,
    PLAN,
    SOFT,
    STEPS,
    gain_guidance,
    picture,
    reading,
)

from levelset.analysis.result import VoidCode
from levelset.ports.base import Point
from levelset.procedures import cautions
from levelset.procedures.catalogue import CATALOGUE
from levelset.procedures.protocol import Act, Finish, Offer
from levelset.quantity import Quantity
from levelset.tui.renderables.band import SHAPES, VOID_WORDS, band_lines, band_of
from levelset.tui.renderables.bar import input_bar, level_bar
from levelset.tui.renderables.charset import in_charset, suited_charset
from levelset.tui.renderables.curve import curve_plot, curve_table
from levelset.tui.renderables.digits import arrow, digits
from levelset.tui.renderables.gauge import gauge_height, gauge_lines, shown_number
from levelset.tui.renderables.offers import TAKEN, offer_keys
from levelset.tui.renderables.pages import in_short, key_lines, plan_lines, step_lines
from levelset.tui.renderables.pictures import picture_lines
from levelset.tui.renderables.plots import Raster, period_picture, transfer_picture
from levelset.tui.renderables.questions import caution_lines, ended
from levelset.tui.renderables.which import current, legs_line, shown_reading
from levelset.tui.renderables.wording import (
    PROCEDURES,
    act_lines,
    both_ends,
    db,
    flowed,
    head_lines,
    moment,
    percent,
    plus_minus,
    thd,
    two_digits_up,
    volts,
    watts,
)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (22.8, "22.80 V"),
        (6.8034, "6.803 V"),
        (9.99949, "9.999 V"),
        (9.9996, "10.00 V"),
        (99.996, "100.0 V"),
        (0.9996, "1.000 V"),
        (0.4123, "412.3 mV"),
        (0.00412, "4.12 mV"),
        (0.0, "0.00 mV"),
        (-14.0, "-14.00 V"),
    ],
)
def test_volts_have_the_digits_that_a_tenth_of_a_decibel_needs(value, text):
    assert volts(value) == text


def test_every_voltage_shows_a_tenth_of_a_decibel():
    # 0.1 dB is 1.16 %: the last digit must be worth less, from 10 mV to 300 V.
    for value in np.geomspace(0.010, 300.0, 400):
        assert volts(float(value)) != volts(float(value * 1.0116))


@pytest.mark.parametrize(
    ("u", "text"),
    [
        (0.27, "0.27"),
        (0.2701, "0.28"),
        (0.0, "0"),
        (1.0, "1.0"),
        (12.01, "13"),
        (123.0, "130"),
        (0.0995, "0.10"),
    ],
)
def test_uncertainty_is_never_rounded_down(u, text):
    # GUM 7.2.6 (JCGM 100:2008): at most two digits, rounded up where in doubt.
    if text == "0.10":
        assert float(two_digits_up(u)) >= u
    else:
        assert two_digits_up(u) == text


def test_uncertainty_follows_the_prefix():
    assert plus_minus(Quantity(0.412, 0.0049, "V"), "mV") == "± 4.9 mV"
    # Not finer than the value: 12.53 V, 1.300 mV.
    assert plus_minus(Quantity(12.53, 0.087, "V"), "V") == "± 0.09 V"
    assert plus_minus(Quantity(0.0013, 0.0000041, "V"), "mV") == "± 0.01 mV"
    assert plus_minus(Quantity(22.8, 0.27, "V"), "V") == "± 0.27 V"


def test_small_words():
    assert db(0.349) == "0.35 dB"
    assert db(12.34) == "12.3 dB"
    assert percent(0.08) == "0.080 %"
    assert percent(0.0) == percent(0.0004) == "<0.001 %"
    assert thd(Quantity(0.08, 0.01, "%")) == "0.080 %"
    assert thd(Quantity(0.002, 0.02, "%")) == "under 0.022 %"
    assert percent(6.409) == "6.41 %"
    assert watts(259.92) == "260 W"
    assert watts(1234.0) == "1230 W"
    assert both_ends("left", "right", 12) == "left   right"
    assert both_ends("very long left", "right", 12) == "very…  right"
    assert head_lines("left side", "right side", 12) == ["left side", "  right side"]
    assert flowed(["aaa", "bbb", "ccc"], 8) == ["aaa  bbb", "ccc"]


def test_digits_are_told_apart_and_have_one_size():
    drawn = {c: tuple(digits(c)) for c in "0123456789"}
    assert len(set(drawn.values())) == 10
    assert {len(line) for lines in drawn.values() for line in lines} == {6}
    assert digits("2.8", 2)[0] == "".join(c * 2 for c in digits("2.8")[0])
    assert len(digits("2.8", 2)) == 10


def test_arrows_point_the_way_they_say():
    assert arrow("up") != arrow("down")
    assert arrow("up")[0].strip() == "█"
    assert arrow("down")[-1].strip() == "█"
    assert not "".join(arrow(None)).strip()


def test_gauge_says_how_far_and_where_to():
    text = "\n".join(gauge_lines(reading(21.9), gain_guidance(21.9), 80, 24))
    for part in ("▲ TURN UP", "0.35 dB to go", "target 22.80 V", "260 W into 2 ohm", "± 0.27 V"):
        assert part in text
    down = "\n".join(gauge_lines(reading(24.1), gain_guidance(24.1), 80, 24))
    assert "▼ TURN DOWN" in down
    assert "0.48 dB too much" in down


def test_gauge_on_a_large_screen_shows_the_way_to_go_in_digits():
    lines = gauge_lines(reading(21.9), gain_guidance(21.9), 120, 40)
    assert len(lines) == gauge_height(120, 40) == 10
    assert digits("0.35")[0] in lines[0]


@pytest.mark.parametrize("width", range(60, 140, 7))
def test_gauge_keeps_within_its_width(width):
    for height in (20, 24, 40):
        lines = gauge_lines(reading(21.9), gain_guidance(21.9), width, height)
        assert len(lines) == gauge_height(width, height)
        assert max(map(len, lines)) <= width


def test_a_void_shows_no_number():
    assert shown_number(NOTHING.reading) == ("--.--", "V", "")
    lines = gauge_lines(NOTHING.reading, gain_guidance(20.0), 80, 24)
    assert not any(digits(c)[0] in lines[0].split("  ") for c in "123456789")


def test_without_calibration_no_volts_are_shown():
    number, unit, note = shown_number(reading(22.8, calibrated=False))
    assert (number, unit) == ("-10.46", "dBFS")
    assert "no volts" in note


def test_before_the_kind_of_output_is_known_one_leg_is_named():
    tips = reading(6.2, output="unknown")
    assert shown_reading(tips) is tips.legs[0]
    assert legs_line(tips) == "against chassis: tip A 6.200 V (shown), tip B no tone"
    known = reading(6.2)
    assert shown_reading(known) is known.pair
    assert "(shown)" not in legs_line(known)


def test_bar_marks_the_target_and_what_exceeds_it():
    short, over = level_bar(10.0, 20.0, 80), level_bar(24.0, 20.0, 80)
    mark = short.index("│")
    assert short[mark - 1] == "▁"
    assert over.index("│") == mark
    assert over[mark + 1] == "█"
    assert len(short) == len(over) == 80


def test_bar_short_of_the_target_never_looks_reached():
    bar = level_bar(19.999, 20.0, 80)
    assert "█" not in bar
    assert bar[bar.index("│") + 1] == "▁"


def test_bar_without_a_level():
    assert "▇" not in level_bar(None, 20.0, 40)
    assert "none" in input_bar(None, 60)
    assert input_bar(0.0, 60).count("▇") > input_bar(-30.0, 60).count("▇") > 0


BANDS = {
    "clean": (CLEAN, "CLEAN"),
    "soft": (SOFT, "TOPS ROUNDED, UPPER HALF"),
    "flat": (FLAT, "TOPS FLAT, BOTH HALVES"),
    "distorted": (DISTORTED, "DISTORTED"),
    "void": (NOTHING, "VOID: NO TONE"),
}


@pytest.mark.parametrize("state", BANDS)
def test_band_says_it_in_word_and_shape(state):
    view, word = BANDS[state]
    band = band_of(view.reading)
    assert band.state == state
    assert band.word == word
    for width in (60, 80, 120):
        for height in (1, 3):
            lines = band_lines(band, width, height)
            assert [len(line) for line in lines] == [width] * height
            assert any(word in line for line in lines)
            assert all(SHAPES[state] * 2 in line for line in lines)


def test_no_two_states_share_a_shape_even_in_ascii():
    shapes = list(SHAPES.values())
    assert len(set(shapes)) == len(shapes)
    assert len(set(in_charset(shapes, "ascii"))) == len(shapes)


def test_band_names_the_limit_and_the_overdrive():
    assert band_of(FLAT.reading).note == "THD 6.41 %, limit 1 %, 1.9 dB over"
    assert band_of(NOTHING.reading).reason.startswith("No tone is there")
    assert band_of(None).word == "LISTENING"


def test_raster_draws_a_straight_line_from_corner_to_corner():
    raster = Raster(4, 2, "braille")
    ends = np.array([-1.0, 1.0])
    raster.line(ends, ends)
    # Dots by hand: 8 columns and 8 rows, one dot per column on the rising diagonal; dot values
    # of the Unicode block Braille Patterns (1 2 3 7 left, 4 5 6 8 right, from the top).
    assert raster.text() == ["⠀⠀⡠⠊", "⡠⠊⠀⠀"]
    plain = Raster(4, 2, "ascii")
    plain.line(ends, ends)
    assert plain.text() == ["  .'", ".'  "]


def test_a_flat_top_is_flat_in_the_picture():
    lines = period_picture(picture(0.8), 30, 8, "braille")
    clean = period_picture(picture(), 30, 8, "braille")
    assert [len(line) for line in lines] == [30] * 8
    # A sine is within half a dot of its top for 5 of 60 columns at 32 dots of height; cut off at
    # 0.8 it is level for acos(0.8) / pi = 20 % of the period: 12 columns.
    assert longest_level_run(clean) <= 6
    assert longest_level_run(lines) >= 12


def longest_level_run(lines):
    """Longest run of neighbouring dots in one row of a braille picture."""
    longest = 0
    for line in lines:
        for left, right in ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80)):
            dots = "".join(
                "".join("#" if ord(c) - 0x2800 & bit else " " for bit in (left, right))
                for c in line
            )
            longest = max(longest, *map(len, dots.split(" ")))
    return longest


def test_transfer_of_a_clean_signal_covers_the_straight_line():
    straight = transfer_picture(picture(), 20, 6, "braille")
    raster = Raster(20, 6, "braille")
    raster.line(np.array([-1.0, 1.0]), np.array([-1.0, 1.0]))
    assert straight == raster.text()


def test_silence_can_be_drawn():
    nothing = picture()
    flat = type(nothing)(np.zeros(10), np.zeros(10), np.zeros(10), np.zeros(10))
    assert len(period_picture(flat, 10, 3, "braille")) == 3
    assert len(transfer_picture(flat, 10, 3, "ascii")) == 3


@pytest.mark.parametrize("charset", ["braille", "ascii"])
@pytest.mark.parametrize("size", [(60, 3), (80, 7), (120, 20), (30, 2), (10, 5)])
def test_pictures_keep_within_their_size(charset, size):
    width, height = size
    for curve in ((), CURVE, CURVE[:1]):
        lines = picture_lines(picture(0.8), curve, width, height, charset)
        assert len(lines) <= height
        assert all(len(line) <= width for line in lines)
        if charset == "ascii":
            assert all(c.isascii() for line in in_charset(lines, charset) for c in line)


def test_search_grows_as_a_table_and_a_curve():
    table = curve_table(CURVE, 40, 4)
    assert table[-1].split() == ["31", "7.400", "V", "3.40", "%", "TOPS", "FLAT"]
    assert table[1].split()[0] == "29"
    plot = curve_plot(CURVE, 20, 5, "braille")
    assert plot[-1].startswith("22")
    assert plot[-1].endswith("31")
    assert len(plot) == 5
    assert curve_plot((), 20, 3, "braille") == ["", "", ""]


def test_ascii_is_ascii_and_keeps_its_width():
    lines = [
        *gauge_lines(reading(21.9), gain_guidance(21.9), 80, 24),
        level_bar(10.0, 20.0, 80),
        *band_lines(band_of(FLAT.reading), 80, 3),
    ]
    plain = in_charset(lines, "ascii")
    assert all(c.isascii() for line in plain for c in line)
    assert [len(line) for line in plain] == [len(line) for line in lines]


@pytest.mark.parametrize(
    ("encoding", "environ", "charset"),
    [
        ("utf-8", {}, "braille"),
        ("UTF8", {"TERM": "xterm"}, "braille"),
        ("utf-8", {"TERM": "linux"}, "ascii"),
        ("utf-8", {"TERM": "vt100"}, "ascii"),
        # What Python makes of a plain locale: PEP 538 for LANG, PEP 540 for LC_ALL.
        ("utf-8", {"LANG": "C", "LC_CTYPE": "C.UTF-8"}, "ascii"),
        ("utf-8", {"LANG": "en_GB.UTF-8", "LC_ALL": "C"}, "ascii"),
        ("utf-8", {"LANG": "C", "LC_CTYPE": "en_GB.UTF-8"}, "braille"),
        ("utf-8", {"LC_CTYPE": "C.UTF-8"}, "braille"),
        ("utf-8", {"LANG": "C.UTF-8"}, "braille"),
        ("latin-1", {}, "ascii"),
        (None, {}, "ascii"),
    ],
)
def test_charset_follows_the_terminal(encoding, environ, charset):
    assert suited_charset(encoding, environ) == charset


def test_offers_never_take_a_key_that_means_something_else():
    offers = [
        Offer("accept_now", "accept it as it is"),
        Offer("at_end", "it does not turn any further"),
        Offer("try", "try typing meter, engine, yes"),
        Offer("other", "accept"),
    ]
    keys = [key for key, _ in offer_keys(offers)]
    assert keys[:2] == ["a", "x"]
    assert len(set(keys)) == len(keys)
    assert not set(keys) & TAKEN


def test_plan_page_says_what_limits_what():
    text = "\n".join(plan_lines(PLAN, 78))
    assert "INVENTED" in text
    assert "4||4 = 2 ohm net" in text
    assert "BASS   target 22.80 V" in text
    assert "limited by the loudspeaker's rating" in " ".join(text.split())
    for width in (60, 80, 120):
        assert max(len(line) for line in plan_lines(PLAN, width)) <= width


def test_result_page_and_keys():
    lines = step_lines(STEPS, 60)
    assert lines[0] == "DONE          find the clean volume"
    assert any(line.startswith("DONE, LIMITED bass: set the gain") for line in lines)
    keys = [("esc", "stop"), ("x", "it does not turn any further"), ("r", "again"), ("?", "help")]
    assert key_lines(keys, 80) == ["esc stop   x it does not turn any further   r again   ? help"]
    assert key_lines(keys, 45) == ["esc stop   x it does not turn any further", "r again   ? help"]


def test_a_reading_of_something_else_is_not_shown():
    assert current(CLEAN, None) is CLEAN
    assert current(CLEAN, CLEAN.reading).reading is None
    listen = CLEAN.instruction
    other = replace(CLEAN, instruction=replace(listen, spec=replace(listen.spec, output="bridged")))
    assert current(other, None).reading is None
    assert current(other, None).instruction is other.instruction


def test_places_are_told_apart():
    tap, second = Point("source", "positive"), Point("source", "positive", "second")
    act = Act("place_tips", tip_a=tap, tip_b=second)
    assert act_lines(act) == ["tip A → the tap, positive", "tip B → the other tap, positive"]
    # Taken off or touching each other: the sentence says it.
    assert act_lines(Act("place_tips", tip_a=Point("open"), tip_b=Point("open"))) == []


def test_result_begins_with_what_was_set_and_what_is_to_be_looked_at():
    failed = replace(STEPS[0], outcome="failed", sentence="No tone came.")
    text = in_short([*STEPS, failed], 78)
    assert text[0] == STEPS[1].sentence
    assert text[1].startswith("FAILED: find the clean volume. No tone came.")
    assert in_short([STEPS[0]], 78) == []


def test_time_to_the_minute():
    assert moment("2031-04-02T10:11:12.345Z") == "2031-04-02 10:11 UTC"
    assert moment("") == ""


def test_every_step_is_in_words():
    assert set(CATALOGUE) <= set(PROCEDURES)
    assert set(get_args(VoidCode)) <= set(VOID_WORDS)


def test_a_step_that_failed_is_named_where_the_next_one_begins():
    said = ended("calibrate", Finish("failed", "No tone came.", {}))
    assert said == "FAILED, calibrate the probe: No tone came."
    assert ended("gain", Finish("limited", "bass: 21.40 V set.", {})) == "bass: 21.40 V set."
    assert said in " ".join(caution_lines(cautions.ENGINE, said, 56))
    assert not any("Before" in line for line in caution_lines(cautions.ENGINE, "", 56))


def test_a_long_remark_never_hides_how_sure_the_number_is():
    note = "what the input of the rear left channel takes at most"
    guidance = replace(gain_guidance(21.9), target_note=note)
    for width in (60, 80, 100):
        lines = gauge_lines(reading(21.9), guidance, width, 24)
        assert any("± " in line for line in lines)
        assert any("target 22.80 V" in line for line in lines)
