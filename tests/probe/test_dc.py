"""DC volts by touch: both tips, uncertainty, refusals, and low tones corrected afterwards."""

from __future__ import annotations

import subprocess

import numpy as np
import pytest

from levelset.errors import UsageError
from levelset.probe.calibration import Calibration
from levelset.probe.coupling import Coupling
from levelset.probe.dc import dc_scale, read_touch
from levelset.probe.reading import Frames
from levelset.probe.touch_reading import StepSpec
from levelset.quantity import Quantity
from tests.benchmarks.dc_touches import one_or_two, row
from tests.probe.dc_touch import RATE, SCALE_V, one_touch

MISMATCH = 0.003
READ = StepSpec(1.0, False, ())
BATTERY = StepSpec(2.0, True, (2.0,))


def base(dc=None):
    scales = (Quantity(SCALE_V, 1.5, "V"), Quantity(SCALE_V / (1 + MISMATCH), 1.5, "V"))
    return Calibration("bench", "test", RATE, 94.0, scales, None, (2.0,), 120.0, 5.0, (), dc=dc)


def two_tips(rng, a_v, b_v, *, poles=((5.0, 1.0), (5.0, 1.0)), **touch):
    """Both tips within 40 ms; tip B passes more than tip A."""
    return np.column_stack(
        [
            one_touch(rng, a_v, poles_hz=poles[0], **touch),
            one_touch(rng, b_v * (1 + MISMATCH), poles_hz=poles[1], late_s=0.02, **touch),
        ]
    )


def read(x, spec, cal):
    return read_touch(x, Frames(0, 0, len(x), RATE), spec, cal)


@pytest.fixture(scope="module")
def battery():
    x = two_tips(np.random.default_rng(1), 12.5, 12.5, after_s=2.3)
    return read(x, BATTERY, base())


@pytest.fixture(scope="module")
def calibrated(battery):
    return base(dc_scale(battery, 12.5, 0.0825, base(), 3))


def test_rejection_is_the_mismatch(calibrated):
    stated = calibrated.dc.rejection_db
    assert stated.value == pytest.approx(-20.0 * np.log10(MISMATCH), abs=1.0)
    assert abs(stated.value + 20.0 * np.log10(MISMATCH)) <= stated.u


def test_twenty_millivolts_across_on_six_volts(calibrated):
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(10):
        reading = read(two_tips(rng, 6.01, 5.99), READ, calibrated)
        assert reading.void is None
        pair = reading.pair.volts
        assert abs(pair.value - 0.02) < 0.004
        inside += abs(pair.value - 0.02) <= pair.u
        for leg, true in zip(reading.legs, (6.01, 5.99), strict=True):
            assert abs(leg.volts.value - true) <= leg.volts.u
            assert leg.volts.u < 0.007 * 6.0 + 0.005
    assert inside >= 9


def test_poles_that_differ_between_the_tips():
    rng = np.random.default_rng(3)
    poles = ((2.1, 0.9), (2.163, 0.927))
    touched = read(two_tips(rng, 12.5, 12.5, poles=poles, after_s=2.3), BATTERY, base())
    cal = base(dc_scale(touched, 12.5, 0.08, base(), 1))
    reading = read(two_tips(rng, 6.01, 5.99, poles=poles), READ, cal)
    assert abs(reading.pair.volts.value - 0.02) < 0.004


def test_twenty_hertz_is_right_after_the_battery(calibrated):
    """Closed form |H| = product of 1 / sqrt(1 + (f_i / f)**2), any circuit theory text."""
    at, reference = (
        np.prod([1.0 / np.sqrt(1.0 + (p / f) ** 2) for p in (5.0, 1.0)]) for f in (20.0, 94.0)
    )
    uncorrected = at / reference
    assert uncorrected < 0.975
    corrected = uncorrected / abs(calibrated.response(20.0))
    assert corrected == pytest.approx(1.0, abs=1e-3)
    stated = calibrated.dc.section_uncertainty(calibrated.coupling.section_sensitivity(20.0))
    assert abs(corrected - 1.0) < 4.0 * stated + 2e-5


def test_section_and_poles_are_one_coupling():
    poles = (5.0, 1.0)
    section = tuple(np.poly([-2 * np.pi * p for p in poles])[1:])
    at = np.array([3.0, 20.0, 94.0])
    one, other = Coupling(poles, 94.0), Coupling((), 94.0, section)
    np.testing.assert_allclose(one.response(at), other.response(at), rtol=1e-12)
    for n, got in enumerate(other.section_sensitivity(20.0)):
        d = 1e-5 * section[n]
        up, down = (
            Coupling((), 94.0, tuple(c + s * d * (i == n) for i, c in enumerate(section)))
            for s in (1, -1)
        )
        want = np.log(abs(up.response(20.0)) / abs(down.response(20.0))) / (2 * d)
        assert got == pytest.approx(want, rel=1e-5)


def test_quiet_then_building_then_done(calibrated):
    x = two_tips(np.random.default_rng(4), 6.0, 5.98)
    states = [read(x[: round(s * RATE)], READ, calibrated) for s in (0.4, 1.1, 1.5, 1.9, 2.4)]
    assert [r.state for r in states] == ["not_quiet", "quiet", "building", "building", "done"]
    assert states[3].legs[0].volts.value == pytest.approx(6.0, rel=5e-3)
    assert states[0].legs == ()


def test_zero_volts_is_stated_with_what_could_go_unseen(calibrated):
    x = two_tips(np.random.default_rng(5), 0.0, 0.0, hum_v=0.0)
    assert read(x, READ, calibrated).state == "quiet"
    touched = read(x, StepSpec(1.0, False, (), touched=True), calibrated)
    assert touched.state == "done"
    assert not touched.pair.seen
    for one in (*touched.legs, touched.pair):
        assert abs(one.volts.value) <= one.volts.u < 0.01


