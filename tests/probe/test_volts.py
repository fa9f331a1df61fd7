import math

import numpy as np
import pytest
from probe_chain import calibration, frames, spec, tips

from levelset.analysis.result import ToneResult
from levelset.probe.reading import reading_as_json
from levelset.probe.volts import read_tips


def read(x, output, cal="bench", **kwargs):
    cal = calibration() if cal == "bench" else cal
    rate = kwargs.pop("rate", 48000)
    live = kwargs.pop("live", False)
    expected = kwargs.pop("expected_hz", 94.0)
    return read_tips(
        x, frames(len(x), rate), spec(output, live=live, expected_hz=expected), cal, **kwargs
    )


def assert_keeps_no_number(reading):
    assert reading.volts_rms is None
    assert reading.volts_rms_total is None
    kept = ToneResult(reading.tone.void, peak_dbfs=reading.tone.peak_dbfs)
    assert reading.tone == kept
    numbers = reading_as_json(reading)
    assert all(numbers[k] is None for k in ("volts_rms", "level_dbfs", "thd_percent", "clipping"))


def holds(quantity, truth):
    return quantity.low <= truth <= quantity.high


def test_bridged_pair_is_the_sum_of_both_legs():
    result = read(tips(5.0, -5.0), "bridged")
    a, b = result.legs
    assert result.pair.tone.void is None
    assert result.output is result.pair
    # Both legs in volts, by V_rms = amplitude * scale / sqrt 2.
    assert a.volts_rms.value == pytest.approx(5.0, rel=2e-5)
    assert b.volts_rms.value == pytest.approx(5.0, rel=2e-5)
    assert result.pair.volts_rms.value == pytest.approx(10.0, rel=2e-5)
    assert result.pair.channel == "pair"
    assert (a.channel, b.channel) == (1, 2)
    assert result.pair.start_s == pytest.approx(0.1)
    assert result.pair.duration_s == pytest.approx(0.25)


def test_unequal_scales_are_taken_out_sample_by_sample():
    # A 6 V RMS common-mode tone on both legs at another frequency must leave nothing in the pair.
    scales = (70.7, 64.0)
    x = tips(5.0, -5.0, scales=scales) + tips(6.0, 6.0, scales=scales, frequency_hz=731.7, seed=2)
    result = read(x, "bridged", calibration(scales))
    assert result.pair.volts_rms.value == pytest.approx(10.0, rel=3e-5)
    assert result.pair.tone.thd_n_percent.value < 0.05


def test_grounded_output_with_a_silent_tip_b():
    for x in (tips(12.0, 0.0), tips(12.0, 0.0, noise_fs=0.0), tips(12.0, 0.012)):
        for output in ("grounded", "line"):
            result = read(x, output)
            assert result.pair.tone.void is None
            assert result.pair.volts_rms.value == pytest.approx(12.0, rel=1.1e-3)


def test_total_volts_include_the_harmonics():
    result = read(tips(10.0, 0.0, harmonics=((3, 0.06), (5, 0.03))), "grounded")
    # Parseval: total = fundamental * sqrt(1 + THD^2).
    assert result.pair.volts_rms.value == pytest.approx(10.0, rel=2e-5)
    assert result.pair.volts_rms_total.value == pytest.approx(
        10.0 * math.sqrt(1.0 + 0.06**2 + 0.03**2), rel=3e-5
    )


@pytest.mark.parametrize("poles", [(2.1,), (8.0,), (2.1, 0.9), (8.0, 8.0)])
@pytest.mark.parametrize("frequency", [20.013, 43.007, 997.02])
def test_coupling_is_undone_relative_to_the_calibration(poles, frequency):
    # The scale holds at 94 Hz as read behind the coupling: scale there = S / |H(94)|.
    true_scale, seconds = 70.0, 0.5
    x = tips(
        5.0,
        -5.0,
        scales=(true_scale, true_scale),
        frequency_hz=frequency,
        coupling_hz=poles,
        seconds=seconds,
        harmonics=((2, 0.004),),
    )
    cal_scale = true_scale * abs(np.prod([1.0 - 1j * p / 94.0 for p in poles]))
    cal = calibration((cal_scale, cal_scale), coupling_hz=poles)
    result = read(x, "bridged", cal, expected_hz=frequency)
    assert result.pair.volts_rms.value == pytest.approx(10.0, rel=5e-5)
    assert result.pair.tone.thd_percent.value == pytest.approx(0.4, rel=5e-3)


