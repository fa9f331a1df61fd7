"""A reading against closed forms: level, THD, THD+N, crest factor, coupling, uncertainty."""

import math
import re

import numpy as np
import pytest

from levelset.analysis.tone import read_tone
from tests.analysis import closed_forms as forms

RATE_HZ = 48000.0


def read(samples, rate_hz=RATE_HZ, **options):
    result = read_tone(samples, rate_hz, **({"limit_percent": 1.0, "expected_hz": None} | options))
    assert result.void is None, result.void
    return result


def counted(frequency_hz, rate_hz):
    return min(40, int(min(20e3, 0.45 * rate_hz) / frequency_hz))


@pytest.mark.parametrize("rate_hz", [44100.0, 48000.0, 96000.0])
@pytest.mark.parametrize("frequency_hz", [20.07, 50.013, 149.3, 997.3, 3001.7])
def test_thd_of_a_clipped_sine(rate_hz, frequency_hz):
    """Closed form of the clipped cosine; 80 dB signal to noise, on no bin."""
    rng = np.random.default_rng(int(frequency_hz))
    highest = counted(frequency_hz, rate_hz)
    for overdrive_db in (0.05, 0.1, 0.5, 1.0, 3.0, 6.0, 12.0, 20.0):
        count = min(forms.below_nyquist(frequency_hz, rate_hz), 300)
        harmonics = forms.clipped_cosine(count, overdrive_db, overdrive_db)
        n = int(0.25 * rate_hz)
        samples = 0.5 * forms.sampled(harmonics, frequency_hz, rate_hz, n, rng.uniform(0, 6.28))
        samples += forms.white_noise(rng, n, 0.5 * harmonics[1], 80.0)
        result = read(samples, rate_hz, expected_hz=frequency_hz)
        expected = forms.thd_percent(harmonics, highest)
        error = abs(result.thd_percent.value - expected)
        assert error < max(2e-3 * expected, 5e-4), (overdrive_db, expected)
        assert error < 1.5 * result.thd_percent.u
        assert result.thd_harmonics == highest
        assert abs(result.amplitude_fs.value - 0.5 * harmonics[1]) < 2 * result.amplitude_fs.u
        h3 = 100 * abs(harmonics[3] / harmonics[1])
        assert result.harmonics_percent[1] == pytest.approx(h3, abs=2e-3)


@pytest.mark.parametrize(
    ("series", "whole_percent"),
    [
        (forms.square, 100 * math.sqrt(math.pi**2 / 8 - 1)),
        (forms.triangle, 100 * math.sqrt(math.pi**4 / 96 - 1)),
    ],
)
def test_thd_of_square_and_triangle(series, whole_percent):
    """Blagouchine and Moreau 2011: THD of the whole series; here of its first 40 harmonics."""
    harmonics = series(470)
    assert forms.thd_percent(series(200000), 200000) == pytest.approx(whole_percent, rel=1e-5)
    result = read(0.5 * forms.sampled(harmonics, 50.013, RATE_HZ, 12000))
    expected = forms.thd_percent(harmonics, 40)
    assert result.thd_percent.value == pytest.approx(expected, rel=1e-4)
    total = 0.5 * math.sqrt(float(np.square(harmonics[:121]).sum()))
    assert result.total_amplitude_fs.value == pytest.approx(total, rel=2e-3)


def test_thd_of_chebyshev_polynomials():
    """T_n(cos t) = cos nt: 3 % of T2 and 4 % of T3 make 5 %."""
    x = np.cos(2 * math.pi * 997.0 / RATE_HZ * np.arange(12000))
    samples = 0.5 * (x + 0.03 * (2 * x**2 - 1) + 0.04 * (4 * x**3 - 3 * x))
    result = read(samples)
    assert result.thd_percent.value == pytest.approx(5.0, rel=1e-6)
    assert result.harmonics_percent[:2] == pytest.approx((3.0, 4.0), rel=1e-6)
    assert result.offset_fs.value == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("drive", "percent"), [(0.5, 100 / 45), (0.8, 400 / 63), (1.0, 100 / 9)])
def test_thd_of_the_cubic_limiter(drive, percent):
    """x - x^3/3 at amplitude A: H1 = A - A^3/4 and H3 = A^3/12 only (elementary)."""
    x = drive * np.cos(2 * math.pi * 412.7 / RATE_HZ * np.arange(12000))
    assert read(0.5 * (x - x**3 / 3)).thd_percent.value == pytest.approx(percent, rel=1e-6)


