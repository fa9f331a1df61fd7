"""Every void of a reading, provoked; and none on good signals."""

import math

import numpy as np
import pytest

from levelset.analysis.health import input_void
from levelset.analysis.tone import read_tone
from tests.analysis import closed_forms as forms

RATE_HZ = 48000.0
N = 12000
TIME_S = np.arange(N) / RATE_HZ


def tone(frequency_hz, n=N, level=0.5):
    return level * forms.sampled([0.0, 1.0], frequency_hz, RATE_HZ, n)


def noise(size, seed=1):
    return np.random.default_rng(seed).normal(size=N) * size


def chord(n=N):
    return sum(tone(hz, n, 0.1) for hz in (110.0, 138.6, 164.8, 220.0, 277.2))


def replace(samples, start, stop, by):
    out = samples.copy()
    out[start:stop] = by
    return out


CASES = {
    "not a number": (replace(tone(50), 100, 101, np.nan), None, "not_finite"),
    "infinite": (replace(tone(50), 100, 101, np.inf), None, "not_finite"),
    "all zero": (np.zeros(N), None, "silent_input"),
    "constant": (np.full(N, 0.2), None, "silent_input"),
    "one bit flickers": (np.where(noise(1) > 0, 2.0**-23, 0.0), None, "silent_input"),
    "15 ms": (tone(997)[:720], None, "too_short"),
    "nothing": (tone(997)[:0], None, "too_short"),
    "2.8 periods": (tone(50.013)[:2700], None, "too_short"),
    "hum below a tone that the window suits": (tone(48.0)[:2400], 65.0, "no_tone"),
    "2.8 periods of the expected": (tone(50.013)[:2700], 50.0, "too_short"),
    "a third of a period": (tone(20.07)[:1200], None, "too_short"),
    "white noise": (noise(0.1), None, "no_tone"),
    "brown noise": (np.cumsum(noise(0.01)), None, "no_tone"),
    "chord": (chord() + noise(1e-3), None, "no_tone"),
    "two tones": (tone(440.0) + tone(701.3, level=0.4), None, "no_tone"),
    "music": (
        chord() * np.exp(-((8 * TIME_S) % 1) * 3) + noise(0.05) * np.exp(-((4 * TIME_S) % 1) * 9),
        None,
        "no_tone",
    ),
    "sweep": (0.5 * np.sin(2 * math.pi * (900 * TIME_S + 400 * TIME_S**2)), None, "no_tone"),
    "a touch": (tone(50, level=0.01) + 0.8 * np.exp(-9 * TIME_S), None, "no_tone"),
    "other tone": (tone(997.3) + noise(1e-4), 50.0, "no_tone"),
    "tone 5 % off": (tone(1050.0) + noise(1e-4), 1000.0, "no_tone"),
    "3 dB step up": (tone(50.013) * np.where(TIME_S < 0.12, 0.7, 1.0), None, "unsteady"),
    "1 dB step at 41.7 Hz": (tone(41.7) * np.where(TIME_S < 0.1, 0.89, 1.0), None, "unsteady"),
    "1 dB step at 997.3 Hz": (tone(997.3) * np.where(TIME_S < 0.1, 0.89, 1.0), None, "unsteady"),
    "fade": (tone(997.3) * 10 ** (-3 * TIME_S / 0.25 / 20), None, "unsteady"),
    "starts late": (tone(50.013) * (TIME_S > 0.05) + noise(1e-5), None, "unsteady"),
    "stops": (tone(997.3) * (TIME_S < 0.2) + noise(1e-5), None, "unsteady"),
    "samples lost": (np.delete(tone(997.3, N + 64), slice(5000, 5064)), None, "unsteady"),
    "block repeated": (
        np.concatenate((tone(997.3)[:6000], tone(997.3)[5000:11000])),
        None,
        "unsteady",
    ),
    "5 ms of zeros": (replace(tone(50.013), 5000, 5240, 0.0), None, "drop_out"),
    "1 ms of zeros": (replace(tone(997.3) + noise(1e-4), 5000, 5048, 0.0), None, "drop_out"),
}


@pytest.mark.parametrize("name", CASES)
def test_what_cannot_be_trusted_is_void(name):
    samples, expected_hz, code = CASES[name]
    result = read_tone(samples, RATE_HZ, limit_percent=1.0, expected_hz=expected_hz)
    assert result.void is not None
    assert result.void.code == code
    assert result.void.reason.endswith(".")
    assert ":" in result.void.reason or ";" in result.void.reason
    for name_ in ("frequency_hz", "amplitude_fs", "level_dbfs", "thd_percent", "picture"):
        assert getattr(result, name_) is None


