"""Curves of the stages against their closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from levelset.simulation.waveshape import limited, low_order, soft_limit

TURN = 2.0 * np.pi * np.arange(4096) / 4096


def peaks(values: np.ndarray) -> np.ndarray:
    """Return the peak of every harmonic of one period (numpy's FFT over a whole period)."""
    found: np.ndarray = 2.0 * np.abs(np.fft.rfft(values)) / len(values)
    return found


@pytest.mark.parametrize("thd_percent", [0.01, 0.3, 2.0, 5.0])
def test_a_full_sine_has_exactly_the_stated_distortion(thd_percent: float) -> None:
    found = peaks(low_order(np.cos(TURN), thd_percent))
    thd = np.linalg.norm(found[2:]) / found[1]
    assert 100.0 * thd == pytest.approx(thd_percent, rel=1e-9)
    assert np.abs(found[[2, 4]]).max() < 1e-15, "only odd harmonics"


@pytest.mark.parametrize("thd_percent", [0.05, 1.0])
def test_below_the_limit_it_is_cleaner_and_hardly_changes_the_level(thd_percent: float) -> None:
    for size in np.linspace(0.05, 0.999, 60):
        found = peaks(low_order(size * np.cos(TURN), thd_percent))
        assert 100.0 * np.linalg.norm(found[2:]) / found[1] < thd_percent
        assert -2.6 * thd_percent / 100.0 < found[1] / size - 1.0 <= 0.0


def test_distortion_falls_with_the_square_of_the_level() -> None:
    small = [peaks(low_order(a * np.cos(TURN), 1.0)) for a in (0.02, 0.01)]
    thd = [np.linalg.norm(p[2:]) / p[1] for p in small]
    assert thd[0] / thd[1] == pytest.approx(4.0, rel=2e-3)
    assert small[1][1] == pytest.approx(0.01, rel=1e-4)


def test_distortion_is_monotonic_and_keeps_the_limits() -> None:
    part = np.linspace(-1.0, 1.0, 20_001)
    out = low_order(part, 5.0)
    assert np.all(np.diff(out) > 0.0)
    assert (out[0], out[-1]) == (pytest.approx(-1.0, abs=1e-12), pytest.approx(1.0, abs=1e-12))


@pytest.mark.parametrize("knee", [0.05, 0.3, 1.0])
def test_soft_knee_follows_its_formula(knee: float) -> None:
    part = np.linspace(-4.0, 4.0, 8001)
    out = soft_limit(part.copy(), knee)
    linear = 1.0 - knee
    inside = np.abs(part) <= linear
    np.testing.assert_allclose(out[inside], part[inside], atol=1e-15)
    beyond = linear + knee * np.tanh((np.abs(part[~inside]) - linear) / knee)
    np.testing.assert_allclose(out[~inside], np.sign(part[~inside]) * beyond, rtol=1e-12)
    slope = np.diff(out) / np.diff(part)
    assert np.all(np.abs(np.diff(slope)) < 2.0 * 0.001 / knee), "the slope has no step"
    assert np.all(np.abs(out) <= 1.0)


def test_hard_limit_is_flat_at_the_limit_whatever_the_distortion() -> None:
    out = limited(np.array([-50.0, -10.0, 0.0, 3.0, 10.0, 11.0]), 10.0, 0.0, 0.5)
    np.testing.assert_allclose(out[[0, 1, 2, 4, 5]], [-10.0, -10.0, 0.0, 10.0, 10.0], atol=1e-12)


def test_a_limit_may_move() -> None:
    out = limited(np.full(3, 9.0), np.array([5.0, 6.0, 20.0]), 0.0, 0.0)
    np.testing.assert_allclose(out, [5.0, 6.0, 9.0])
