import math
from dataclasses import replace

import pytest
from probe_chain import calibration, frames, spec, tips

from levelset.errors import UsageError
from levelset.plan.job import MeterSpec
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
    # The meter dominates: 95 % of a rectangle of 1.4 %, a little more with the drift.
    assert 0.95 * 0.014 < pair.volts_rms.u / 16.0 < 0.98 * 0.014


def test_ground_lead_is_taken_out_of_a_common_touch():
    # 1 kohm in the ground lead, 110 kohm a tip. Solved as a circuit: both tips on V.
    ground, tip, divider = 1000.0, 110_000.0, 70.0
    lift = 5.0 * (2.0 / tip) / (2.0 / tip + 1.0 / ground)  # nodal analysis of the probe's ground
    reading = touch((5.0 - lift, 5.0 - lift), (divider, divider))
    wrong = calibrate(reading).volts_per_full_scale[0].value
    right = calibrate(reading, ground_lead_ratio=ground / tip).volts_per_full_scale[0].value
    assert wrong / divider == pytest.approx(1.01818, abs=1e-4)
    assert right == pytest.approx(divider, rel=3e-5)


@pytest.mark.parametrize("ratio", [-0.01, 0.2, math.nan])
def test_an_absurd_ground_lead_is_refused(ratio):
    with pytest.raises(UsageError, match="ground lead"):
        calibrate(touch(), ground_lead_ratio=ratio)


REFUSED = [
    # reading, meter volts, words
    (lambda: touch((5.0, 0.0)), 5.0, "void"),
    (lambda: touch((0.0, 0.0), noise_fs=0.0), 5.0, "void"),
    (lambda: touch(harmonics=((3, 0.02),)), 5.0, "THD"),
    (lambda: touch((0.25, 0.25)), 0.25, "only good to"),
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
