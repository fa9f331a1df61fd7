"""Faults of the path are recognised and named; a clean path is not blamed.

The faults are made in `path_faults`, in their own plain way. The whole campaign is
``python -m tests.benchmarks.path_trust``.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from levelset.analysis.path_trust import inspect_tone
from levelset.analysis.path_verdict import (
    TONE_HZ,
    Stretches,
    floor_fs,
    judge_path,
    noise_bits,
    tone_peak,
)
from levelset.analysis.same_codes import effective_bits, find_copies, joined_codes
from tests.analysis import path_faults as faults
from tests.benchmarks import path_trust as campaign

RATE_HZ = 48_000
CASE = faults.Case(RATE_HZ, TONE_HZ, 0.1, 1e-5, 3.0, 24, 5)


def inspect(samples, **words):
    return inspect_tone(samples, RATE_HZ, TONE_HZ, **({"same_clock": True} | words))


@pytest.fixture(scope="module")
def steady():
    return CASE.clean()


@pytest.fixture(scope="module")
def played():
    return faults.programme(CASE)


def judge(wave, stretches, case=CASE, **words):
    samples = faults.heard(case, wave)
    parts = Stretches(*(samples[part] for part in stretches))
    return judge_path(parts, case.rate_hz, TONE_HZ, **({"same_clock": True} | words))


@pytest.mark.parametrize("part", ["windows", "programme"])
def test_faults_are_named_and_clean_ones_are_not_blamed(part):
    trials, clean = {"windows": (4, 10), "programme": (1, 2)}[part]
    rates, alarms = campaign.run(part, trials, clean, seed=3)
    assert alarms == {}
    assert min(rates.values()) >= campaign.ENOUGH, rates


@pytest.mark.parametrize(("at", "frames"), [(70_000, 512), (50_123, 37), (90_000, 1024)])
def test_missing_samples_are_placed_and_counted_up_to_whole_periods(steady, at, frames):
    seen = inspect(np.concatenate((steady[:at], steady[at + frames :])))
    [found] = faults.all_findings(seen)
    assert found.code == "samples_missing"
    [place] = found.places
    period = RATE_HZ / TONE_HZ
    assert place.at == pytest.approx(at, abs=4)
    assert math.remainder(place.frames - frames, period) == pytest.approx(0.0, abs=1.0)
    assert f"{place.at / RATE_HZ:.3f} s" in found.sentence


@pytest.mark.parametrize("frames", [64, 441, 2048])
@pytest.mark.parametrize("in_between", [True, False])
def test_a_doubled_block_is_placed_and_measured_exactly(steady, frames, in_between):
    at = 60_000
    rest = steady[at if in_between else at + frames :]
    seen = inspect(np.concatenate((steady[:at], steady[at - frames : at], rest)))
    [found] = faults.all_findings(seen)
    assert found.code == "block_repeated"
    assert [(p.at, p.frames) for p in found.places] == [(at, frames)]


def test_two_zeroed_blocks_are_both_found(steady):
    x = steady.copy()
    x[40_000:40_256] = 0.0
    x[80_000:81_024] = 0.0
    [found] = faults.all_findings(inspect(x))
    assert found.code == "block_zeroed"
    assert [p.frames for p in found.places] == pytest.approx([256, 1024], abs=1)
    assert [p.at for p in found.places] == pytest.approx([40_000, 80_000], abs=1)


def test_a_value_that_stands_still_is_no_zero(steady):
    x = steady.copy()
    x[40_000:40_512] = x[40_000]
    assert [f.code for f in faults.all_findings(inspect(x))] == ["stands_still"]


@pytest.mark.parametrize(("value", "code"), [(0.0, "all_zero"), (0.25, "stands_still")])
def test_an_input_without_life_is_named(value, code):
    assert [f.code for f in faults.all_findings(inspect(np.full(RATE_HZ, value)))] == [code]


def test_noise_alone_is_no_tone():
    noise = np.random.default_rng(1).normal(size=RATE_HZ) * 0.01
    assert [f.code for f in faults.all_findings(inspect(noise))] == ["no_tone"]


@pytest.mark.parametrize(("ppm", "codes"), [(35.0, ["other_clock"]), (1000.0, ["resampled"])])
def test_another_clock_is_told_from_a_rate_converter(ppm, codes):
    wave = CASE.tone(CASE.times() * (1.0 + 1e-6 * ppm))
    seen = inspect(CASE.codes(wave + CASE.noise(wave.size)))
    assert [f.code for f in faults.all_findings(seen)] == codes
    assert seen.frequency_hz == pytest.approx(TONE_HZ * (1.0 + 1e-6 * ppm), abs=1e-3)
    assert faults.all_findings(inspect(wave, same_clock=False)) == () or ppm > 300.0


def test_a_rate_that_follows_another_clock_wanders():
    time_s = CASE.times()
    swing = 2e-4 * np.sin(2 * np.pi * time_s / 4.0) * 2.0 / np.pi
    assert [
        f.code for f in faults.all_findings(inspect(CASE.codes(CASE.tone(time_s + swing))))
    ] == ["resampled"]


@pytest.mark.parametrize("bits", [8, 16, 20, 24])
def test_bits_are_those_of_the_codes(bits):
    x = replace(CASE, bits=bits).clean()
    assert effective_bits(joined_codes(x)) == bits
    assert effective_bits(joined_codes(np.zeros(10))) == 0


def test_a_tone_whose_codes_repeat_says_nothing_about_copies():
    tone = np.sin(2 * np.pi * 1000.0 * np.arange(RATE_HZ) / RATE_HZ)
    assert find_copies(np.rint(tone * 2**22) / 2**23, RATE_HZ) == ()


def test_noise_of_rounding_leaves_the_bits_that_were_rounded_to():
    # Noise of rounding is step / sqrt 12 (W. R. Bennett, "Spectra of quantized signals", Bell
    # System Technical Journal 27, 1948).
    for bits in (12, 16, 24):
        assert noise_bits(2.0 ** (1 - bits) / math.sqrt(12.0)) == pytest.approx(bits, abs=1e-9)


def test_the_lowest_voltage_is_where_noise_scatters_readings_to_the_percentage():
    """A least-squares fit by a general-purpose library, on tones at the reckoned level."""
    rng = np.random.default_rng(4)
    band_noise, percent, size = 1e-3, 0.2, RATE_HZ // 4
    white = band_noise * math.sqrt(0.5 * RATE_HZ / 20_000.0)
    peak = floor_fs(band_noise, percent)
    angle = 2 * np.pi * TONE_HZ * np.arange(size) / RATE_HZ
    waves = np.stack((np.cos(angle), np.sin(angle)), axis=1)
    x = peak * np.cos(angle)[:, None] + white * rng.normal(size=(size, 400))
    found = np.hypot(*np.linalg.lstsq(waves, x, rcond=None)[0])
    assert 2.0 * found.std() / peak * 100.0 == pytest.approx(percent, rel=0.12)


def test_the_peak_of_a_tone_beside_another():
    t = np.arange(RATE_HZ) / RATE_HZ
    x = 0.3 * np.sin(2 * np.pi * TONE_HZ * t + 0.4) + 0.2 * np.sin(2 * np.pi * 50 * t) + 0.1
    assert tone_peak(x, RATE_HZ, TONE_HZ) == pytest.approx(0.3, rel=1e-6)


def test_a_clean_path_is_said_in_one_line_with_volts(played):
    trust = judge(*played, volts_per_full_scale=(150.0, 150.0))
    assert trust.trusted
    assert trust.findings == ()
    first = trust.channels[0]
    assert first.line.startswith("Input 1 can be trusted for volts to 0.1 %, not below ")
    assert first.line.endswith("mV; DC: by touch")
    # Noise and hum as they were made, in the band: 1e-5 RMS and the hum's three lines.
    noise = faults.heard(CASE, np.zeros((RATE_HZ, 2)))[:, 0].std()
    expected_db = 20 * math.log10(noise * math.sqrt(2.0))
    assert first.noise_dbfs == pytest.approx(expected_db, abs=1.5)
    lowest_v = floor_fs(10 ** (first.noise_dbfs / 20) / math.sqrt(2.0), 0.1) * 150 / math.sqrt(2.0)
    assert first.floor_volts_rms == pytest.approx(lowest_v, rel=1e-9)
    assert abs(first.tracking_db.value) < 0.01
    assert trust.left_only_db < -70.0


def test_a_step_that_is_off_by_little_is_a_limiter(played):
    wave, stretches = played
    wave = wave.copy()
    wave[stretches[1]] *= 10.0 ** (-0.08 / 20.0)
    [found] = judge(wave, stretches).findings
    assert found.code == "limiter"
    assert "9.92 dB" in found.sentence


def test_a_level_that_does_not_return_is_gain_that_was_changed(played):
    wave, stretches = played
    wave = wave.copy()
    wave[stretches[2].start - 20_000 :] *= 10.0 ** (0.1 / 20.0)
    [found] = judge(wave, stretches).findings
    assert found.code == "automatic_gain"
    assert "+0.10 dB" in found.sentence


def test_a_sag_of_a_tenth_of_a_decibel_is_seen(played):
    wave, stretches = played
    wave = wave.copy()
    size = wave[stretches[2]].shape[0]
    wave[stretches[2]] *= 10.0 ** (np.linspace(0.0, -0.15, size)[:, None] / 20.0)
    [found] = judge(wave, stretches).findings
    assert found.code == "noise_gate"
    assert "sags by 0.1" in found.sentence


@pytest.mark.parametrize(
    ("mixed", "code", "grave"),
    [
        (lambda w: w[:, ::-1], "channels_swapped", True),
        (lambda w: np.column_stack((w[:, 0], w[:, 1] + 0.005 * w[:, 0])), "channel_leak", False),
    ],
)
def test_plugs_and_leaks(played, mixed, code, grave):
    wave, stretches = played
    trust = judge(mixed(wave), stretches)
    assert [f.code for f in trust.findings] == [code]
    assert trust.trusted is not grave


def test_an_input_without_a_cable_is_said_to_be_unchecked(played):
    wave, stretches = played
    trust = judge(wave * (1.0, 0.0), stretches)
    assert trust.trusted
    assert trust.left_only_db is None
    assert trust.channels[1].line == "Input 2 was not checked: nothing of the tone came."


def test_a_lost_block_within_the_programme_is_said(played):
    wave, stretches = played
    wave = wave.copy()
    at = stretches[2].start + 100_000
    wave[at:-300] = wave[at + 300 :]
    trust = judge(wave, stretches)
    assert [f.code for f in trust.findings] == ["samples_missing"]
    assert not trust.trusted
    assert "cannot be trusted" in trust.channels[0].line


def test_no_usual_block_is_a_whole_number_of_periods_of_the_tone():
    # Powers of two and their multiples, and whole parts of a second, as drivers and sound servers
    # use them: common practice, no source.
    powers = [m * 2**k for k in range(4, 14) for m in (1, 3) if m * 2**k <= 9600]
    for rate_hz in (44_100, 48_000, 96_000):
        parts = [rate_hz // n for n in (1000, 500, 400, 250, 200, 100, 50, 40, 25, 20, 10)]
        turns = np.array([p for p in (*powers, *parts) if p <= 9600]) * TONE_HZ / rate_hz
        assert 2 * math.pi * np.abs(turns - turns.round()).min() > 0.1
