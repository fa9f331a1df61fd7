"""Kind of clipping: what must be found, what must not, and how far it goes."""

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from levelset.analysis.clipped_sine import explain
from levelset.analysis.tone import read_tone
from tests.analysis import closed_forms as forms
from tests.benchmarks import false_alarms

RATE_HZ = 48000.0
N = 12000


def clipping_of(samples, frequency_hz, rate_hz=RATE_HZ, poles_hz=None, limit_percent=1.0):
    response = None if poles_hz is None else forms.coupling(poles_hz)
    result = read_tone(
        samples, rate_hz, limit_percent=limit_percent, expected_hz=frequency_hz, response=response
    )
    assert result.void is None, result.void
    return result.clipping


def clipped(rng, frequency_hz, upper_db, lower_db, snr_db, pole_hz=None, rate_hz=RATE_HZ):
    count = min(forms.below_nyquist(frequency_hz, rate_hz), 500)
    harmonics = forms.clipped_cosine(count, upper_db, lower_db)
    if pole_hz is not None:
        harmonics = forms.coupled(harmonics, frequency_hz, [pole_hz])
    n = int(0.25 * rate_hz)
    samples = 0.5 * forms.sampled(harmonics, frequency_hz, rate_hz, n, rng.uniform(0, 6.28))
    return samples + forms.white_noise(rng, n, 0.5, snr_db)


@pytest.mark.parametrize("pole_error", [-0.2, 0.0, 0.2])
@pytest.mark.parametrize(
    ("frequency_hz", "overdrive_db"),
    [(25.3, 0.05), (41.7, 0.05), (80.3, 0.05), (152.1, 0.05), (199.0, 0.05), (320.7, 0.1)]
    + [(740.1, 0.1), (997.0, 0.1), (1303.7, 0.5), (1999.3, 0.5), (3301.1, 2.0), (4999.7, 2.0)],
)
def test_hard_clipping_is_found_from_60_db(frequency_hz, overdrive_db, pole_error):
    rng = np.random.default_rng(int(frequency_hz * 10))
    pole_hz = min(5.0, frequency_hz / 8)
    for _ in range(4):
        samples = clipped(rng, frequency_hz, overdrive_db, overdrive_db, 60.0, pole_hz)
        found = clipping_of(samples, frequency_hz, poles_hz=[pole_hz * (1 + pole_error)])
        assert found.state == "hard_clipping"
        assert found.halves == "both"


@pytest.mark.parametrize("ripple_hz", [100.0, 120.0])
@pytest.mark.parametrize(
    ("frequency_hz", "overdrive_db"), [(41.7, 0.05), (120.3, 0.05), (501.3, 0.1), (801.7, 0.1)]
)
def test_a_rail_with_ripple_is_found(frequency_hz, overdrive_db, ripple_hz):
    """The rail moves by 2 %, so only some peaks run flat."""
    rng = np.random.default_rng(7)
    time_s = np.arange(N + 48000) / RATE_HZ
    rail = 10 ** (-overdrive_db / 20) * (1 + 0.02 * np.cos(2 * math.pi * ripple_hz * time_s))
    sine = np.cos(2 * math.pi * frequency_hz * time_s + 1.0)
    pole = math.exp(-2 * math.pi * 5.0 / RATE_HZ)
    output = np.clip(sine, -rail, rail)
    samples = 0.5 * lfilter([(1 + pole) / 2, -(1 + pole) / 2], [1.0, -pole], output)[-N:]
    samples += forms.white_noise(rng, N, 0.5, 60.0)
    assert clipping_of(samples, frequency_hz, poles_hz=[5.0]).state == "hard_clipping"


@pytest.mark.parametrize("frequency_hz", [41.7, 120.3, 997.3, 3001.7])
@pytest.mark.parametrize(
    ("upper_db", "lower_db", "halves"), [(1.0, 0.0, "upper"), (0.0, 1.0, "lower"), (3, 1, "both")]
)
def test_which_half_and_at_what_level(frequency_hz, upper_db, lower_db, halves):
    rng = np.random.default_rng(9)
    found = clipping_of(clipped(rng, frequency_hz, upper_db, lower_db, 75.0), frequency_hz)
    assert (found.state, found.halves) == ("hard_clipping", halves)
    assert found.overdrive_db.value == pytest.approx(max(upper_db, lower_db), abs=0.02)
    for quantity, sign, db in ((found.upper_fs, 1, upper_db), (found.lower_fs, -1, lower_db)):
        assert (quantity is None) == (db == 0.0)
        if quantity is not None:
            assert quantity.value == pytest.approx(sign * 0.5 * 10 ** (-db / 20), rel=2e-3)