def test_a_full_scale_sine_reads_0_dbfs():
    """AES17 defines dBFS so that a full-scale sine reads 0 dBFS; 16-bit codes, not synchronous."""
    for frequency_hz in (20.0, 50.013, 997.0, 19997.0):
        sine = forms.sampled([0.0, 1.0], frequency_hz, RATE_HZ, 12000)
        codes = np.clip(np.round(sine * 32767.0), -32768, 32767) / 32767.0
        result = read(codes)
        assert result.level_dbfs.value == pytest.approx(0.0, abs=2e-5)
        assert result.amplitude_fs.value == pytest.approx(1.0, abs=2e-6)


def test_thd_plus_noise_is_total_less_fundamental():
    """By construction: noise 60 dB down in the band and 1 % of H2, as powers."""
    rng = np.random.default_rng(4)
    n = 48000
    samples = 0.5 * forms.sampled([0.0, 1.0, 0.01], 997.3, RATE_HZ, n)
    noise = np.fft.rfft(rng.normal(size=n))
    lines_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    noise[(lines_hz < 20) | (lines_hz > 20000)] = 0.0
    inside = np.fft.irfft(noise, n)
    inside *= 0.5 / math.sqrt(2) * 1e-2 / math.sqrt(np.mean(inside**2))
    outside = 0.05 * forms.sampled([0.0, 1.0], 22500.0, RATE_HZ, n)
    result = read(samples + inside + outside)
    assert result.band_hz == (20.0, 20000.0)
    expected = 100 * math.sqrt(1e-4 + 1e-4)
    assert abs(20 * math.log10(result.thd_n_percent.value / expected)) < 0.05
    assert abs(result.thd_percent.value - 1.0) < result.thd_percent.u


def test_phase_crest_peak_and_total():
    samples = 0.25 + 0.5 * forms.sampled([0.0, 1.0], 440.0, RATE_HZ, 12000, 1.1)
    result = read(samples)
    assert result.phase_rad == pytest.approx(1.1, abs=1e-9)
    assert result.crest_factor == pytest.approx(math.sqrt(2), rel=1e-3)
    assert result.peak_dbfs == pytest.approx(20 * math.log10(0.75), abs=0.01)
    assert result.offset_fs.value == pytest.approx(0.25, abs=1e-9)
    assert result.total_amplitude_fs.value == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("poles_hz", [(5.0,), (5.0, 2.0), (8.0,)])
@pytest.mark.parametrize("overdrive_db", [0.05, 1.0])
def test_the_coupling_is_undone(poles_hz, overdrive_db):
    rng = np.random.default_rng(6)
    harmonics = forms.clipped_cosine(400, overdrive_db, overdrive_db)
    samples = 0.5 * forms.sampled(
        forms.coupled(harmonics, 40.07, poles_hz), 40.07, RATE_HZ, 12000, 0.4
    )
    samples += forms.white_noise(rng, 12000, 0.5, 80.0)
    expected = forms.thd_percent(harmonics, 40)
    result = read(samples, response=forms.coupling(poles_hz))
    assert abs(result.thd_percent.value - expected) < max(2e-3 * expected, 5e-4)
    assert abs(result.amplitude_fs.value - 0.5 * harmonics[1]) < 2 * result.amplitude_fs.u
    assert result.phase_rad == pytest.approx(0.4, abs=1e-4)
    limit = 0.5 * 10 ** (-overdrive_db / 20)
    assert result.clipping.state == "hard_clipping"
    assert result.clipping.upper_fs.value == pytest.approx(limit, rel=5e-4)
    if overdrive_db == 1.0:
        plain = read(samples)
        assert abs(plain.thd_percent.value - expected) > 3e-3 * expected


COVERAGE = [
    (50.013, 12000, 0.2, 70.0),
    (50.013, 2880, 1.0, 30.0),
    (997.3, 4800, 0.0, 40.0),
    (41.3, 12000, 0.01, 50.0),
]


