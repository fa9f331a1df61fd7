"""Mains hum: taken out where it can be told apart, flagged where it cannot."""

import math

import numpy as np
import pytest

from levelset.analysis.tone import read_tone
from tests.analysis import closed_forms as forms

RATE_HZ = 48000.0


def hum(n, lines_hz):
    time_s = np.arange(n) / RATE_HZ
    return sum(
        size * np.cos(2 * math.pi * hz * time_s + 0.3 * i)
        for i, (hz, size) in enumerate(lines_hz.items())
    )


def read(samples, **options):
    return read_tone(samples, RATE_HZ, limit_percent=1.0, expected_hz=None, **options)


@pytest.mark.parametrize(
    ("frequency_hz", "lines_hz", "flagged"),
    [
        (50.013, {60.02: 5e-3}, True),
        (41.7, {59.97: 5e-3}, True),
        (41.7, {49.99: 5e-3, 149.97: 3e-3}, True),
        (39.1, {60.01: 5e-3, 180.03: 2e-3}, True),
        (997.3, {50.0: 5e-3, 150.0: 3e-3, 250.0: 2e-3}, False),
        (73.7, {60.0: 25e-3}, False),
    ],
)
def test_hum_is_taken_out(frequency_hz, lines_hz, flagged):
    rng = np.random.default_rng(3)
    n = 12000
    count = min(forms.below_nyquist(frequency_hz, RATE_HZ), 300)
    harmonics = forms.clipped_cosine(count, 0.2, 0.2)
    clean = 0.5 * forms.sampled(harmonics, frequency_hz, RATE_HZ, n)
    samples = clean + hum(n, lines_hz) + forms.white_noise(rng, n, 0.5, 80.0)
    result = read(samples)
    assert result.void is None
    amplitude = 0.5 * harmonics[1]
    assert abs(result.amplitude_fs.value / amplitude - 1) < 1e-4
    assert abs(result.amplitude_fs.value - amplitude) < result.amplitude_fs.u
    expected = forms.thd_percent(harmonics, min(40, int(20e3 / frequency_hz)))
    assert abs(result.thd_percent.value - expected) < max(result.thd_percent.u, 5e-4)
    assert result.clipping.state == "hard_clipping"
    # Hum is part of THD + N all the same.
    power = sum(size**2 for hz, size in lines_hz.items() if hz > 20.0)
    least = 100 * math.sqrt(power) / amplitude
    assert result.thd_n_percent.value > 0.98 * math.hypot(least, expected)
    assert result.hum_not_separable is flagged


@pytest.mark.parametrize(
    ("frequency_hz", "lines_hz"),
    [
        (49.0, {50.0: 4e-3, 100.0: 3e-3, 150.0: 4e-3, 250.0: 3e-3}),
        (41.3, {60.0: 10e-3, 120.0: 10e-3, 180.0: 10e-3}),
    ],
)
def test_hum_that_cannot_be_told_apart_is_flagged(frequency_hz, lines_hz):
    rng = np.random.default_rng(5)
    n = 12000
    tone = 0.5 * forms.sampled([0.0, 1.0], frequency_hz, RATE_HZ, n)
    result = read(tone + hum(n, lines_hz) + forms.white_noise(rng, n, 0.5, 80.0))
    assert result.void is None
    assert result.hum_not_separable
    assert abs(result.amplitude_fs.value - 0.5) < result.amplitude_fs.u
    assert result.thd_percent.value - result.thd_percent.u < 1e-3


def test_without_hum_nothing_is_flagged():
    rng = np.random.default_rng(6)
    for _ in range(60):
        frequency_hz = math.exp(rng.uniform(math.log(25.0), math.log(1000.0)))
        tone = 0.5 * forms.sampled([0.0, 1.0, 1e-3, 1e-3], frequency_hz, RATE_HZ, 12000)
        snr_db = rng.uniform(20, 100)
        result = read(tone + forms.white_noise(rng, 12000, 0.5, snr_db))
        assert not result.hum_not_separable