@pytest.mark.parametrize("frequency_hz", [50.013, 997.3, 3001.7])
@pytest.mark.parametrize("overdrive_db", [0.5, 2.0, 6.0, 12.0])
def test_overdrive(frequency_hz, overdrive_db):
    rng = np.random.default_rng(3)
    found = clipping_of(clipped(rng, frequency_hz, overdrive_db, overdrive_db, 80.0), frequency_hz)
    assert found.overdrive_db.value == pytest.approx(overdrive_db, rel=5e-3, abs=2e-3)
    assert abs(found.overdrive_db.value - overdrive_db) < 2 * found.overdrive_db.u
    limit = 0.5 * 10 ** (-overdrive_db / 20)
    assert abs(found.upper_fs.value - limit) < max(2 * found.upper_fs.u, 2e-3 * limit)


@pytest.mark.parametrize("upper_db", [0.1, 1.0, 6.0, 20.0])
@pytest.mark.parametrize("lower_db", [None, 0.5, 3.0])
def test_the_sine_behind_the_flat_top(upper_db, lower_db):
    """Closed form both ways, whatever has become of the mean."""
    harmonics = forms.clipped_cosine(2, upper_db, lower_db or 0.0)
    upper = 10 ** (-upper_db / 20)
    lower = None if lower_db is None else 10 ** (-lower_db / 20)
    sine = explain(
        harmonics[1],
        upper - harmonics[0],
        None if lower is None else lower + harmonics[0],
    )
    assert sine.amplitude == pytest.approx(1.0, rel=1e-6)
    assert sine.upper == pytest.approx(upper, rel=1e-6)
    if lower is not None:
        assert sine.lower == pytest.approx(lower, rel=1e-6)


SHAPES = {
    "tanh": (lambda x: np.tanh(0.6 * x), "soft_clipping", "both"),
    "cubic": (lambda x: x - 0.1 * x**3, "soft_clipping", "both"),
    "upper half": (lambda x: np.where(x > 0, np.tanh(0.9 * x) / 0.9, x), "soft_clipping", "upper"),
    "crossover": (
        lambda x: np.sign(x) * np.maximum(np.abs(x) - 0.03, 0.0),
        "distorted",
        "none",
    ),
    "square law": (lambda x: x + 0.05 * x**2, "distorted", "none"),
    "sine": (lambda x: x, "clean", "none"),
}


@pytest.mark.parametrize("frequency_hz", [41.7, 997.3])
@pytest.mark.parametrize("name", SHAPES)
def test_kinds_of_distortion_without_a_flat_top(name, frequency_hz):
    curve, state, halves = SHAPES[name]
    rng = np.random.default_rng(5)
    count = min(forms.below_nyquist(frequency_hz, RATE_HZ), 300)
    harmonics = forms.harmonics_of(curve, count)
    samples = 0.5 * forms.sampled(harmonics, frequency_hz, RATE_HZ, N)
    samples += forms.white_noise(rng, N, 0.5, 70.0)
    found = clipping_of(samples, frequency_hz)
    assert (found.state, found.halves) == (state, halves)
    assert found.overdrive_db is None
    assert found.upper_fs is None
    # Below the limit none of them is more than clean.
    assert clipping_of(samples, frequency_hz, limit_percent=10.0).state == "clean"


def test_a_flat_top_is_told_even_below_the_limit():
    samples = clipped(np.random.default_rng(1), 50.013, 0.1, 0.1, 80.0)
    result = read_tone(samples, RATE_HZ, limit_percent=1.0, expected_hz=None)
    assert result.thd_percent.high < 1.0
    assert result.clipping.state == "hard_clipping"


def test_no_false_alarm_in_a_reduced_campaign():
    """The whole campaign: ``python -m tests.benchmarks.false_alarms --count 10000``."""
    alarms, voids, states = false_alarms.run(600, seed=20)
    assert alarms == []
    assert voids == []
    assert sum(states.values()) == 600
    assert {kind for kind, _ in states} == set(false_alarms.KINDS)
