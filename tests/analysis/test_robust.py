"""Whatever comes in, a reading comes out: a void or numbers, never an exception or a warning."""

import math

import numpy as np
import pytest

from levelset.analysis.health import input_void
from levelset.analysis.tone import read_tone
from tests.analysis import closed_forms as forms

N = 4800


def strange(rng):
    n = int(rng.integers(960, N))
    t = np.arange(n)
    ramp, impulse = t / n, np.where(t == n // 3, 1.0, 0.0)
    step = np.where(t > n // 2, 0.5, -0.5)
    walk = np.cumsum(rng.normal(size=n)) * 0.01
    alternating = np.where(t % 2, 0.3, -0.3)
    sine = np.cos(rng.uniform(1e-3, math.pi) * t)
    parts = [ramp, impulse, step, walk, alternating, sine, np.sign(sine), rng.normal(size=n)]
    sizes = np.where(rng.uniform(size=8) < 0.4, 10 ** rng.uniform(-7, 0, size=8), 0.0)
    return sum(size * part for size, part in zip(sizes, parts, strict=True)) + 0.0 * t


def test_strange_signals_are_read_or_void():
    rng = np.random.default_rng(50)
    for _ in range(300):
        samples = strange(rng)
        rate_hz = float(rng.choice([44100, 48000, 192000]))
        expected_hz = rng.choice([None, 50.0, 997.0])
        start_hz = rng.choice([None, 60.0, 5000.0, 40000.0])
        response = forms.coupling([5.0]) if rng.uniform() < 0.5 else None
        result = read_tone(
            samples,
            rate_hz,
            limit_percent=1.0,
            expected_hz=expected_hz,
            start_hz=start_hz,
            response=response,
            with_picture=True,
        )
        assert (result.void is None) == (result.amplitude_fs is not None)
        if result.void is None:
            assert math.isfinite(result.crest_factor)
            assert np.isfinite(result.picture.period_measured).all()
        input_void(samples[:, None], rate_hz, live=True)
        input_void(samples[:, None], rate_hz, live=False)


@pytest.mark.parametrize("rate_hz", [44100.0, 48000.0, 96000.0, 192000.0])
@pytest.mark.parametrize("share", [1e-3, 0.01, 0.1, 0.2, 0.3, 0.4, 0.48])
@pytest.mark.parametrize("level", [1e-4, 0.9])
def test_any_frequency_and_level_to_near_half_the_rate(rate_hz, share, level):
    frequency_hz = share * rate_hz
    samples = level * forms.sampled([0.0, 1.0], frequency_hz, rate_hz, 12001)
    samples += forms.white_noise(np.random.default_rng(1), 12001, level, 60.0)
    result = read_tone(
        samples, rate_hz, limit_percent=1.0, expected_hz=frequency_hz, with_picture=True
    )
    assert result.void is None
    assert abs(result.amplitude_fs.value - level) < 2 * result.amplitude_fs.u
    assert abs(result.frequency_hz.value - frequency_hz) < 2 * result.frequency_hz.u
    assert (result.thd_percent is None) == (2 * frequency_hz > min(20e3, 0.45 * rate_hz))
    assert result.clipping.state == "clean"
    measured = result.picture.period_measured
    assert measured.max() == pytest.approx(level, rel=0.02)


def test_a_high_carrier_does_not_hide_distortion():
    """Switching residue far above the band must not be taken for noise under the harmonics."""
    rng = np.random.default_rng(2)
    rate_hz, n = 192000.0, 48000
    samples = 0.3 * forms.sampled([0.0, 1.0, 0.0, 5e-4], 997.3, rate_hz, n)
    residue = np.fft.rfft(rng.normal(size=n))
    residue[np.fft.rfftfreq(n, 1 / rate_hz) < 60e3] = 0.0
    samples += 0.02 * np.fft.irfft(residue, n) + 1e-6 * rng.normal(size=n)
    result = read_tone(samples, rate_hz, limit_percent=1.0, expected_hz=997.0)
    assert result.void is None
    assert result.thd_percent.value == pytest.approx(0.05, abs=5e-4)
    assert abs(result.thd_percent.value - 0.05) < result.thd_percent.u < 2e-3
