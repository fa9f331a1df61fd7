import math

import mpmath
import numpy as np
import pytest

from levelset.errors import UsageError
from levelset.plan.target import Rating, rated_power_w, rms_over_onset, target

# V = sqrt(P Z), Joule's law; values to four decimals as a pocket calculator gives them.
VOLTS = [
    (1, 8, 2.8284),
    (1, 4, 2.0),
    (1, 2, 1.4142),
    (50, 4, 14.1421),
    (75, 4, 17.3205),
    (100, 4, 20.0),
    (100, 2, 14.1421),
    (300, 2, 24.4949),
    (500, 4, 44.7214),
    (500, 2, 31.6228),
    (500, 1, 22.3607),
    (1000, 4, 63.2456),
    (1000, 2, 44.7214),
    (1000, 1, 31.6228),
    (1500, 1, 38.7298),
]


@pytest.mark.parametrize(("power_w", "load_ohm", "volts"), VOLTS)
def test_volts_are_the_root_of_power_times_load(power_w, load_ohm, volts):
    result = target(power_w, load_ohm, overlap_db=0.0)
    assert result.volts_rms == pytest.approx(volts, abs=5e-5)
    assert result.clean_volts_rms == pytest.approx(volts / 1.023477, rel=1e-5)
    assert result.expected_clip_volts_rms is None
    assert result.limited_by == "target"


def _clipped_by_quadrature(c):
    """THD and RMS of sin(t) clipped at c by numerical integration, no closed form."""
    a = mpmath.asin(c)
    points = [0, a, mpmath.pi / 2]

    def wave(t):
        return min(mpmath.sin(t), c)

    b1 = 4 / mpmath.pi * mpmath.quad(lambda t: wave(t) * mpmath.sin(t), points)
    mean_square = 2 / mpmath.pi * mpmath.quad(lambda t: wave(t) ** 2, points)
    thd = mpmath.sqrt(2 * mean_square / b1**2 - 1)
    return float(thd), float(mpmath.sqrt(2 * mean_square) / c)


def test_one_percent_lies_2_35_percent_above_the_onset():
    # Fourier series of the clipped sine, integrated here by quadrature (mpmath) and searched with
    # its own root finder.
    c = mpmath.findroot(
        lambda c: _clipped_by_quadrature(c)[0] - 0.01, (0.96, 0.98), solver="secant"
    )
    thd, ratio = _clipped_by_quadrature(c)
    assert thd == pytest.approx(0.01, abs=1e-9)
    assert rms_over_onset(0.01) == pytest.approx(ratio, abs=1e-6)
    assert rms_over_onset(0.01) == pytest.approx(1.023477, abs=1e-6)
    # 0.2513 dB of overdrive: the "quarter of a decibel" of the trade.
    assert -20.0 * math.log10(float(c)) == pytest.approx(0.25126, abs=1e-5)


@pytest.mark.parametrize("percent", [0.05, 0.1, 0.5, 1.0, 3.0, 10.0, 20.0, 30.0])
def test_ratio_against_an_fft_of_a_clipped_sine(percent):
    # Outside check: numpy's FFT over whole periods, enough of them for the series to converge.
    ratio = rms_over_onset(percent / 100.0)
    t = (np.arange(2**16) + 0.5) / 2**16
    low, high = 0.3, 1.0
    for _ in range(50):
        c = 0.5 * (low + high)
        wave = np.clip(np.sin(2 * np.pi * t), -c, c)
        b1 = abs(np.fft.rfft(wave)[1]) * 2 / len(t)
        thd = math.sqrt(max(2 * np.mean(wave**2) / b1**2 - 1.0, 0.0))
        low, high = (c, high) if thd > percent / 100.0 else (low, c)
    assert ratio == pytest.approx(math.sqrt(2 * np.mean(wave**2)) / c, rel=2e-6)


@pytest.mark.parametrize("thd", [0.0, -0.01, 0.5, math.nan, math.inf])
def test_ratio_refuses_what_no_clipped_sine_has(thd):
    with pytest.raises(ValueError, match="THD must be"):
        rms_over_onset(thd)


def test_overlap_lowers_the_tone_and_not_the_voltage():
    plain, lower = (target(100.0, 4.0, overlap_db=db) for db in (0.0, 10.0))
    assert plain.tone_dbfs == 0.0
    assert math.copysign(1.0, plain.tone_dbfs) == 1.0
    assert lower.tone_dbfs == -10.0
    assert lower.volts_rms == plain.volts_rms == 20.0


