import math
from dataclasses import replace

import numpy as np
import pytest
from probe_chain import calibration, frames, spec, tips

from levelset.errors import UsageError
from levelset.plan.job import MeterSpec
from levelset.probe.budget import comparison_uncertainty, voltage_budget
from levelset.probe.calibrate import calibrate_from_common_touch, meter_tolerance_v
from levelset.probe.volts import read_tips

METER = MeterSpec(percent=0.8, counts=3, resolution_v=0.01)
DESIGN = 70.0


def touch(volts=(5.0, 5.0), scales=(70.7, 70.9), output="unknown", **kwargs):
    x = tips(*volts, scales=scales, **kwargs)
    return read_tips(x, frames(len(x)), spec(output), None)


def calibrate(reading, meter_volts=5.0, **changes):
    fields = {
        "port_name": "input 1/2",
        "coupling_hz": (2.1,),
        "max_volts": 120.0,
        "design_volts_per_full_scale": DESIGN,
        "name": "first",
        "evidence": (3, 4),
    }
    return calibrate_from_common_touch(reading, meter_volts, METER, **(fields | changes))


def test_scale_is_meter_peak_over_amplitude():
    result = calibrate(touch())
    a, b = result.volts_per_full_scale
    assert a.value == pytest.approx(70.7, rel=2e-5)
    assert b.value == pytest.approx(70.9, rel=2e-5)
    # 0.8 % of 5 V + 3 * 10 mV = 70 mV = 1.4 %: a rectangle, 95 % of its half width.
    assert meter_tolerance_v(METER, 5.0) == pytest.approx(0.07)
    assert a.u / a.value == pytest.approx(0.95 * 0.014, rel=0.01)
    assert result.frequency_hz == pytest.approx(94.0013, abs=1e-3)
    assert result.rate_hz == 48000
    assert result.evidence == (3, 4)
    assert [c.name for c in result.scale_budget][0] == "multimeter"


def test_match_does_not_contain_the_meter():
    good, bad = calibrate(touch(), 5.0), calibrate(touch(), 5.06)
    assert good.match.value == pytest.approx(70.9 / 70.7, rel=2e-5)
    assert bad.match == good.match
    assert good.match.u < 1e-4


def test_one_tip():
    x = tips(5.0, 0.0)[:, :1]
    reading = read_tips(x, frames(len(x)), spec("line"), None)
    result = calibrate(reading)
    assert len(result.volts_per_full_scale) == 1
    assert result.match is None


def test_round_trip_reads_what_the_meter_read():
    cal = calibrate(touch(), 5.0, coupling_hz=())
    x = tips(8.0, -8.0, seed=5)
    pair = read_tips(x, frames(len(x)), spec("bridged"), cal).pair
    assert pair.volts_rms.value == pytest.approx(16.0, rel=5e-5)
    # The meter dominates: 95 % of a rectangle of 1.4 %.
    assert pair.volts_rms.u / 16.0 == pytest.approx(0.95 * 0.014, rel=0.02)


def test_comparison_of_two_readings_leaves_the_meter_out():
    cal = calibrate(touch())
    tone = touch().legs[0].tone
    budget = voltage_budget(cal, amplitude_fs=tone.amplitude_fs, frequency_hz=94.0, share_of_b=0.0)
    expected = math.sqrt(2.0) * tone.amplitude_fs.u / tone.amplitude_fs.value
    assert comparison_uncertainty(budget) == pytest.approx(expected, rel=1e-9)
    assert comparison_uncertainty(budget) < 1e-3


REFUSED = [
    # reading, meter volts, words
    (lambda: touch((5.0, 0.0)), 5.0, "void"),
    (lambda: touch((0.0, 0.0), noise_fs=0.0), 5.0, "void"),
    (lambda: touch(harmonics=((3, 0.02),)), 5.0, "THD"),
    (lambda: touch((0.5, 0.5)), 0.5, "only good to"),
    (lambda: touch(), 4.0, "times the design"),
    (lambda: touch(), 5.7, "times the design"),
    (lambda: touch(), 10.0, "the meter reads the pair and the tips one leg"),
    (lambda: touch(), 2.5, "the meter reads one leg"),
    (lambda: touch((5.0, 4.6)), 5.0, "tip B reads 8 % less"),
    (lambda: touch((4.6, 5.0)), 5.0, "tip A reads 8 % less"),
    (lambda: touch((5.0, -5.0)), 5.0, "opposite voltages"),
    (lambda: touch(), 0.0, "multimeter reads 0 V"),
    (lambda: touch(), -5.0, "multimeter reads -5 V"),
    (lambda: touch(), math.nan, "multimeter reads nan V"),
    (lambda: touch(), math.inf, "multimeter reads inf V"),
]


@pytest.mark.parametrize(("reading", "volts", "words"), REFUSED)
def test_a_comparison_that_would_not_be_honest_is_refused(reading, volts, words):
    with pytest.raises(UsageError) as caught:
        calibrate(reading(), volts)
    assert words in str(caught.value)
    assert caught.value.todo


def test_a_reading_with_a_scale_is_refused():
    x = tips(5.0, 5.0)
    reading = read_tips(x, frames(len(x)), spec("unknown"), calibration())
    with pytest.raises(UsageError, match="scale already"):
        calibrate(reading)


@pytest.mark.parametrize("design", [0.0, -70.0, math.inf, math.nan])
def test_bad_design_is_refused(design):
    with pytest.raises(UsageError, match="design scale"):
        calibrate(touch(), design_volts_per_full_scale=design)


@pytest.mark.parametrize("field", ["percent", "counts", "resolution_v"])
def test_bad_meter_specification_is_refused(field):
    meter = replace(METER, **{field: -1.0})
    with pytest.raises(UsageError, match="specification"):
        calibrate_from_common_touch(
            touch(),
            5.0,
            meter,
            port_name="p",
            coupling_hz=(),
            max_volts=120.0,
            design_volts_per_full_scale=DESIGN,
            name="n",
            evidence=(),
        )


def test_95_percent_of_intervals_hold_the_truth_meter_included():
    # Whole chain: random scales, meter error uniform within its limits, readings at 94 Hz.
    rng = np.random.default_rng(5)
    inside = 0
    runs = 300
    for run in range(runs):
        scale = DESIGN * rng.uniform(0.95, 1.05)
        scales = (scale, scale * rng.uniform(0.99, 1.01))
        volts = rng.uniform(3.0, 20.0)
        meter = volts + meter_tolerance_v(METER, volts) * rng.uniform(-1.0, 1.0)
        cal = calibrate(
            touch((volts, volts), scales, noise_fs=1e-4, seed=run), meter, coupling_hz=()
        )
        truth = rng.uniform(2.0, 25.0)
        x = tips(truth, -truth, scales=scales, noise_fs=3e-4, seed=run + 10_000)
        q = read_tips(x, frames(len(x)), spec("bridged"), cal).pair.volts_rms
        inside += q.low <= 2.0 * truth <= q.high
    # Binomial scatter of 300 trials at 95 %: +-2.5 % (95 %).
    assert 0.925 <= inside / runs <= 0.99
