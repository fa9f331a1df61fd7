"""Tracks: exact values, dither, full scale, and what other programs read of them."""

import math
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from levelset.errors import UsageError
from levelset.plan.set_tone import CLEARANCE_HZ, mains_distance_hz
from levelset.record.audio_files import write_track
from levelset.signals.catalogue import HOLD_S, LOW_S, Tones, catalogue
from levelset.signals.noise import TABLE_FRAMES, TABLE_RATE_HZ, pink_noise
from levelset.signals.random_codes import near_normal, triangular
from levelset.signals.track import FADE_S, LENGTH_S, RATES_HZ, SILENCE_S, codes

TONES = Tones(bass=43.0, midbass=128.0, mid=486.0, upper=997.0, calibrate=94.0)
TRACKS = {track.name: track for track in catalogue(TONES)}
SHORT_S = 6.0


def short(name, bits=16, rate_hz=44100, channels=1, length_s=SHORT_S):
    track = replace(TRACKS[name], length_s=length_s)
    return np.concatenate(list(codes(track, rate_hz, bits, len(track.channels) or channels)))


def test_long_enough_for_a_reading_and_named_by_purpose():
    for name, track in TRACKS.items():
        assert track.length_s == LENGTH_S == 300.0
        assert track.caution
        assert not any(c.isdigit() for c in name)


def test_set_tones_are_clear_of_mains():
    """3 Hz from every multiple of 50 and 60 Hz, the tone and its first five harmonics."""
    tones_hz = [t.frequency_hz for t in TRACKS.values() if t.frequency_hz is not None]
    assert len(tones_hz) >= 5
    assert all(mains_distance_hz(hz) >= CLEARANCE_HZ for hz in tones_hz)


@pytest.mark.parametrize("name", [n for n in TRACKS if n != "silence"])
def test_silence_then_a_fade_and_a_fade_out(name):
    x = short(name)[:, 0] / 2.0**15
    silent = x[: int(SILENCE_S * 44100)]
    assert np.abs(silent).max() <= 2.0**-15
    peak = np.abs(x).max()
    assert np.abs(x[int(2.0 * 44100) : int(2.05 * 44100)]).max() < 0.02 * peak
    assert np.abs(x[-int(0.05 * 44100) :]).max() < 0.02 * peak
    # No step larger than the tone's own; the steepest of these comes later than 1.6 s.
    if name not in ("pink-noise", "which-wire-four", "which-wire-six"):
        steady = x[int(3.2 * 44100) : int(4.8 * 44100)]
        assert np.abs(np.diff(x)).max() <= 1.02 * np.abs(np.diff(steady)).max() + 4.0 * 2.0**-15
    assert x.size == SHORT_S * 44100
    assert FADE_S == 1.0


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("name", ["set-bass", "set-upper", "clean-steps-upper", "calibrate"])
def test_full_scale_is_never_exceeded_dither_included(name, bits):
    """Lowered by two codes: + dither below 1 and rounding by 1/2 end at the largest code."""
    track = TRACKS[name]
    assert track.lowered_codes(bits) == pytest.approx(2.0)
    worst = 2.0 ** (bits - 1) * track.gain(bits) + 1.0
    assert np.rint(np.nextafter(worst, 0.0)) <= 2 ** (bits - 1) - 1
    x = short(name, bits)
    assert x.max() <= 2 ** (bits - 1) - 1
    assert x.min() >= -(2 ** (bits - 1) - 1)
    assert x.max() >= 2 ** (bits - 1) - 4