@pytest.mark.parametrize(("frequency_hz", "n", "overdrive_db", "snr_db"), COVERAGE)
def test_the_stated_uncertainty_contains_the_truth(frequency_hz, n, overdrive_db, snr_db):
    """95 % intervals: 93 % to 99 % in the long run; 300 trials scatter by 1.3 %."""
    rng = np.random.default_rng(12)
    count = forms.below_nyquist(frequency_hz, RATE_HZ)
    harmonics = forms.clipped_cosine(min(count, 200), overdrive_db, overdrive_db)
    clean = 0.5 * forms.sampled(harmonics, frequency_hz, RATE_HZ, n)
    truth = {
        "frequency_hz": frequency_hz,
        "amplitude_fs": 0.5 * harmonics[1],
        "level_dbfs": 20 * math.log10(0.5 * harmonics[1]),
        "offset_fs": 0.0,
        "thd_percent": forms.thd_percent(harmonics, counted(frequency_hz, RATE_HZ)),
    }
    hits = dict.fromkeys(truth, 0)
    trials = 300
    for _ in range(trials):
        noise = forms.white_noise(rng, n, 0.5 * harmonics[1], snr_db)
        result = read(clean + noise, start_hz=frequency_hz)
        for name, value in truth.items():
            quantity = getattr(result, name)
            hits[name] += abs(quantity.value - value) <= quantity.u
    for name, number in hits.items():
        # THD beside the noise is bounded by zero: its interval may contain the truth more often.
        most = 1.0 if name == "thd_percent" else 0.99
        assert 0.915 <= number / trials <= most, (name, number / trials)


def test_uncertainty_is_honest_in_coloured_noise():
    """Noise that rises towards low frequencies: what counts is its density beside the tone."""
    rng = np.random.default_rng(13)
    n, hits = 12000, 0
    shape = 1.0 / np.sqrt(np.maximum(np.fft.rfftfreq(n, 1 / RATE_HZ), 2.0))
    clean = 0.5 * forms.sampled([0.0, 1.0], 71.3, RATE_HZ, n)
    for _ in range(200):
        noise = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) * shape, n) * 0.02
        result = read(clean + noise)
        hits += abs(result.amplitude_fs.value - 0.5) <= result.amplitude_fs.u
    assert 0.90 <= hits / 200 <= 1.0


def test_the_picture_shows_the_flat_top():
    harmonics = forms.clipped_cosine(400, 3.0, 0.0)
    samples = 0.5 * forms.sampled(harmonics, 50.013, RATE_HZ, 12000)
    picture = read(samples, with_picture=True).picture
    top = 0.5 * 10 ** (-3.0 / 20)
    assert picture.period_measured.max() == pytest.approx(top, abs=2e-3)
    assert picture.period_measured.min() == pytest.approx(-0.5, abs=2e-3)
    assert picture.period_sine[0] == pytest.approx(picture.period_sine.mean(), abs=1e-3)
    assert picture.period_sine[1] > picture.period_sine[0]
    assert np.all(np.diff(picture.transfer_in) > 0)
    assert picture.transfer_in[-1] == pytest.approx(0.5 * harmonics[1], rel=1e-4)
    flat = picture.transfer_out[picture.transfer_in > 0.9 * picture.transfer_in[-1]]
    assert flat == pytest.approx(np.full(flat.size, top), abs=3e-3)
    assert read(samples).picture is None


@pytest.mark.parametrize(
    "options", [{"limit_percent": 0.0}, {"expected_hz": -5.0}, {"start_hz": math.nan}]
)
def test_wrong_arguments_are_refused(options):
    with pytest.raises(ValueError, match="above 0"):
        read_tone(
            np.zeros(4800), RATE_HZ, **({"limit_percent": 1.0, "expected_hz": None} | options)
        )
    with pytest.raises(ValueError, match="shape"):
        read_tone(np.zeros((4800, 2)), RATE_HZ, limit_percent=1.0, expected_hz=None)


@pytest.mark.parametrize("frames", [2400, 4800, 12000])
def test_an_input_with_noise_alone_has_no_strongest_line(frames):
    rng = np.random.default_rng(3)
    options = {"limit_percent": 1.0, "expected_hz": 997.0}
    for _ in range(100):
        void = read_tone(1e-4 * rng.normal(size=frames), RATE_HZ, **options).void
        assert void.code == "no_tone"
        assert void.reason.startswith("Nothing but noise is heard: play the 997.0 Hz tone")
    hum = 1e-4 * np.sin(2.0 * math.pi * 300.0 * np.arange(frames) / RATE_HZ)
    for noise in (0.0, 1e-4):
        void = read_tone(hum + noise * rng.normal(size=frames), RATE_HZ, **options).void
        found_hz = re.search(r"strongest line is at ([\d.]+) Hz", void.reason).group(1)
        assert float(found_hz) == pytest.approx(300.0, abs=1.0)
