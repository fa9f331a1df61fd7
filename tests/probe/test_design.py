import dataclasses
import math

import pytest
from probe_designs import design, random_requirements

from levelset.errors import UsageError
from levelset.probe.mistakes import consequences
from levelset.probe.preferred import E12, E24, preferred


def test_series_by_iec_60063():
    # IEC 60063: E24 are 10**(k/24) to two digits, but for the historical 2.7 to 4.7 and 8.2
    # (from memory); E12 is every second one.
    assert len(E24) == 24
    assert len(E12) == 12
    historical = {2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 8.2}
    for k, value in enumerate(E24):
        if value not in historical:
            assert value == round(10.0 ** (k / 24.0), 1)
        assert value == pytest.approx(10.0 ** (k / 24.0), rel=0.06)
    assert preferred(E24, 820.0, 1100.0) == (820.0, 910.0, 1000.0, 1100.0)


def in_series(value, decade):
    mantissa = value / 10.0 ** math.floor(math.log10(value) + 1e-9)
    return any(math.isclose(mantissa, preferred_value, rel_tol=1e-9) for preferred_value in decade)


@pytest.mark.parametrize(
    "need", list(random_requirements(25)), ids=[f"requirement-{n}" for n in range(25)]
)
def test_every_design_keeps_the_limits(need):
    result = design(**need)
    for part in (result.low, result.high):
        assert in_series(part.r1_each_ohm, E24)
        assert in_series(part.r2_ohm, E24)
        assert part.c_pf is None or in_series(part.c_pf, E12)
        assert part.r1_ohm >= 100e3
        assert part.r2_ohm <= 10e3
        assert part.high_corner_hz.low >= 60e3
        assert part.high_corner_hz.high <= 100e3
        assert part.loss_20k_db < 0.5
        assert part.stated_v_peak >= need["max_volts"]
        assert part.r1_each_v_peak <= need["resistor_v"]
        assert part.r1_each_w <= 0.5 * need["resistor_w"] * (1.0 + 1e-9)
        assert part.r2_w <= part.r1_each_w * part.r1_count
        assert part.volts_per_full_scale == pytest.approx(part.ratio * need["full_scale_v_peak"])
    assert result.high.readable_v_peak >= need["max_volts"]
    # Every current through a tip stays below what 100 kohm lets pass.
    for mistake in consequences(result, 14.4, 0.5):
        if mistake.part == "tip":
            assert mistake.current_a <= max(need["max_volts"], 14.4) / 100e3


def test_bench_design_is_what_a_person_would_build():
    result = design()
    assert result.low.ratio == pytest.approx(11.0, rel=0.1)
    assert result.high.ratio == pytest.approx(100.0, rel=0.05)
    assert result.low.r1_count == result.high.r1_count == 1
    assert result.ground_lead_ohm == 1000.0
    assert result.hazardous


def test_noise_floor_of_a_hundred_to_one():
    # Closed form: 1.5 V peak at -100 dBFS (AES17) is 10.6 uV RMS, times 100 is 1.06 mV at the tip.
    part = design(tips="one").high
    assert part.noise_v_rms == pytest.approx(1.5 / math.sqrt(2) * 1e-5 * part.ratio, rel=0.03)
    # Two channels add as squares.
    assert design().high.noise_v_rms / part.noise_v_rms == pytest.approx(math.sqrt(2.0), rel=0.05)


def test_low_input_impedance_is_counted():
    # Handbook case (voltage divider, loaded): 10 kohm across 10 kohm halves R2.
    part = design(input_impedance_ohm=1e4).high
    loaded = part.r2_ohm * 1e4 / (part.r2_ohm + 1e4)
    assert part.ratio == pytest.approx((part.r1_ohm + loaded) / loaded, rel=1e-12)


def test_high_voltage_takes_resistors_in_series():
    result = design(max_volts=390.0, resistor_v=200.0)
    assert result.high.r1_count >= 2
    assert result.high.r1_each_v_peak <= 200.0


def test_what_cannot_be_met_is_said():
    assert any("not about 10:1" in r for r in design(cable_pf=1000.0).remarks)
    assert any("not needed" in r for r in design(max_volts=20.0, full_scale_v_peak=5.0).remarks)
    assert any("hazardous" in r for r in design().remarks)
    quiet = design(max_volts=40.0, cable_pf=100.0)
    assert not quiet.remarks
    assert not quiet.hazardous


BAD = [
    ("tips", "three"),
    ("max_volts", 0.0),
    ("max_volts", -20.0),
    ("max_volts", 1e4),
    ("max_volts", math.nan),
    ("max_volts", "120"),
    ("full_scale_v_peak", 0.0),
    ("full_scale_v_peak", math.inf),
    ("input_impedance_ohm", 50.0),
    ("input_impedance_ohm", True),
    ("cable_pf", -1.0),
    ("cable_pf", 1e6),
    ("coupling_hz", -1.0),
    ("noise_dbfs", 0.0),
    ("resistor_v", 0.0),
    ("resistor_w", 0.0),
]


@pytest.mark.parametrize(("field", "value"), BAD)
def test_bad_requirements_are_one_usage_error(field, value):
    with pytest.raises(UsageError) as caught:
        design(**{field: value})
    assert caught.value.todo


def test_an_impossible_probe_is_refused():
    with pytest.raises(UsageError, match="no probe of the high range"):
        design(max_volts=400.0, full_scale_v_peak=0.05, cable_pf=3000.0)


def test_mistakes_cover_every_place_and_name_what_is_right():
    result = consequences(design(), 14.4, 0.5)
    places = {(m.part, m.place) for m in result}
    assert {("tip", p) for p in ("battery", "leg", "chassis")} <= places
    assert {("ground clip", p) for p in ("battery", "leg", "chassis", "nothing")} <= places
    assert {(m.part, m.place) for m in result if m.right} == {
        ("tip", "leg"),
        ("ground clip", "chassis"),
    }
    clip = next(m for m in result if m.place == "battery" and m.interface_on_chassis)
    # Ohm's law: 14.4 V over 1 kohm.
    assert clip.current_a == pytest.approx(0.0144)
    assert clip.ground_lead_w == pytest.approx(0.20736)
    assert "which it bears" in clip.consequence
    leg = next(m for m in result if m.place == "leg" and m.interface_on_chassis)
    assert "may burn" in leg.consequence  # 120 V peak is 7.2 W in 1 kohm
    for mistake in result:
        assert mistake.consequence.endswith(".")


@pytest.mark.parametrize(("battery", "watts"), [(0.0, 0.5), (math.nan, 0.5), (14.4, 0.0)])
def test_bad_battery_or_resistor_is_refused(battery, watts):
    with pytest.raises(UsageError):
        consequences(design(), battery, watts)


def test_designs_are_plain_data():
    text = dataclasses.asdict(design())
    assert text["low"]["r2_ohm"] <= 10e3
