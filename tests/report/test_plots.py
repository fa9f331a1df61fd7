"""Drawings and the spectrum behind one of them."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import periodogram

from levelset.analysis.line_spectrum import line_spectrum
from levelset.quantity import Quantity
from levelset.report.plots import gauge, response_curve, volume_curve
from levelset.report.svg import BOTTOM, LEFT, RIGHT, TOP, Plot, decades, linear, round_step

RATE_HZ = 48_000.0


def points(svg: str, kind: str) -> list[tuple[float, float]]:
    path = re.search(rf'<path class="{kind}" d="M([^"]+)"', svg)
    assert path is not None
    pairs = [pair.split() for pair in path[1].split("L")]
    return [(float(x), float(y)) for x, y in pairs]


# Axes


@given(st.floats(1e-6, 1e6))
def test_steps_are_round(rough: float) -> None:
    step = round_step(rough)
    mantissa = step / 10.0 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - n) for n in (1.0, 2.0, 5.0, 10.0)) < 1e-6
    assert rough * (1 - 1e-6) <= step <= 2.5 * rough * (1 + 1e-6)


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4))
def test_ticks_lie_inside_and_say_their_value(low: float, width: float) -> None:
    axis = linear(low, low + width, "V")
    assert 2 <= len(axis.ticks) <= 7
    for value, text in axis.ticks:
        assert -1e-6 <= axis.part(value) <= 1.0 + 1e-6
        assert float(text) == pytest.approx(value, abs=1e-6 * width)


def test_an_axis_without_width_is_widened() -> None:
    assert linear(3.0, 3.0, "V").part(3.0) == pytest.approx(0.5)
    assert decades(3.0, 3.0, "V", str).part(3.0) == pytest.approx(0.5)


def test_a_logarithmic_axis_is_one() -> None:
    axis = decades(20.0, 20_000.0, "Hz", lambda hz: f"{hz:g}")
    assert axis.part(200.0) == pytest.approx(1.0 / 3.0)
    assert [text for _, text in axis.ticks if text] == ["100", "1000", "10000"]


# Drawings


def test_a_curve_lies_where_its_values_are() -> None:
    plot = Plot(linear(0.0, 10.0, "s"), linear(-1.0, 1.0, "V"))
    svg = plot.drawing("test", plot.curve((0.0, 5.0, 10.0), (-1.0, 0.0, 1.0), "measured"))
    middle = ((LEFT + RIGHT) / 2.0, (TOP + BOTTOM) / 2.0)
    assert points(svg, "measured") == [(LEFT, BOTTOM), middle, (RIGHT, TOP)]
    assert ET.fromstring(svg).attrib["role"] == "img"


def test_words_in_a_drawing_are_escaped() -> None:
    plot = Plot(linear(0.0, 1.0, "<b>"), linear(0.0, 1.0, "a & b"))
    svg = plot.drawing('"<i>', plot.level(0.5, "<u>"), plot.place(0.5, "<s>"))
    tree = ET.fromstring(svg)
    assert tree.attrib["aria-label"] == '"<i>'
    assert {"<b>", "a & b", "<u>", "<s>"} <= {element.text for element in tree}


def test_the_volume_curve_marks_what_is_clean() -> None:
    rows = [
        {"volume": v, "volts_rms": 0.1 * 2.0 ** (v / 4.0), "thd_percent": 0.02 if v < 9 else 5.0}
        for v in range(12)
    ]
    volts, thd = volume_curve({"volume": 8, "curve": rows}, 1.0)
    for svg in (volts, thd):
        assert svg.count('class="dot"') == 9
        assert svg.count('class="cross"') == 3
    assert "clean up to 8" in volts
    assert "limit 1 %" in thd
    # Equal ratios are equally far apart.
    heights = [y for _, y in points(volts, "measured")]
    assert np.ptp(np.diff(heights)) < 0.11
    assert volume_curve({"volume": 8, "curve": rows[:1]}, 1.0) is None
    assert volume_curve({}, 1.0) is None


def test_a_response_has_its_uncertainty_as_a_band() -> None:
    levels = [Quantity(-3.0 * n, 0.5, "dB") for n in range(6)]
    svg = response_curve([20.0, 50.0, 100.0, 1e3, 1e4, 2e4], levels)
    band = re.search(r'class="band" d="M([^Z]+)Z"', svg)
    assert band is not None
    assert len(band[1].split("L")) == 12
    ET.fromstring(svg)


@pytest.mark.parametrize(("set_v", "target_v", "clip_v"), [(14.0, 17.0, 15.0), (23.0, 22.8, None)])
def test_the_gauge_is_in_proportion(set_v: float, target_v: float, clip_v: float | None) -> None:
    svg = gauge(set_v, target_v, clip_v)
    filled = float(re.search(r'class="fill" d="M4 16H([\d.]+)V', svg)[1]) - 4.0
    ticks = [float(x) - 4.0 for x in re.findall(r'class="tick" d="M([\d.]+) ', svg)]
    assert filled / ticks[0] == pytest.approx(set_v / target_v, abs=0.002)
    assert len(ticks) == (1 if clip_v is None else 2)
    ET.fromstring(svg)


# Spectrum


def test_a_tone_on_a_bin_has_its_own_height() -> None:
    n = 12_000
    x = 0.3 * np.sin(2.0 * np.pi * 1000.0 * np.arange(n) / RATE_HZ) + 0.1
    hz, db = line_spectrum(x, RATE_HZ, places=300, low_hz=20.0, high_hz=20_000.0)
    top = int(np.argmax(db))
    assert hz[top] == pytest.approx(1000.0)
    assert db[top] == pytest.approx(20.0 * np.log10(0.3), abs=1e-6)
    far = np.abs(hz - 1000.0) > 40.0
    assert db[far].max() < db[top] - 90.0


@given(st.floats(30.0, 15_000.0), st.floats(0.0, 6.28))
def test_a_tone_between_bins_is_at_most_0_9_db_low(tone_hz: float, phase: float) -> None:
    """Largest loss of this window 0.83 dB (F. J. Harris, 1978, table 1; from memory)."""
    x = np.sin(2.0 * np.pi * tone_hz * np.arange(12_000) / RATE_HZ + phase)
    _, db = line_spectrum(x, RATE_HZ, places=300, low_hz=20.0, high_hz=20_000.0)
    assert -0.9 < db.max() < 0.05


def test_it_is_the_spectrum_of_a_general_purpose_library() -> None:
    """scipy.signal.periodogram with the same window, as peak heights."""
    rng = np.random.default_rng(4)
    x = rng.normal(size=4000) + np.sin(0.3 * np.arange(4000))
    hz, db = line_spectrum(x, RATE_HZ, places=10_000, low_hz=10.0, high_hz=20_000.0)
    their_hz, power = periodogram(x, RATE_HZ, "blackmanharris", scaling="spectrum")
    expected = 10.0 * np.log10(2.0 * power)
    for at, level in zip(hz, db, strict=True):
        assert level == pytest.approx(expected[round(at * 4000 / RATE_HZ)], abs=1e-6)
    assert their_hz[1] == pytest.approx(RATE_HZ / 4000)


def test_the_largest_level_of_a_place_is_kept_and_the_input_taken_off() -> None:
    x = np.zeros(4800)
    for k in range(10, 2000):
        x += np.cos(2.0 * np.pi * k * 10.0 * np.arange(4800) / RATE_HZ + k * k) / k
    hz, db = line_spectrum(x, RATE_HZ, places=20, low_hz=100.0, high_hz=19_000.0)
    assert len(hz) == 20
    assert np.all(np.diff(hz) > 0.0)
    _, halved = line_spectrum(
        x,
        RATE_HZ,
        places=20,
        low_hz=100.0,
        high_hz=19_000.0,
        response=lambda f: np.full(f.shape, 2.0 + 0.0j),
    )
    assert halved == pytest.approx(db - 20.0 * np.log10(2.0))
    none, _ = line_spectrum(x, RATE_HZ, places=20, low_hz=30_000.0, high_hz=40_000.0)
    assert none.size == 0
