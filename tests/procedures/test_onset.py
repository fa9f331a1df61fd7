"""The onset of clipping from the readings of a moving knob."""

from __future__ import annotations

import math

import numpy as np
import pytest

from levelset.analysis.clipped_sine import ClippedSine, explain
from levelset.analysis.result import Clipping, ToneResult
from levelset.analysis.tone import read_tone
from levelset.probe.reading import Reading
from levelset.procedures.onset import OnsetSearch, exceeds_edge
from levelset.quantity import Quantity


def reading(volts, *, thd=0.05, flat_v=None, halves="both", edge=1.0):
    """One full scale is 100 V peak; ``edge`` scales the harmonics of the hard clipped sine."""
    peak_v = volts * math.sqrt(2.0)
    upper = flat_v if halves in ("both", "upper") else None
    lower = flat_v if halves in ("both", "lower") else None
    state = "soft_clipping" if thd > 1.0 else "clean"
    overdrive, harmonics = None, ()
    if flat_v:
        sine = explain(peak_v, upper, lower)
        state = "hard_clipping"
        overdrive = Quantity(sine.overdrive_db, 0.01, "dB")
        harmonics = tuple(edge * sine.harmonic_percent(n) for n in range(2, 41))
        thd = math.hypot(*harmonics)
    tone = ToneResult(
        void=None,
        amplitude_fs=Quantity(peak_v / 100.0, 1e-5, "FS"),
        level_dbfs=Quantity(-10.0, 0.001, "dB"),
        thd_percent=Quantity(thd, 0.01, "%"),
        harmonics_percent=harmonics,
        clipping=Clipping(
            state,
            halves if flat_v else "none",
            overdrive,
            None if not upper else Quantity(upper / 100.0, 1e-4, "FS"),
            None if not lower else Quantity(-lower / 100.0, 1e-4, "FS"),
        ),
    )
    volts_q = Quantity(volts, 0.01 * volts, "V")
    return Reading("pair", 0.0, 0.25, tone, volts_q, volts_q)


@pytest.mark.parametrize(
    ("upper_db", "lower_db", "number", "percent"),
    [
        (1.0, 1.0, 3, 3.68417),
        (1.0, 1.0, 5, 2.47180),
        (6.0, 6.0, 3, 22.5839),
        (0.1, None, 2, 0.0729316),
        (3.0, None, 5, 1.17485),
        (3.0, 1.0, 2, 6.18733),
        (3.0, 1.0, 3, 7.94343),
    ],
)
def test_harmonics_of_a_clipped_sine(upper_db, lower_db, number, percent):
    """Fourier series of a clipped sine, evaluated to 20 digits beforehand."""
    limits = [None if db is None else 10.0 ** (-db / 20.0) for db in (upper_db, lower_db)]
    assert ClippedSine(1.0, *limits).harmonic_percent(number) == pytest.approx(percent, rel=2e-5)


def test_a_flat_top_tells_its_own_voltage():
    search = OnsetSearch(1.0)
    for volts in (20.5, 20.6):
        search.add(reading(volts, flat_v=28.0))
        assert search.undecided
        assert search.onset is None
    search.add(reading(20.6, flat_v=28.0))
    assert search.onset is not None
    assert search.onset.volts_rms.value == pytest.approx(28.0 / math.sqrt(2.0))
    assert not search.undecided


def test_one_half_is_enough():
    search = OnsetSearch(1.0)
    for _ in range(3):
        search.add(reading(20.5, flat_v=28.0, halves="upper"))
    assert search.onset is not None
    assert search.onset.volts_rms.value == pytest.approx(28.0 / math.sqrt(2.0))


def test_a_soft_knee_driven_hard_tells_no_onset():
    search = OnsetSearch(1.0)
    for _ in range(4):
        search.add(reading(20.5, flat_v=28.0, edge=0.6))
    assert search.onset is None
    assert search.undecided
    assert search.wanted_v_rms is not None


def test_a_knock_decides_nothing():
    search = OnsetSearch(1.0)
    search.add(reading(20.5, flat_v=28.0))
    search.add(reading(20.5, flat_v=28.0))
    search.add(reading(20.5))
    assert search.onset is None
    assert not search.undecided


def test_a_soft_limit_is_narrowed_down():
    """THD of this made-up amplifier crosses 1 % at 20 V."""
    search = OnsetSearch(1.0)
    for _ in range(2):
        search.add(reading(18.0, thd=0.2))
    volts = 22.0
    for _ in range(60):
        if search.onset is not None:
            break
        search.add(reading(volts, thd=(volts / 20.0) ** 12))
        volts = search.wanted_v_rms or volts
    assert search.onset is not None
    assert search.onset.kind == "limit"
    assert search.onset.volts_rms.value == pytest.approx(20.0, rel=0.01)


def test_an_onset_above_a_level_over_the_limit_is_taken_back():
    search = OnsetSearch(1.0)
    for _ in range(2):
        search.add(reading(17.0, thd=0.3))
    for _ in range(3):
        search.add(reading(23.0, flat_v=28.28))
    assert search.onset is not None
    assert search.onset.kind == "flat"
    for _ in range(3):
        search.add(reading(19.0, thd=1.4))
    assert search.onset is None
    assert search.undecided
    assert search.wanted_v_rms == pytest.approx(math.sqrt(17.0 * 19.0))


def heard(peak, hz=997.0, noise=6e-3, third=0.0):
    """Return a reading of a sine cut at 1, in a tenth of full scale, with noise of its own."""
    rng = np.random.default_rng(round(1e6 * peak))
    phase = 2.0 * math.pi * hz * np.arange(12000) / 48000.0
    sine = peak * (np.sin(phase) + third * np.sin(3.0 * phase))
    samples = 0.1 * (np.clip(sine, -1.0, 1.0) + noise * rng.normal(size=phase.size))
    tone = read_tone(samples, 48000.0, limit_percent=1.0, expected_hz=hz)
    return Reading("pair", 0.0, 0.25, tone, Quantity(1.0, 0.03, "V"), None)


@pytest.mark.parametrize("hz", [43.0, 997.0])
def test_flat_tops_that_noise_hides_are_told_by_the_level_of_plain_ones(hz):
    """Truth is the peak of the sine before it is cut: 0.06 dB over, and 0.01 dB under."""
    clipped = heard(1.2, hz)
    assert clipped.tone.clipping.state == "hard_clipping"
    for over_db, found in ((0.06, True), (-0.01, False), (-1.5, False)):
        one = heard(10.0 ** (over_db / 20.0), hz)
        assert one.tone.clipping.state == "clean"
        assert exceeds_edge(one, clipped) is found
        # One that is clean itself shows no edge.
        assert not exceeds_edge(clipped, one)


def test_harmonics_of_its_own_make_no_sine_exceed_the_edge():
    """0.5 % of the third, which lowers both peaks: the fundamental is above the edge, no top is."""
    one = heard(1.004, third=0.005)
    assert one.tone.amplitude_fs.low > 0.1002
    assert not exceeds_edge(one, heard(1.2))
