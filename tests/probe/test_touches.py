import math

import numpy as np
import pytest
from probe_chain import frames, spec, tips

from levelset.errors import UsageError
from levelset.plan.job import MeterSpec
from levelset.probe.calibrate import calibrate_from_common_touch
from levelset.probe.known_voltage import KnownVoltage, compare_known_voltage
from levelset.probe.touches import Touch, calibrate_from_touches
from levelset.probe.uncertainty import expanded_uncertainty
from levelset.probe.volts import read_tips
from levelset.quantity import Quantity

METER = MeterSpec(percent=0.8, counts=3, resolution_v=0.01)
SET_UP = {
    "port_name": "input",
    "coupling_hz": (),
    "max_volts": 120.0,
    "design_volts_per_full_scale": 70.0,
    "name": "first",
    "evidence": (1, 2, 3),
}


def touch(volts, shown=None, scales=(70.0, 70.2), seed=1, **kwargs):
    x = tips(volts, volts, scales=scales, seed=seed, **kwargs)
    reading = read_tips(x, frames(len(x)), spec("unknown"), None)
    return Touch(reading, volts if shown is None else shown)


def test_mean_scatter_and_students_t():
    off = (0.001, -0.001, 0.0005, -0.0005)
    touches = [touch(5.0, 5.0 * (1.0 + e), seed=n) for n, e in enumerate(off)]
    series = calibrate_from_touches(touches, METER, **SET_UP)
    assert series.calibration.volts_per_full_scale[0].value == pytest.approx(70.0, rel=3e-5)
    assert series.repeatability_percent == pytest.approx(100.0 * np.std(off, ddof=1), rel=0.03)
    assert series.residual_percent == pytest.approx([100.0 * e for e in off], abs=0.004)
    line = next(c for c in series.calibration.scale_budget if c.name == "repeatability")
    assert line.dof == 3.0
    assert line.standard_uncertainty == pytest.approx(np.std(off, ddof=1) / 2.0, rel=0.03)
    assert series.calibration.match.value == pytest.approx(70.2 / 70.0, rel=1e-5)


def test_the_meter_is_not_averaged_away():
    one = calibrate_from_common_touch(touch(5.0).reading, 5.0, METER, **SET_UP)
    many = calibrate_from_touches([touch(5.0, seed=n) for n in range(9)], METER, **SET_UP)
    assert many.calibration.volts_per_full_scale[0].u == pytest.approx(
        one.volts_per_full_scale[0].u, rel=1e-3
    )


def test_the_scales_uncertainty_is_that_of_its_budget():
    touches = [touch(v, noise_fs=3e-3, seed=n) for n, v in enumerate((2.5, 5.0, 10.0))]
    calibration = calibrate_from_touches(touches, METER, **SET_UP).calibration
    scale = calibration.volts_per_full_scale[0]
    assert scale.u / scale.value == pytest.approx(
        expanded_uncertainty(calibration.scale_budget), rel=1e-9
    )
    noise = next(c for c in calibration.scale_budget if c.name == "noise at calibration")
    levels = [t.reading.legs[0].tone.amplitude_fs for t in touches]
    expected = sum(q.u / q.value for q in levels) / 3 / 1.96
    assert noise.contribution == pytest.approx(expected, rel=1e-3)


def test_levels_that_agree_are_accepted():
    touches = [touch(v, seed=n) for n, v in enumerate((2.0, 5.0, 10.0, 20.0))]
    series = calibrate_from_touches(touches, METER, **SET_UP)
    assert max(abs(r) for r in series.residual_percent) < 0.01


def test_an_input_that_compresses_is_refused():
    # 5 % less at the highest level, as a limiter or automatic gain does.
    touches = [touch(v, seed=n) for n, v in enumerate((5.0, 10.0, 15.0))]
    touches.append(touch(19.0, 20.0))
    with pytest.raises(UsageError, match=r"the scale at 20 V is off by \+3.9"):
        calibrate_from_touches(touches, METER, **SET_UP)


def test_one_touch_is_not_a_series():
    with pytest.raises(UsageError, match="at least twice"):
        calibrate_from_touches([touch(5.0)], METER, **SET_UP)


def test_a_refused_touch_refuses_the_series():
    with pytest.raises(UsageError, match="void"):
        calibrate_from_touches([touch(5.0), touch(0.0, 5.0)], METER, **SET_UP)


def test_a_tone_outside_the_meters_range_is_refused_with_the_reason():
    meter = MeterSpec(0.8, 3, 0.01, frequency_hz=(40.0, 80.0))
    with pytest.raises(UsageError, match=r"94.0 Hz is outside the multimeter's range, 40 to 80 Hz"):
        calibrate_from_common_touch(touch(5.0).reading, 5.0, meter, **SET_UP)
    meter = MeterSpec(0.8, 3, 0.01, frequency_hz=(40.0, 400.0))
    calibrate_from_common_touch(touch(5.0).reading, 5.0, meter, **SET_UP)


@pytest.mark.parametrize("phase", [0.0, math.pi])
def test_waveform_line_bounds_both_kinds_of_meter(phase):
    # Closed forms: mean of the rectified wave and RMS of a sine with 0.9 % of third harmonic.
    t = (np.arange(100_000) + 0.5) / 100_000
    wave = np.sin(2 * np.pi * t) + 0.009 * np.sin(6 * np.pi * t + phase)
    averaging = np.mean(np.abs(wave)) / (2.0 / math.pi) - 1.0
    true = math.sqrt(2.0 * np.mean(wave**2)) - 1.0
    reading = touch(5.0, harmonics=((3, 0.009),)).reading

    def half_width(true_rms):
        meter = MeterSpec(0.8, 3, 0.01, true_rms=true_rms)
        budget = calibrate_from_common_touch(reading, 5.0, meter, **SET_UP).scale_budget
        line = next(c for c in budget if c.name == "waveform at calibration")
        return line.contribution * math.sqrt(3.0)

    assert abs(averaging) == pytest.approx(half_width(False), rel=0.02)
    assert true == pytest.approx(half_width(True), rel=0.02)
    assert half_width(None) == half_width(False)


def known(amplitude, volts=5.0, digit=0.01):
    return KnownVoltage(Quantity(amplitude, 1e-6, "FS"), volts, digit)


def test_end_check_confirms_and_refuses():
    start = known(0.1)
    assert compare_known_voltage(start, known(0.1001)).confirmed
    # Both sides changed alike: the source moved, the scale did not.
    assert compare_known_voltage(start, known(0.12, 6.0)).confirmed
    moved = compare_known_voltage(start, known(0.1008))
    assert not moved.confirmed
    assert moved.change_percent.value == pytest.approx(0.8)
    assert "unconfirmed" in moved.sentence
    # Half a digit of 10 mV at 5 V is 0.1 %, twice: 95 % of the sum of both rectangles.
    triangle = 0.2 * (1.0 - math.sqrt(0.05))
    assert moved.change_percent.u == pytest.approx(triangle, rel=0.03)


@pytest.mark.parametrize(
    ("volts", "digit"), [(0.0, 0.01), (-5.0, 0.01), (math.nan, 0.01), (5.0, -1.0), (5.0, math.inf)]
)
def test_a_check_without_a_voltage_is_refused(volts, digit):
    with pytest.raises(UsageError):
        compare_known_voltage(known(0.1), known(0.1, volts, digit))
