"""Overlapping windows that share their work say what each window by itself says."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from levelset.analysis.projection import basis, fold, layout, project_with_moment
from levelset.analysis.stream.decimate import Decimator, halving_filter
from levelset.analysis.stream.kept import KeptBlocks
from levelset.analysis.stream.meter import StreamMeter, Update, Wanted
from levelset.analysis.tone import read_tone

RATE_HZ = 48_000
BLOCK = 1024
UPDATES_HZ = 20.0
WANTED = Wanted(UPDATES_HZ, 0.25, 10.0, 1.0)


def updates_of(
    samples: np.ndarray, rate_hz: int = RATE_HZ, wanted: Wanted = WANTED
) -> list[tuple[int, Update]]:
    """Return every update with the frame that had arrived when it came."""
    samples = samples[:, None] if samples.ndim == 1 else samples
    meter = StreamMeter(rate_hz, samples.shape[1], wanted)
    block = BLOCK * max(1, round(rate_hz / 48_000))
    return [
        (first + block, update)
        for first in range(0, len(samples), block)
        for update in meter.push(samples[first : first + block])
    ]


def noisy_tone(
    rng: np.random.Generator, frequency_hz: float, seconds: float, level: object, noise: float
) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    sine = np.sin(2.0 * np.pi * frequency_hz * time_s + rng.uniform(0.0, 6.0))
    return np.asarray(level) * sine + noise * rng.standard_normal(time_s.size)


def alone(samples: np.ndarray, update: Update, expected_hz: float | None = None):
    window = samples[update.first : update.first + update.count]
    return read_tone(window, RATE_HZ, limit_percent=1.0, expected_hz=expected_hz)


@pytest.mark.parametrize("seed", range(12))
def test_updates_equal_readings_of_the_same_windows(seed):
    rng = np.random.default_rng(seed)
    frequency_hz = math.exp(rng.uniform(math.log(20.0), math.log(5000.0)))
    noise = 10.0 ** rng.uniform(-5.5, -3.0)
    x = noisy_tone(rng, frequency_hz, 1.6, rng.uniform(0.05, 0.5), noise)
    if seed % 3 == 1:
        x = np.clip(x, -0.8 * np.abs(x).max(), 0.75 * np.abs(x).max())
    if seed % 3 == 2:
        x = x + 0.03 * x * x / np.abs(x).max()
    compared = 0
    for _, update in updates_of(x)[3::4]:
        mine, theirs = update.tones[0], alone(x, update)
        assert mine.void is None
        assert theirs.void is None
        for name in ("frequency_hz", "amplitude_fs", "level_dbfs", "total_amplitude_fs"):
            one, two = getattr(mine, name), getattr(theirs, name)
            assert abs(one.value - two.value) < 0.25 * two.u, name
        # The noise is that of the last complete analysis, at most a second old.
        for name in ("thd_percent", "thd_n_percent"):
            one, two = getattr(mine, name), getattr(theirs, name)
            if two is not None:
                assert abs(one.value - two.value) < 2.0 * two.u, name
        assert mine.clipping.state == theirs.clipping.state
        if theirs.clipping.overdrive_db is not None:
            one, two = mine.clipping.overdrive_db, theirs.clipping.overdrive_db
            assert abs(one.value - two.value) < one.u + two.u
        compared += 1
    assert compared >= 5


def test_two_channels_share_a_tone_and_a_quiet_one_is_void():
    rng = np.random.default_rng(4)
    a = noisy_tone(rng, 94.0, 1.5, 0.3, 1e-4)
    b = -0.97 * a + 1e-4 * rng.standard_normal(a.size)
    quiet = 1e-4 * rng.standard_normal(a.size)
    for _, update in updates_of(np.column_stack((a, b, quiet)))[2:]:
        first, second, third = update.tones
        assert first.amplitude_fs.value == pytest.approx(alone(a, update).amplitude_fs.value, 1e-6)
        assert second.amplitude_fs.value == pytest.approx(alone(b, update).amplitude_fs.value, 1e-6)
        assert third.void.code == "no_tone"
        ratio = update.phasors[1] / update.phasors[0]
        assert ratio == pytest.approx(-0.97, abs=1e-4)


def test_two_channels_with_tones_of_their_own():
    rng = np.random.default_rng(5)
    a, b = (noisy_tone(rng, hz, 1.5, 0.3, 1e-5) for hz in (94.0, 315.0))
    for _, update in updates_of(np.column_stack((a, b)))[6:]:
        for x, tone, hz in zip((a, b), update.tones, (94.0, 315.0), strict=True):
            assert tone.frequency_hz.value == pytest.approx(hz, abs=1e-3)
            assert tone.amplitude_fs.value == pytest.approx(np.sqrt(2.0) * x.std(), rel=2e-3)


@pytest.mark.parametrize("db_per_s", [-6.0, -2.0, 2.0, 6.0])
@pytest.mark.parametrize("frequency_hz", [41.0, 94.0, 997.0])
def test_a_moving_level_is_followed(frequency_hz, db_per_s):
    rng = np.random.default_rng(7)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    level = 0.1 * 10.0 ** (db_per_s * time_s / 20.0)
    x = noisy_tone(rng, frequency_hz, 2.0, level, 1e-6)
    read = 0
    for _, update in updates_of(x)[6:]:
        tone = update.tones[0]
        assert tone.clipping is None or tone.clipping.state == "clean"
        if tone.void is None:
            mean = level[update.first : update.first + update.count].mean()
            # Few periods see a ramp unevenly: to 0.05 % at 2 dB a second, in proportion above.
            allowed = max(5e-4, 5e-4 * abs(db_per_s) / 2.0)
            assert tone.amplitude_fs.value == pytest.approx(mean, rel=allowed)
            assert abs(tone.amplitude_fs.value - mean) < tone.amplitude_fs.u
            read += 1
    assert read > 25


def test_start_change_and_stop_of_a_tone():
    rng = np.random.default_rng(9)
    quiet = 1e-5 * rng.standard_normal(RATE_HZ // 2)
    parts = [noisy_tone(rng, hz, 1.0, 0.2, 1e-5) for hz in (94.0, 315.0)]
    x = np.concatenate((quiet, *parts, quiet))
    silent, read = 0, {94.0: 0, 315.0: 0}
    for _, update in updates_of(x):
        tone = update.tones[0]
        start, stop = update.first / RATE_HZ, (update.first + update.count) / RATE_HZ
        if stop < 0.5 or start > 2.5:
            assert tone.void.code == "no_tone"
            silent += 1
        for first_s, last_s, hz in ((0.5, 1.5, 94.0), (1.5, 2.5, 315.0)):
            if first_s < start and stop < last_s and tone.void is None:
                assert tone.frequency_hz.value == pytest.approx(hz, abs=0.01)
                assert tone.amplitude_fs.value == pytest.approx(0.2, rel=1e-4)
                read[hz] += 1
            if first_s + 0.4 < start and stop < last_s:
                assert tone.void is None
    assert silent > 5
    assert min(read.values()) > 5


def test_a_drop_out_makes_windows_void_and_is_forgotten_after_them():
    rng = np.random.default_rng(11)
    x = noisy_tone(rng, 94.0, 3.0, 0.2, 1e-6)
    gap = slice(RATE_HZ, RATE_HZ + 700)
    x[gap] = 0.0
    void = after = 0
    for _, update in updates_of(x):
        inside = update.first < gap.stop and update.first + update.count > gap.start
        if inside:
            assert update.tones[0].void is not None
            void += 1
        elif update.first > gap.stop + RATE_HZ // 2:
            assert update.tones[0].void is None
            assert update.count == round(0.25 * RATE_HZ)
            after += 1
    assert void >= 1
    assert after > 10


@pytest.mark.parametrize("frequency_hz", [25.0, 94.0, 440.0, 1500.0])
@pytest.mark.parametrize("noise_db", [-100.0, -70.0])
def test_clipping_is_said_within_the_time_that_is_promised(frequency_hz, noise_db):
    rng = np.random.default_rng(round(frequency_hz))
    over = 10.0 ** (1.0 / 20.0)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    onset_s = 1.0 + rng.uniform(0.0, 0.1)
    x = np.where(time_s < onset_s, 0.3, 0.3 * over) * np.sin(2.0 * np.pi * frequency_hz * time_s)
    onset = int(np.flatnonzero(np.abs(x) > 0.3001)[0])
    x = np.clip(x, -0.3001, 0.3001)
    x += 0.3 * 10.0 ** (noise_db / 20.0) * rng.standard_normal(x.size)
    said = None
    for arrived, update in updates_of(x):
        clipping = update.tones[0].clipping
        if clipping is not None and clipping.state == "hard_clipping":
            assert update.first + update.count > onset
            said = said or arrived
    arrived = (onset // BLOCK + 1) * BLOCK
    limit_s = 2.0 / frequency_hz + 2 * BLOCK / RATE_HZ + 0.05
    assert said is not None
    assert said - arrived <= limit_s * RATE_HZ


@pytest.mark.parametrize("slope", [-9.0, 0.0, 8.0])
def test_clean_tones_never_clip(slope):
    """Also where a period is sampled at a few angles only (44.1 kHz over 49, 40, 37, 35)."""
    rng = np.random.default_rng(13)
    rate_hz = 44_100
    time_s = np.arange(rate_hz) / rate_hz
    for frequency_hz in (900.05, 1102.55, 1191.76, 1259.82, 62.3, 203.0):
        level = 0.15 * 10.0 ** (slope * time_s / 20.0)
        x = level * np.sin(2.0 * np.pi * frequency_hz * time_s)
        x += 1e-5 * rng.standard_normal(x.size)
        found = [update.tones[0].clipping for _, update in updates_of(x, rate_hz)]
        states = [clipping.state for clipping in found if clipping is not None]
        assert len(states) >= 5, frequency_hz
        assert set(states) == {"clean"}, frequency_hz


@pytest.mark.parametrize("rate_hz", [88_200, 96_000, 176_400, 192_000])
def test_high_rates_are_brought_down_without_a_change_of_the_band(rate_hz):
    rng = np.random.default_rng(17)
    time_s = np.arange(rate_hz) / rate_hz
    block = 4096
    for frequency_hz in (20.0, 997.0, 15_000.0, 19_800.0):
        decimator = Decimator(rate_hz, 1)
        x = np.cos(2.0 * np.pi * frequency_hz * time_s + 0.3)
        y = np.concatenate(
            [decimator.push(x[None, i : i + block]) for i in range(0, rate_hz, block)], 1
        )
        taken = (decimator.delay + np.arange(y.size) * decimator.factor) / rate_hz
        wanted = np.cos(2.0 * np.pi * frequency_hz * taken + 0.3)
        assert np.abs(y[0] - wanted).max() < 1e-6
    # The same filters by a general-purpose library.
    x = rng.standard_normal(rate_hz // 4)
    y, rate = x, float(rate_hz)
    decimator = Decimator(rate_hz, 1)
    while rate > decimator.rate_hz:
        taps = halving_filter(rate, min(20_000.0, 0.45 * decimator.rate_hz))
        y, rate = signal.oaconvolve(y, taps, mode="valid")[::2], rate / 2.0
    assert np.abs(decimator.push(x[None])[0] - y).max() < 1e-12


def test_block_sums_give_the_products_at_a_frequency_beside_them():
    rng = np.random.default_rng(19)
    half, blocks = 60, 100
    x = rng.standard_normal((2, blocks * 2 * half))
    kept = KeptBlocks(2, half, blocks)
    for part in np.split(x, 10, axis=1):
        kept.add(part)
    cut = layout(x.shape[1], half)
    w = 2.0 * np.pi * 94.0 / RATE_HZ
    kept.products(cut, basis(cut, w, 40))
    beside = basis(cut, w + 2e-7, 40)
    products, moments = kept.products(cut, beside)
    for signal_, mine, moment in zip(x, products, moments, strict=True):
        theirs, their_moment = project_with_moment(fold(signal_, cut), beside)
        assert np.abs(mine - theirs).max() < 1e-6 * np.abs(theirs).max()
        assert np.abs(moment - their_moment).max() < 1e-3 * np.abs(their_moment).max()