@pytest.mark.parametrize("bits", [16, 24])
def test_dither_makes_the_error_white_and_free_of_the_signal(bits):
    """Error power of rounding with triangular dither of +-1 code: 1/12 + 1/6 = 1/4 code squared
    (Lipshitz, Wannamaker and Vanderkooy, 1992)."""
    track = replace(TRACKS["set-upper"], length_s=SHORT_S)
    x = short("set-upper", bits)[:, 0]
    exact = track.gain(bits) * 2.0 ** (bits - 1) * track.at(np.arange(x.size) / 44100)
    error = x - exact
    n = error.size
    assert np.mean(error**2) == pytest.approx(0.25, rel=5.0 / math.sqrt(n))
    assert abs(np.mean(error)) < 4.0 * 0.5 / math.sqrt(n)
    for other in (np.sign(exact), exact / np.abs(exact).max(), error[::-1]):
        assert abs(np.mean(error * other)) < 4.0 * 0.5 / math.sqrt(n)
    assert abs(np.mean(error[1:] * error[:-1])) < 4.0 * 0.25 / math.sqrt(n)


def test_channels_and_blocks_have_dither_of_their_own():
    x = short("silence", channels=2)
    assert not np.array_equal(x[:, 0], x[:, 1])
    assert np.array_equal(short("silence")[:, 0], x[:, 0])
    assert np.array_equal(triangular(1, 1000, 50), triangular(1, 0, 1050)[1000:])


def test_random_numbers_have_the_moments_of_their_distribution():
    t = triangular(7, 0, 200_000)
    assert np.mean(t**2) == pytest.approx(1.0 / 6.0, rel=0.01)
    assert -1.0 < t.min() < -0.99
    assert 0.99 < t.max() < 1.0
    z = near_normal(7, 200_000)
    assert np.mean(z**2) == pytest.approx(1.0, rel=0.01)
    # Sum of four uniform numbers: excess kurtosis -1.2/4.
    assert np.mean(z**4) == pytest.approx(3.0 - 0.3, rel=0.02)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_levels_by_the_aes17_definition(rate_hz):
    """AES17: level = 20 lg(sqrt 2 RMS), so a full-scale sine reads 0 dBFS."""
    x = short("check-level", 24, rate_hz)[:, 0] / 2.0**23
    steady = x[int(3.0 * rate_hz) : int(4.0 * rate_hz)]
    assert 20.0 * math.log10(math.sqrt(2.0 * np.mean(steady**2))) == pytest.approx(-20.0, abs=1e-3)


def test_steps_hold_and_fall_back():
    track = TRACKS["clean-steps-upper"]
    for step in (0, 1, 17):
        begin = SILENCE_S + step * (HOLD_S + LOW_S)
        high = track.at(begin + 1.5 + np.arange(4410) / 44100)
        low = track.at(begin + HOLD_S + 0.5 + np.arange(4410) / 44100)
        assert np.abs(high).max() == pytest.approx(track.gain(16) ** 0, abs=1e-3)
        assert np.abs(low).max() == pytest.approx(0.1, abs=1e-3)


def test_pink_noise_has_equal_power_in_every_octave():
    noise = pink_noise("pink-noise", "", -20.0)
    n = TABLE_FRAMES // 2
    x = noise.at(np.arange(n) / (0.5 * TABLE_RATE_HZ))
    power = np.square(np.abs(np.fft.rfft(x))) / n**2 * 2.0
    frequency_hz = np.arange(power.size) * (0.5 * TABLE_RATE_HZ / n)
    octaves = [
        power[(frequency_hz >= low) & (frequency_hz < 2.0 * low)].sum()
        for low in 20.0 * 2.0 ** np.arange(9)
    ]
    levels = 10.0 * np.log10(octaves)
    # B octave bands hold 20 * 21.8 lines or more: 0.3 dB is over 3 standard deviations.
    assert np.ptp(levels[2:]) < 0.3
    assert np.ptp(levels) < 1.5
    assert 20.0 * math.log10(math.sqrt(2.0 * np.mean(x**2))) == pytest.approx(-20.0, abs=0.01)
    assert np.abs(x).max() <= noise.peak_fs
    assert power[frequency_hz > 20_100.0].sum() < 1e-5 * power.sum()
    with pytest.raises(ValueError, match="peaks"):
        pink_noise("loud", "", -3.0)