def test_without_calibration_full_scale_only():
    x = tips(5.0, -5.0, scales=(70.7, 70.7))
    result = read(x, "bridged", None)
    assert result.pair.volts_rms is None
    assert result.pair.tone.amplitude_fs.value == pytest.approx(
        10.0 * math.sqrt(2.0) / 70.7, rel=2e-5
    )


# Contact failures on a bridged output: never half the voltage, always a void that names the tip.
CONTACT = [
    ((5.0, 0.0), "Tip B has no contact"),
    ((0.0, -5.0), "Tip A has no contact"),
    ((5.0, -0.6), "Tip B has no contact"),
    ((5.0, 5.0), "same leg"),
    ((5.0, -4.2), "legs differ by"),
    ((4.2, -5.0), "press tip A"),
]


@pytest.mark.parametrize(("volts", "words"), CONTACT)
@pytest.mark.parametrize("cal", ["bench", None])
def test_bridged_output_with_a_bad_contact_is_void(volts, words, cal):
    scales = (70.7, 70.9) if cal else (70.7, 70.7)
    result = read(tips(*volts, scales=scales), "bridged", cal)
    assert result.pair.tone.void.code == "output_unknown"
    assert words in result.pair.tone.void.reason
    assert_keeps_no_number(result.pair)


def test_bridged_output_with_a_dead_tip_is_void():
    x = tips(5.0, -5.0)
    for tip, name in ((0, "A"), (1, "B")):
        dead = x.copy()
        dead[:, tip] = 0.0
        result = read(dead, "bridged")
        assert result.pair.tone.void.code == "silent_input"
        assert f"Tip {name}" in result.pair.tone.void.reason
        assert_keeps_no_number(result.pair)


def test_legs_within_ten_percent_are_read():
    result = read(tips(5.0, -4.7), "bridged")
    assert result.pair.tone.void is None
    assert result.pair.volts_rms.value == pytest.approx(9.7, rel=5e-5)


@pytest.mark.parametrize("b_volts", [0.8, 12.0, -12.0, 30.0])
@pytest.mark.parametrize("output", ["grounded", "line"])
def test_tip_b_must_read_next_to_nothing_on_a_grounded_output(b_volts, output):
    result = read(tips(12.0, b_volts), output)
    assert result.pair.tone.void.code == "output_unknown"
    assert "Tip B should be on the ground side" in result.pair.tone.void.reason
    assert_keeps_no_number(result.pair)


def test_swapped_tips_on_a_grounded_output_are_void():
    result = read(tips(0.0, 12.0), "grounded")
    assert result.pair.tone.void is not None
    assert_keeps_no_number(result.pair)


def test_unknown_output_voids_the_pair_and_keeps_the_legs():
    result = read(tips(5.0, -5.0), "unknown")
    assert result.pair.tone.void.code == "output_unknown"
    assert_keeps_no_number(result.pair)
    assert result.legs[0].volts_rms.value == pytest.approx(5.0, rel=2e-5)
    assert result.legs[1].volts_rms.value == pytest.approx(5.0, rel=2e-5)


@pytest.mark.parametrize("output", ["bridged", "unknown"])
def test_one_tip_is_never_taken_for_the_output(output):
    result = read(tips(5.0, -5.0)[:, :1], output, calibration((70.7,)))
    assert result.pair is None
    assert result.output.tone.void.code == "output_unknown"
    assert_keeps_no_number(result.output)