def music(rng, frames, rms_v, low_hz=35.0):
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    hz = np.fft.rfftfreq(frames, 1.0 / RATE)
    spectrum[hz < low_hz] = 0.0
    spectrum[hz >= low_hz] /= np.sqrt(hz[hz >= low_hz])
    x = np.fft.irfft(spectrum, frames)
    x *= 1.0 + np.sin(2 * np.pi * 2.0 * np.arange(frames) / RATE)
    return rms_v * x / np.sqrt(np.mean(x * x))


@pytest.mark.parametrize(("low_hz", "rms_v"), [(35.0, 1.0), (20.0, 1.0), (35.0, 0.1)])
def test_music_is_refused(calibrated, low_hz, rms_v):
    rng = np.random.default_rng(6)
    for _ in range(5):
        extra = music(rng, round(2.5 * RATE), rms_v, low_hz)
        reading = read(two_tips(rng, 6.0, 5.98, extra=extra), READ, calibrated)
        assert reading.void is not None
        assert reading.pair.volts is None
        assert all(leg.volts is None for leg in reading.legs if leg.void is not None)


@pytest.mark.parametrize("lost_s", [0.3, 0.5, 0.8])
def test_lost_contact_is_refused(calibrated, lost_s):
    rng = np.random.default_rng(7)
    for _ in range(4):
        reading = read(two_tips(rng, 6.0, 5.98, lost_s=lost_s), READ, calibrated)
        assert reading.void is not None
        assert reading.void.code in ("contact_not_held", "touch_again")


@pytest.mark.parametrize("tone", [(1.0, 31.7), (10.0, 41.0), (2.0, 997.0)])
def test_steady_tone_is_taken_out(calibrated, tone):
    reading = read(two_tips(np.random.default_rng(8), 6.0, 5.98, tone=tone), READ, calibrated)
    assert reading.void is None
    assert abs(reading.legs[0].volts.value - 6.0) <= reading.legs[0].volts.u


def test_beyond_the_probe_is_refused(calibrated):
    import dataclasses

    low = dataclasses.replace(calibrated, max_volts=5.0)
    reading = read(two_tips(np.random.default_rng(9), 6.0, 5.98), READ, low)
    assert reading.void.code == "probe_limit"


def test_overload_is_refused(calibrated):
    x = two_tips(np.random.default_rng(10), 6.0, 5.98)
    x[90_000:90_100, 0] = 0.99
    assert read(x, READ, calibrated).void.code == "input_overload"


@pytest.mark.parametrize(("volts", "words"), [(11.0, "times what it reads"), (-12.5, "voltage")])
def test_battery_must_fit_the_tone(battery, volts, words):
    with pytest.raises(UsageError, match=words):
        dc_scale(battery, volts, 0.08, base(), 3)


def test_touches_over_the_promised_ranges():
    """A part of the campaign behind docs/dc.md."""
    found = row("part", 2, 50, one_or_two)
    assert found.battery_refused <= 1
    assert found.refused <= 1
    assert np.mean(found.promised) == 1.0
    assert np.mean(found.inside) >= 0.9
    assert np.max(np.abs(found.small_mv)) < 5.0
    assert np.max(np.abs(found.large_percent)) < 0.2


NETLIST = """\
tip on a battery through divider and coupling capacitor
Vb bat 0 {volts}
S1 bat tip ctl 0 sw
Vc ctl 0 PULSE(0 1 {at} 1u 1u 10 20)
.model sw SW(Vt=0.5 Ron=0.01 Roff=1e9)
R1 tip mid 99k
R2 mid 0 1k
C1 mid in {farad}
R3 in 0 {ohm}
.tran 20u {stop} 0 20u
.control
set numdgt=12
run
linearize v(in)
wrdata {out} v(in)
quit
.endc
.end
"""


@pytest.mark.outside
def test_input_network_by_ngspice(outside_program, tmp_path):
    """Divider, coupling capacitor and input resistor of a circuit simulator, touched twice."""
    ohm = 100e3
    farad = 1.0 / (2.0 * np.pi * 2.2 * (ohm + 990.0))
    codes = []
    for volts in (12.0, 0.4):
        out = tmp_path / f"touch{volts}.txt"
        netlist = tmp_path / "touch.cir"
        netlist.write_text(
            NETLIST.format(volts=volts, at=1.0, farad=farad, ohm=ohm, stop=3.3, out=out)
        )
        subprocess.run(
            [outside_program("ngspice"), "-b", str(netlist)],
            capture_output=True,
            timeout=60,
            check=True,
        )
        t, v = np.loadtxt(out, unpack=True)
        grid = np.arange(round(3.2 * RATE)) / RATE
        x = np.interp(grid, t, v) / 1.5
        x += 1e-5 * np.random.default_rng(11).standard_normal(len(x))
        codes.append(np.rint(x * 2.0**23)[:, None] / 2.0**23)
    scale = (Quantity(SCALE_V * 1.01, 1.5, "V"),)
    cal = Calibration("bench", "test", RATE, 94.0, scale, None, (2.0,), 120.0, 5.0, ())
    touched = read(codes[0], BATTERY, cal)
    dc = dc_scale(touched, 12.0, 0.06, cal, 1)
    assert len(dc.section) == 1
    assert dc.section[0] / (2 * np.pi) == pytest.approx(2.2, rel=1e-3)
    cal = Calibration("bench", "test", RATE, 94.0, scale, None, (), 120.0, 5.0, (), dc=dc)
    leg = read(codes[1], READ, cal).legs[0]
    assert leg.volts.value == pytest.approx(0.4, abs=1e-3)