def test_pink_noise_is_known_between_its_samples():
    """Interpolation against the exact band-limited values by a transform of twice the length."""
    from levelset.signals import noise

    table = noise._table()
    lines = np.fft.rfft(table)
    exact = np.fft.irfft(np.concatenate((lines, np.zeros(lines.size - 1))), 2 * table.size) * 2.0
    at = np.arange(5000, 25000)
    value = pink_noise("n", "", -20.0).at((at + 0.5) / TABLE_RATE_HZ) * 10.0
    error = value - exact[2 * at + 1]
    assert 10.0 * math.log10(np.mean(error**2) / np.mean(exact**2)) < -60.0


@pytest.mark.outside
@pytest.mark.parametrize("name", ["set-bass", "check-level", "calibrate", "pink-noise"])
def test_sox_agrees_on_level_offset_and_true_peak(name, tmp_path, outside_program):
    """sox ``stats``: RMS and peak over a full-scale square, so 3.01 dB below the AES17 level;
    true peak from four times the rate."""
    sox = outside_program("sox")
    track = replace(TRACKS[name], length_s=SHORT_S)
    path = tmp_path / "track.wav"
    write_track(path, codes(track, 44100, 24, 1), 44100, 1, 24)

    def stats(*effects):
        done = subprocess.run(
            [sox, path, "-n", *effects, "stats"], capture_output=True, text=True, check=True
        )
        rows = [line.rsplit(maxsplit=1) for line in done.stderr.splitlines()]
        return {row[0].strip(): float(row[1]) for row in rows if " dB" in row[0] or "DC" in row[0]}

    found = stats("trim", "3", "2")
    exact = track.gain(24) * track.at(3.0 + np.arange(2 * 44100) / 44100)
    level = 10.0 * math.log10(np.mean(exact**2))
    assert found["RMS lev dB"] == pytest.approx(level, abs=0.006)
    assert found["DC offset"] == pytest.approx(exact.mean(), abs=2e-6)
    peak = stats("trim", "3", "2", "rate", "-v", "176400")["Pk lev dB"]
    stated = track.true_peak_dbfs(24)
    if track.frequency_hz is None:  # noise: the stated peak is that of its whole period
        assert stated - 6.0 < peak <= stated + 0.1
    else:
        assert peak == pytest.approx(stated, abs=0.02)


@pytest.mark.outside
@pytest.mark.parametrize("name", ["set-mid", "set-upper", "set-midbass"])
def test_a_general_purpose_library_agrees(name):
    """Level by an FFT with a flat-top window, true peak by a polyphase resampler (scipy)."""
    track = TRACKS[name]
    x = short(name, 24)[int(3.0 * 44100) : int(4.8 * 44100), 0] / 2.0**23
    window = signal.windows.flattop(x.size)
    lines = np.abs(np.fft.rfft(x * window)) * 2.0 / window.sum()
    assert 20.0 * math.log10(lines.max()) == pytest.approx(track.true_peak_dbfs(24), abs=0.002)
    bin_hz = int(lines.argmax()) * 44100 / x.size
    assert bin_hz == pytest.approx(track.frequency_hz, abs=44100 / x.size)
    peak = np.abs(signal.resample_poly(x, 8, 1)[2000:-2000]).max()
    assert 20.0 * math.log10(peak) == pytest.approx(track.true_peak_dbfs(24), abs=0.02)


@pytest.mark.parametrize(("rate_hz", "bits"), [(8000, 16), (44100, 8), (44100, 32), (0, 16)])
def test_other_formats_are_refused(rate_hz, bits):
    with pytest.raises(UsageError):
        list(codes(TRACKS["silence"], rate_hz, bits, 1))


@pytest.mark.parametrize("overlap_db", [-0.1, 15.1, math.nan, math.inf])
def test_overlap_out_of_range(overlap_db):
    with pytest.raises(UsageError):
        catalogue(TONES, overlap_db)


def test_overlap_lowers_the_set_tones_only():
    tracks = {track.name: track for track in catalogue(TONES, 5.0)}
    assert tracks["set-bass"].signal.level_dbfs == pytest.approx(-5.0)
    assert tracks["calibrate"].signal.level_dbfs == pytest.approx(0.0)