def test_expected_clip_follows_the_supply():
    # 12.6 V against 14.4 V is -1.16 dB: voltage in proportion.
    result = target(150.0, 4.0, supply_v=12.6, rated_supply_v=14.4, overlap_db=0.0)
    assert result.expected_clip_volts_rms == pytest.approx(result.clean_volts_rms * 0.875)
    for known in ({"supply_v": 12.6}, {"rated_supply_v": 14.4}):
        assert target(150.0, 4.0, **known, overlap_db=0.0).expected_clip_volts_rms is None


BAD = [
    ({"power_w": 0.0}, "power of 0 W", "0.1 to 50000 W"),
    ({"power_w": -1.0}, "power of -1 W", "W"),
    ({"power_w": math.inf}, "inf W", "50000 W"),
    ({"power_w": math.nan}, "nan W", "50000 W"),
    ({"power_w": 1e9}, "1e+09 W", "50000 W"),
    ({"power_w": 10**400}, "inf W", "50000 W"),
    ({"power_w": "100"}, "power is not a number", "W"),
    ({"power_w": True}, "power is not a number", "W"),
    ({"power_w": None}, "power is not a number", "W"),
    ({"net_load_ohm": 0.0}, "net load of 0 ohm", "0.1 to 10000 ohm"),
    ({"net_load_ohm": -4.0}, "-4 ohm", "ohm"),
    ({"net_load_ohm": 1e6}, "1e+06 ohm", "10000 ohm"),
    ({"net_load_ohm": math.nan}, "nan ohm", "ohm"),
    ({"supply_v": 0.0}, "supply voltage of 0 V", "5 to 60 V"),
    ({"supply_v": 230.0}, "230 V", "60 V"),
    ({"rated_supply_v": -14.4}, "rated supply voltage of -14.4 V", "60 V"),
    ({"rated_supply_v": math.inf}, "inf V", "60 V"),
    ({"overlap_db": -0.1}, "gain overlap of -0.1 dB", "0 to 15 dB"),
    ({"overlap_db": 15.1}, "15.1 dB", "0 to 15 dB"),
    ({"overlap_db": math.nan}, "nan dB", "0 to 15 dB"),
]


@pytest.mark.parametrize(("change", "what", "limit"), BAD)
def test_a_number_out_of_range_names_value_limit_and_unit(change, what, limit):
    good = {"power_w": 100.0, "net_load_ohm": 4.0, "overlap_db": 0.0}
    with pytest.raises(UsageError) as caught:
        target(**(good | change))
    assert what in caught.value.what
    assert limit in caught.value.todo


LABEL = [Rating(4.0, 150.0), Rating(2.0, 250.0), Rating(1.0, 300.0)]
# Voltages on that label: 24.49 V, 22.36 V, 17.32 V.


def test_a_rated_load_gives_its_own_rating():
    for rating in LABEL:
        assert rated_power_w(LABEL, rating.load_ohm) == rating.power_w
    assert rated_power_w(LABEL, 2.0 + 1e-9) == 250.0


def test_between_two_loads_the_lower_voltage_counts():
    assert rated_power_w(LABEL, 3.0) == pytest.approx(250.0 * 2.0 / 3.0)
    assert rated_power_w(LABEL, 4.0 / 3.0) == pytest.approx(300.0 / (4.0 / 3.0))
    # Where the higher load has the lower voltage, that one counts.
    odd = [Rating(2.0, 400.0), Rating(4.0, 100.0)]
    assert rated_power_w(odd, 3.0) == pytest.approx(400.0 / 3.0)


def test_above_the_highest_load_its_voltage_stays():
    assert rated_power_w(LABEL, 8.0) == pytest.approx(75.0)
    assert rated_power_w([Rating(2.0, 250.0)], 4.0) == pytest.approx(125.0)


def test_below_the_lowest_load_is_refused_with_the_limit():
    with pytest.raises(UsageError, match=r"0\.5 ohm is below the lowest rated load, 1 ohm"):
        rated_power_w(LABEL, 0.5)


@pytest.mark.parametrize(
    "ratings",
    [[], [Rating(4.0, 0.0)], [Rating(-4.0, 100.0)], [Rating(4.0, 100.0), Rating(4.0, 120.0)]],
)
def test_bad_labels_are_refused(ratings):
    with pytest.raises(UsageError):
        rated_power_w(ratings, 4.0)
