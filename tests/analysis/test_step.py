"""The step behind a high-pass: closed forms, scipy's filters, and steps whose height is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import cont2discrete, freqs, freqz

from levelset.analysis.step.mains import Lines, mains_of, strongest_tone
from levelset.analysis.step.read import explains, identify_step, read_step, window_of
from levelset.analysis.step.section import Section, section_of_poles
from levelset.analysis.step.slow import half_length_rows, slowed
from levelset.analysis.step.touch import find_edge
from tests.probe.dc_touch import RATE, SCALE_V, one_touch

ROWS_HZ = 1000.0


@pytest.mark.parametrize("pole_hz", [0.3, 2.0, 8.0])
def test_step_response_of_the_first_order_high_pass(pole_hz):
    """exp(-2 pi f t): RC high-pass, Horowitz and Hill, The Art of Electronics, ch. 1 (memory)."""
    section = Section(section_of_poles((pole_hz,)), ROWS_HZ)
    n = 3000
    # A step half a row before the first row, as the trapezoid rule sees it.
    y = section.passed(np.ones((n, 1)))[:, 0]
    t = (np.arange(n) + 0.5) / ROWS_HZ
    np.testing.assert_allclose(y, np.exp(-2.0 * np.pi * pole_hz * t), atol=1e-3 * pole_hz / 3.0)


def test_section_against_scipy_over_frequency():
    """The recursion has the response of the analogue section far below half the row rate."""
    a, b = 18.0, 160.0
    section = Section((a, b), ROWS_HZ)
    at = np.array([0.5, 1.0, 2.0, 5.0, 20.0])
    _, got = freqz(section.numerator, section.denominator, 2.0 * np.pi * at / ROWS_HZ)
    _, want = freqs([1.0, 0.0, 0.0], [1.0, a, b], 2.0 * np.pi * at)
    np.testing.assert_allclose(got, want, rtol=2e-4)
    num, den, _ = cont2discrete(([1.0, 0.0, 0.0], [1.0, a, b]), 1.0 / ROWS_HZ, method="bilinear")
    np.testing.assert_allclose(section.numerator / section.denominator[0], num.ravel(), rtol=1e-9)
    np.testing.assert_allclose(section.denominator / section.denominator[0], den, rtol=1e-9)


def test_changes_with_the_coefficients_are_derivatives():
    rng = np.random.default_rng(1)
    u = rng.standard_normal((500, 1))
    c = (18.0, 160.0)
    section = Section(c, ROWS_HZ)
    changes = section.changes(section.passed(u)[:, 0])
    for n in range(2):
        d = 1e-4 * c[n]
        up = Section(tuple(x + d * (i == n) for i, x in enumerate(c)), ROWS_HZ).passed(u)[:, 0]
        down = Section(tuple(x - d * (i == n) for i, x in enumerate(c)), ROWS_HZ).passed(u)[:, 0]
        np.testing.assert_allclose(changes[:, n], (up - down) / (2 * d), rtol=1e-4, atol=1e-9)


def test_undone_gives_the_input_back():
    section = Section(section_of_poles((2.1, 0.9)), ROWS_HZ)
    x = np.cumsum(np.random.default_rng(2).standard_normal((400, 1)), axis=0)
    np.testing.assert_allclose(section.undone(section.passed(x)), x, atol=1e-6)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_slow_rows_pass_dc_and_stop_a_tone(rate):
    t = np.arange(rate) / rate
    tone = np.sin(2.0 * np.pi * 997.0 * t)
    rows, row_rate = slowed(np.column_stack([np.full(rate, 0.3), tone]), rate)
    assert row_rate == pytest.approx(1000.0, rel=3e-3)
    np.testing.assert_allclose(rows[:, 0], 0.3, rtol=1e-12)
    assert np.abs(rows[:, 1]).max() < 10.0 ** (-100.0 / 20.0)


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_mains_and_a_tone_are_found(mains):
    t = np.arange(900) / ROWS_HZ
    x = 0.01 * np.sin(2 * np.pi * (mains + 0.05) * t) + 1e-4 * np.random.default_rng(3).normal(
        size=900
    )
    assert mains_of([x], ROWS_HZ) == mains
    assert strongest_tone(x, ROWS_HZ) == pytest.approx(mains + 0.05, abs=0.1)
    assert strongest_tone(np.random.default_rng(4).normal(size=900), ROWS_HZ) is None


def test_lines_change_with_their_frequency():
    lines = Lines(50.0, (31.0,), ROWS_HZ)
    amplitudes = np.random.default_rng(5).standard_normal(16)
    changes = lines.changes(amplitudes, 300)
    for which, d in ((0, np.array([1e-6, 0.0])), (1, np.array([0.0, 1e-6]))):
        up = lines.moved(d).columns(300) @ amplitudes
        down = lines.moved(-d).columns(300) @ amplitudes
        np.testing.assert_allclose(changes[:, which], (up - down) / 2e-6, atol=1e-4)


def rows_of(x):
    rows, row_rate = slowed(x[:, None], RATE)
    return rows[:, 0], row_rate


def test_no_touch_in_quiet_with_hum_and_an_old_decay():
    rng = np.random.default_rng(6)
    for _ in range(20):
        x = one_touch(rng, 0.0, hum_v=0.2, before_s=2.5, after_s=0.01)
        rows, row_rate = rows_of(x[: round(2.4 * RATE)])
        assert find_edge(rows, Section(section_of_poles((2.1,)), row_rate)).row is None


@pytest.mark.parametrize("volts", [0.02, -0.3, 12.0])
def test_touch_is_found_where_it_is(volts):
    rng = np.random.default_rng(7)
    for _ in range(10):
        x = one_touch(rng, volts, noise_dbfs=-85.0, bounce_s=0.03)
        rows, row_rate = rows_of(x)
        edge = find_edge(rows, Section(section_of_poles((2.1,)), row_rate))
        middle = 1200.0 - half_length_rows(RATE)
        assert edge.row is not None
        assert abs(edge.row - middle) <= 30


INPUTS = [
    ((), None),
    ((0.3,), None),
    ((5.0,), None),
    ((5.0, 1.0), None),
    ((3.0, 3.0), None),
    ((), (2 * np.pi * 2.0 / 0.71, (2 * np.pi * 2.0) ** 2)),
]


@pytest.mark.parametrize(("poles", "section"), INPUTS)
def test_coupling_is_identified_and_then_read_through(poles, section):
    rng = np.random.default_rng(8)
    truth = section_of_poles(poles) if section is None else section
    x = one_touch(rng, 12.4, poles_hz=poles, section=section, after_s=2.3, bounce_s=0.03)
    rows, row_rate = rows_of(x)
    edge = find_edge(rows, Section(section_of_poles((2.0,)), row_rate))
    smear = half_length_rows(RATE)
    found = identify_step(window_of(rows, edge.row, smear, row_rate), row_rate)
    assert explains(found)
    assert found.height_fs == pytest.approx(12.4 / SCALE_V, rel=2e-4)
    for got, want in zip(found.coefficients, truth, strict=False):
        assert got == pytest.approx(want, rel=2e-3, abs=0.05)
    for volts in (0.5, -7.0):
        x = one_touch(rng, volts, poles_hz=poles, section=section, bounce_s=0.04)
        rows, row_rate = rows_of(x)
        coupling = Section(found.coefficients, row_rate)
        edge = find_edge(rows, coupling)
        step = read_step(window_of(rows, edge.row, smear, row_rate), coupling)
        assert step.height_fs * SCALE_V == pytest.approx(volts, rel=5e-4, abs=2e-3)
        assert step.misfit < 1.5