def test_the_frequency_found_is_named():
    result = read_tone(tone(997.3), RATE_HZ, limit_percent=1.0, expected_hz=50.0)
    assert "997.3 Hz" in result.void.reason
    assert "50.0 Hz" in result.void.reason
    assert result.peak_dbfs == pytest.approx(-6.02, abs=0.01)


@pytest.mark.parametrize("start_hz", [49.0, 500.0, 997.0, 1000.0, 30000.0])
def test_a_wrong_start_does_not_matter(start_hz):
    samples = tone(997.3) + noise(1e-4)
    cold = read_tone(samples, RATE_HZ, limit_percent=1.0, expected_hz=None)
    warm = read_tone(samples, RATE_HZ, limit_percent=1.0, expected_hz=None, start_hz=start_hz)
    difference_hz = warm.frequency_hz.value - cold.frequency_hz.value
    assert abs(difference_hz) < 0.1 * cold.frequency_hz.u


def test_no_void_on_good_signals():
    """20 Hz to 20 kHz, 20 dB signal to noise and better, to 20 dB overdrive, hum, offset."""
    rng = np.random.default_rng(30)
    for _ in range(300):
        rate_hz = float(rng.choice([44100, 48000, 96000]))
        frequency_hz = math.exp(rng.uniform(math.log(20.0), math.log(20000.0)))
        count = min(forms.below_nyquist(frequency_hz, rate_hz), 200)
        overdrive_db = rng.choice([0.0, rng.uniform(0.05, 20.0)])
        lower_db = rng.choice([0.0, overdrive_db])
        harmonics = forms.clipped_cosine(count, overdrive_db, lower_db)
        n = int(max(0.02, 3.01 / frequency_hz, rng.uniform(0.02, 0.4)) * rate_hz)
        level = 10 ** (-rng.uniform(1.5, 60.0) / 20)
        samples = forms.sampled(harmonics, frequency_hz, rate_hz, n, rng.uniform(0, 6.28))
        samples += forms.white_noise(rng, n, harmonics[1], rng.uniform(20.0, 95.0))
        time_s = np.arange(n) / rate_hz
        size = rng.choice([0.0, 0.05])
        mains = 2 * math.pi * rng.choice([50.0, 60.0]) * time_s * (1 + 2e-3 * time_s)
        samples += size * (1 + 0.1 * np.sin(5 * time_s)) * np.cos(mains + rng.uniform(0, 6.28))
        samples = level * samples + rng.uniform(-0.001, 0.001)
        words = (frequency_hz, rate_hz, n, overdrive_db, lower_db, size)
        result = read_tone(samples, rate_hz, limit_percent=1.0, expected_hz=frequency_hz)
        assert result.void is None, (words, result.void)
        assert abs(result.frequency_hz.value / frequency_hz - 1) < 0.02
        assert input_void(samples[:, None], rate_hz, live=False) == [None], words


@pytest.mark.parametrize("frequency_hz", [41.7, 150.1, 997.3])
def test_flat_tops_are_told_while_the_level_moves(frequency_hz):
    rng = np.random.default_rng(3)
    drive = np.where(TIME_S > 0.17, 10 ** (2.0 / 20), 0.99)
    sine = forms.sampled([0.0, 1.0], frequency_hz, RATE_HZ, N)
    samples = 0.5 * np.clip(drive * sine, -1, 1) + forms.white_noise(rng, N, 0.5, 65.0)
    result = read_tone(samples, RATE_HZ, limit_percent=1.0, expected_hz=frequency_hz)
    assert result.clipping.state == "hard_clipping"
    if result.void is not None:
        assert result.void.code == "unsteady"
        assert result.clipping.overdrive_db is None
        assert result.clipping.upper_fs is None


def test_a_moving_level_alone_is_no_clipping():
    for frequency_hz in (41.7, 150.1, 997.3):
        samples = tone(frequency_hz) * 10 ** (-3 * TIME_S / 0.25 / 20) + noise(3e-4)
        result = read_tone(samples, RATE_HZ, limit_percent=1.0, expected_hz=frequency_hz)
        assert result.void.code == "unsteady"
        assert result.clipping is None
