"""Noise against a general-purpose library, hum and whine against what was put in."""

import math

import numpy as np
import pytest
from scipy import signal as scipy_signal

from levelset.analysis.noise import read_noise
from levelset.analysis.weighting import POLES_HZ
from levelset.analysis.whine import find_whine
from levelset.quantity import Quantity
from tests.benchmarks.random_sources import noise_error_db

RATE = 48_000.0
FRAMES = int(4.0 * RATE)
TIME = np.arange(FRAMES) / RATE


def white(seed, rms, frames=FRAMES):
    return rms * np.random.default_rng(seed).standard_normal(frames)


FLOOR = read_noise(white(99, 1e-5, int(5 * RATE)), RATE, floor=None).spectrum


@pytest.mark.parametrize("seed", range(8))
def test_levels_are_within_half_a_decibel_or_say_below(seed):
    error_db, below = noise_error_db(seed)
    # A limit is never lower than the truth.
    assert error_db > -0.5 if below else abs(error_db) < 0.5


@pytest.mark.outside
def test_both_levels_by_a_general_purpose_library():
    """The same noise, brown below 200 Hz, by scipy.signal.welch and freqs_zpk."""
    sos = scipy_signal.butter(1, 200.0, "low", fs=RATE, output="sos")
    x = white(1, 1e-3) + 30 * scipy_signal.sosfilt(sos, white(2, 1e-3))
    reading = read_noise(x, RATE, floor=None)
    hz, density = scipy_signal.welch(x, RATE, nperseg=1 << 15)
    f1, f2, f3, f4 = (-2 * np.pi * f for f in POLES_HZ)
    _, h = scipy_signal.freqs_zpk([0] * 4, [f1, f1, f2, f3, f4, f4], 1.0, 2 * np.pi * hz[1:])
    _, at_1k = scipy_signal.freqs_zpk([0] * 4, [f1, f1, f2, f3, f4, f4], 1.0, [2 * np.pi * 1000])
    weight = np.concatenate(([0.0], np.abs(h / at_1k[0]) ** 2))
    band = (hz >= 20.0) & (hz <= 20_000.0)
    for level, w in ((reading.unweighted, 1.0), (reading.a_weighted, weight)):
        theirs = math.sqrt(float(np.sum((density * w)[band])) * hz[1])
        assert 20 * math.log10(level.rms_fs.value / theirs) == pytest.approx(0.0, abs=0.1)


def test_a_sine_is_weighted_as_iec_61672_says():
    # IEC 61672-1:2013, Table 3: -19.1 dB at 100 Hz, +1.0 dB at 4 kHz (exact 3981 Hz).
    for hz, db in ((100.0, -19.1), (3981.07, 1.0)):
        reading = read_noise(0.1 * np.sin(2 * np.pi * hz * TIME) + white(0, 1e-7), RATE, floor=None)
        assert reading.unweighted.rms_fs.value == pytest.approx(0.1 / math.sqrt(2), rel=1e-4)
        ratio = reading.a_weighted.rms_fs.value / reading.unweighted.rms_fs.value
        assert 20 * math.log10(ratio) == pytest.approx(db, abs=0.05)


def test_stated_uncertainty_covers():
    true = 1e-4 * math.sqrt((20_000 - 20) / 24_000)
    readings = [read_noise(white(s, 1e-4), RATE, floor=FLOOR).unweighted.rms_fs for s in range(40)]
    inside = [abs(q.value - true) < q.u for q in readings]
    assert sum(inside) >= 34
    assert max(q.u for q in readings) < 0.01 * true


def test_the_input_is_corrected_by_its_response():
    sos = scipy_signal.butter(1, 40.0, "high", fs=RATE, output="sos")
    x = scipy_signal.sosfilt(sos, white(5, 1e-3, FRAMES + 48_000))[48_000:]

    def response(f):
        return scipy_signal.sosfreqz(sos, f, fs=RATE)[1]

    level = read_noise(x, RATE, floor=None, response=response).unweighted.rms_fs
    assert level.value == pytest.approx(1e-3 * math.sqrt(19_980 / 24_000), rel=0.01)


def test_against_the_clean_maximum_and_one_watt():
    level = read_noise(white(3, 1e-4), RATE, floor=FLOOR).unweighted
    maximum = Quantity(0.5, 0.005, "FS")
    db = level.against(maximum)
    assert db.value == pytest.approx(20 * math.log10(level.rms_fs.value / 0.5))
    assert db.u == pytest.approx(
        8.686 * math.hypot(level.rms_fs.u / level.rms_fs.value, 0.01), 1e-3
    )
    # 1 W into 4 ohm is 2 V.
    one_watt = level.against(Quantity(2.0, 0.0, "V"), volts_per_fs=10.0)
    assert one_watt.value == pytest.approx(20 * math.log10(level.rms_fs.value * 10.0 / 2.0))


@pytest.mark.parametrize("mains", [49.97, 60.02])
def test_hum_and_its_frequency(mains):
    x = white(4, 1e-5)
    for k in range(1, 9):
        x = x + 2e-4 / k * np.sin(2 * np.pi * k * mains * TIME + k)
    hum = read_noise(x, RATE, floor=FLOOR).hum
    assert hum.mains_hz == pytest.approx(mains, abs=0.01)
    assert len(hum.lines) == 8
    true = math.sqrt(sum((2e-4 / k) ** 2 / 2 for k in range(1, 9)))
    assert hum.rms_fs == pytest.approx(true, rel=0.01)


def test_noise_alone_has_no_lines():
    for seed in range(12):
        reading = read_noise(white(seed, 1e-4) + 0.01, RATE, floor=None)
        assert (reading.hum, reading.lines, reading.bumps) == (None, (), ())


def engine(base_hz, seed):
    """Hum, a steady switching residue, and a comb that wanders by a thousandth."""
    x = white(seed, 1e-5) + 1e-4 * np.sin(2 * np.pi * 15_625.3 * TIME)
    for k in range(1, 9):
        x = x + 2e-4 / k * np.sin(2 * np.pi * 49.97 * k * TIME + k)
    wander = 2 * np.pi * np.cumsum(base_hz * (1 + 1e-3 * np.sin(2 * np.pi * 0.3 * TIME))) / RATE
    for k in (1, 2, 3, 6):
        x = x + 5e-5 / k * np.sin(k * wander + k)
    return read_noise(x, RATE, floor=FLOOR)


def test_whine_moves_with_the_engine_and_hum_does_not():
    slow, fast = engine(410.0, 1), engine(903.0, 2)
    whine = find_whine(slow, fast)
    assert whine.speed_ratio == pytest.approx(903 / 410, rel=2e-3)
    assert whine.base_hz.value == pytest.approx(410.0, rel=2e-3)
    true = math.sqrt(sum((5e-5 / k) ** 2 / 2 for k in (1, 2, 3, 6)))
    assert 20 * math.log10(whine.slow_rms_fs / true) == pytest.approx(0.0, abs=0.5)
    for seed in range(3):
        assert find_whine(slow, engine(410.0, 10 + seed)) is None


def test_voids_and_misuse():
    assert read_noise(white(0, 1e-4)[: int(1.9 * RATE)], RATE, floor=None).void.code == "too_short"
    assert read_noise(np.zeros(FRAMES), RATE, floor=None).void.code == "silent_input"
    with pytest.raises(ValueError):
        read_noise(white(0, 1e-4), 44_100.0, floor=FLOOR)
    void = read_noise(np.zeros(FRAMES), RATE, floor=None)
    with pytest.raises(ValueError):
        find_whine(void, void)
