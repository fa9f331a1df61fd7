"""True peak against closed forms and a general-purpose resampler."""

import math

import numpy as np
import pytest
from scipy import signal

from levelset.signals.true_peak import OVERSAMPLING, true_peak


def faded_sine(amplitude, per_rate, phase_deg, n=9600):
    angle = 2.0 * math.pi * per_rate * np.arange(n) + math.radians(phase_deg)
    ramp = np.minimum(1.0, np.minimum(np.arange(n), n - 1 - np.arange(n)) / 1000.0)
    return amplitude * np.sin(angle) * 0.5 * (1.0 - np.cos(math.pi * ramp))


# Sines whose samples all miss the peak. Closed form of the sample peak and of the true one
# (20 lg 0.5 = -6.02); tolerance +0.2/-0.4 dB as in EBU Tech 3341 (from memory).
@pytest.mark.parametrize(
    ("divisor", "phase_deg", "sample_peak_dbfs"),
    [(4, 45.0, -9.031), (6, 60.0, -7.270), (8, 67.5, -6.708)],
)
def test_peaks_between_samples(divisor, phase_deg, sample_peak_dbfs):
    x = faded_sine(0.5, 1.0 / divisor, phase_deg)
    assert 20.0 * math.log10(np.abs(x).max()) == pytest.approx(sample_peak_dbfs, abs=1e-3)
    assert -6.0206 - 0.4 <= 20.0 * math.log10(true_peak(x)) <= -6.0206 + 0.2


@pytest.mark.parametrize("per_rate", [0.01, 0.1, 0.23, 0.35, 0.45])
def test_under_read_is_within_its_bound(per_rate):
    """A sine f between places n times the rate is under-read by at most 20 lg cos(pi f/(n fs))
    (ITU-R BS.1770-4, Annex 2, appendix 1; from memory); the filter may add 0.05 dB."""
    bound_db = 20.0 * math.log10(math.cos(math.pi * per_rate / OVERSAMPLING))
    for phase in np.linspace(0.0, 180.0, 13):
        off_db = 20.0 * math.log10(true_peak(faded_sine(0.5, per_rate, phase)) / 0.5)
        assert bound_db - 0.05 <= off_db <= 0.05


@pytest.mark.outside
def test_against_a_general_purpose_resampler():
    rng = np.random.default_rng(5)
    for _ in range(5):
        x = signal.lfilter([1.0, 1.0], [1.0], rng.normal(0.0, 0.1, 4800))
        other = np.abs(signal.resample_poly(x, 32, 1, window=("kaiser", 9.0))).max()
        assert 20.0 * math.log10(true_peak(x) / other) == pytest.approx(0.0, abs=0.2)


def test_nothing_and_wrong_shapes():
    assert true_peak(np.zeros(0)) == 0.0
    assert true_peak(np.zeros(100)) == 0.0
    with pytest.raises(ValueError, match="shape"):
        true_peak(np.zeros((10, 2)))