@pytest.mark.parametrize("output", ["grounded", "line"])
def test_one_tip_reads_a_grounded_output(output):
    # A second input channel without a tip is not looked at.
    x = tips(12.0, 3.0)
    result = read(x, output, calibration((70.7,)))
    assert result.pair is None
    assert len(result.legs) == 1
    assert result.output.volts_rms.value == pytest.approx(12.0, rel=2e-5)


def test_probe_limit_voids_leg_and_pair():
    result = read(tips(30.0, -30.0), "bridged", calibration(max_volts=40.0))
    for reading in (*result.legs, result.pair):
        assert reading.tone.void.code == "probe_limit"
        assert_keeps_no_number(reading)
    assert "Tip A" in result.pair.tone.void.reason
    assert read(tips(28.0, -28.0), "bridged", calibration(max_volts=40.0)).pair.tone.void is None


@pytest.mark.parametrize("tip", [0, 1])
@pytest.mark.parametrize("output", ["bridged", "grounded", "unknown"])
def test_overload_of_either_tip_voids_the_pair(tip, output):
    x = tips(5.0, -5.0)
    x[:, tip] = np.clip(x[:, tip] * 12.0, -1.0, 1.0 - 2.0**-23)
    result = read(x, output, calibration(max_volts=1000.0), live=True)
    assert result.legs[tip].tone.void.code == "input_overload"
    assert result.legs[1 - tip].tone.void is None
    assert result.pair.tone.void.code == "input_overload"
    assert f"Tip {'AB'[tip]}:" in result.pair.tone.void.reason
    assert_keeps_no_number(result.pair)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_samples_that_are_not_finite_void_the_pair(value):
    x = tips(5.0, -5.0)
    x[777, 1] = value
    result = read(x, "bridged")
    assert result.legs[0].tone.void is None
    assert result.legs[1].tone.void.code == "not_finite"
    assert result.pair.tone.void.code == "not_finite"
    assert_keeps_no_number(result.pair)


def test_silence_on_both_tips():
    for output in ("bridged", "grounded"):
        result = read(np.zeros((12000, 2)), output)
        assert result.pair.tone.void.code == "silent_input"
        assert_keeps_no_number(result.pair)


def test_noise_alone_is_no_tone():
    for output in ("bridged", "grounded"):
        result = read(tips(0.0, 0.0, noise_fs=1e-4), output)
        assert result.pair.tone.void is not None
        assert_keeps_no_number(result.pair)


def test_another_rate_is_a_changed_setup():
    result = read(tips(5.0, -5.0), "bridged", calibration(rate_hz=44100))
    for reading in (*result.legs, result.pair):
        assert reading.tone.void.code == "setup_changed"
        assert_keeps_no_number(reading)


def test_picture_belongs_to_the_output():
    result = read(tips(5.0, -5.0), "bridged", with_picture=True)
    assert result.pair.tone.picture is not None
    assert all(leg.tone.picture is None for leg in result.legs)


def test_start_frequency_saves_the_search_and_changes_nothing():
    x = tips(5.0, -5.0)
    cold, warm = read(x, "bridged"), read(x, "bridged", start_hz=94.01)
    assert warm.pair.volts_rms.value == pytest.approx(cold.pair.volts_rms.value, rel=1e-7)


def test_uncertainty_holds_the_truth_and_is_the_budgets():
    result = read(tips(5.0, -5.0), "bridged")
    q = result.pair.volts_rms
    assert holds(q, 10.0)
    # Scale 0.5 % and match 0.05 % on half of it, drift within +-0.2 %; nothing else counts at the
    # frequency of the calibration.
    drift = 1.96 * 0.002 / math.sqrt(3.0)
    assert q.u / q.value == pytest.approx(math.hypot(0.005, 0.00025, drift), rel=0.02)


@pytest.mark.parametrize("shape", [(100,), (0, 2), (100, 0)])
def test_samples_that_do_not_fit_are_a_value_error(shape):
    with pytest.raises(ValueError, match="do not fit"):
        read_tips(np.zeros(shape), frames(12000), spec(), calibration())
