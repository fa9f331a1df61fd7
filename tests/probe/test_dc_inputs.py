"""Touches on inputs that make it hard: coarse codes, 1/f noise, a ground lead, drifted tips."""

from __future__ import annotations

import dataclasses
import subprocess

import numpy as np
import pytest

from levelset.analysis.step.rounding import coarse_code, roughened
from levelset.probe.calibration import Calibration
from levelset.probe.dc import dc_scale, read_touch
from levelset.probe.reading import Frames, ToneSpec
from levelset.probe.swapped import pair_touch, swapped_disagree, swapped_offset
from levelset.probe.touch_reading import StepSpec
from levelset.probe.volts import read_tips
from levelset.quantity import Quantity
from tests.benchmarks.dc_touches import calibration, one_or_two, row
from tests.probe.dc_touch import RATE, SCALE_V, high_pass, one_touch

READ = StepSpec(1.0, False, ())
BATTERY = StepSpec(2.0, True, (2.0,))
COARSE = {"bits": 16, "noise_dbfs": -120.0, "hum_v": 1e-4, "poles_hz": (4.0,)}


def read(x, spec, cal):
    x = x if x.ndim == 2 else x[:, None]
    return read_touch(x, Frames(0, 0, len(x), RATE), spec, cal)


def calibrated(*, rng, battery_v=12.5, **touch):
    touched = read(one_touch(rng, battery_v, after_s=2.3, **touch), BATTERY, calibration())
    return calibration(dc_scale(touched, battery_v, 0.06, calibration(), 1))


@pytest.fixture(scope="module")
def coarse():
    return calibrated(rng=np.random.default_rng(1), **COARSE)


def test_codes_that_no_noise_moves_are_known_by_their_size():
    rng = np.random.default_rng(2)
    quiet = np.rint(0.3 + 0.1 * rng.standard_normal((4800, 1))) / 2.0**15
    quiet[100:200] += 2.0**-15
    fine = np.rint(3.0 * rng.standard_normal((4800, 1))) / 2.0**15
    np.testing.assert_array_equal(coarse_code(np.hstack([quiet, fine])), [2.0**-15, 0.0])
    assert not coarse_code(np.full((4800, 2), 0.25)).any()
    rows = np.zeros((500, 1))
    assert roughened(rows, np.zeros(1)) is rows
    np.testing.assert_array_equal(
        roughened(rows, np.array([2.0**-15])), roughened(rows, np.array([2.0**-15]))
    )


@pytest.mark.parametrize("volts", [0.05, -0.6, 9.0])
def test_coarse_codes_that_stand_still_before_a_touch_are_read(coarse, volts):
    rng = np.random.default_rng(3)
    reading = read(one_touch(rng, volts, **COARSE), READ, coarse)
    assert reading.void is None
    leg = reading.legs[0].volts
    assert abs(leg.value - volts) <= leg.u
    # Half a code of 16 bits is 2.3 mV at the tip.
    assert 0.0005 < leg.u < 0.007 * abs(volts) + 0.006


def test_an_input_that_freezes_is_never_read(coarse):
    rng = np.random.default_rng(4)
    # Behind 4 Hz a touch of 6 V is below a code after 0.28 s, and standing still is right then.
    for frozen_s in (0.05, 0.1, 0.15):
        x = one_touch(rng, 6.0, bounce_s=0.01, **COARSE)
        at = round((1.2 + frozen_s) * RATE)
        x[at:] = x[at]
        reading = read(x, READ, coarse)
        assert reading.legs[0].volts is None, frozen_s
        assert reading.void.code in ("contact_not_held", "touch_again")


@pytest.mark.parametrize("level", [0.0, 0.25])
def test_an_input_that_never_moves_is_void(coarse, level):
    dead = np.full(round(2.5 * RATE), level)
    reading = read(dead, dataclasses.replace(READ, touched=True), coarse)
    assert reading.void.code == "silent_input"


def test_fine_codes_that_stand_still_are_void_as_ever():
    cal = calibrated(rng=np.random.default_rng(5))
    x = one_touch(np.random.default_rng(5), 6.0)
    x[-RATE // 5 :] = x[-1]
    assert read(x, READ, cal).void.code == "silent_input"


def test_noise_that_grows_below_300_hz_widens_what_is_stated():
    slow = row("slow", 2, 60, one_or_two, noise=-85.0, slow_hz=300.0)
    assert len(slow.inside) >= 4
    assert np.mean(slow.inside) >= 0.8


def test_twenty_hertz_through_the_coupling_that_a_touch_identified():
    """A tone through scipy's filters, poles of 5 and 1 Hz: 3.1 % low at 20 Hz without them.

    |H| = product of 1 / sqrt(1 + (f_i / f)**2): first-order RC high-pass, any circuit textbook.
    """
    rng = np.random.default_rng(9)
    poles = (5.0, 1.0)
    touched = read(
        one_touch(rng, 12.5, poles_hz=poles, after_s=2.3, noise_dbfs=-95.0), BATTERY, calibration()
    )
    dc = dc_scale(touched, 12.5, 0.06, calibration(), 1)
    t = np.arange(4 * RATE) / RATE
    tone = high_pass(0.1 * np.sin(2.0 * np.pi * 20.0 * t), poles)[2 * RATE :]
    spec = ToneSpec(20.0, 2.0, 1.0, "line", live=False)
    found = []
    for part in (None, dc):
        cal = dataclasses.replace(calibration(), frequency_hz=400.0, coupling_hz=(), dc=part)
        reading = read_tips(tone[:, None], Frames(0, 0, len(tone), RATE), spec, cal)
        found.append(reading.output.volts_rms.value / (0.1 * SCALE_V / np.sqrt(2.0)))
    assert found[0] < 0.97
    assert found[1] == pytest.approx(1.0, abs=1e-3)


# Ground lead: two tips of 99k + 1k, 920 ohm in the lead, all currents by a circuit simulator.
LEAD_OHM, TIP_OHM = 920.0, 100e3
NETWORK = """\
two tips and the resistor of the ground lead
Va ta 0 {a}
Vb tb 0 {b}
R1a ta ia 99k
R2a ia g 1k
R1b tb ib 99k
R2b ib g 1k
Rg g 0 {lead}
.op
.control
set numdgt=12
run
print v(ia)-v(g) v(ib)-v(g)
quit
.endc
.end
"""


def inputs_v(ngspice, folder, a, b):
    netlist = folder / "tips.cir"
    netlist.write_text(NETWORK.format(a=a, b=b, lead=LEAD_OHM))
    done = subprocess.run(
        [ngspice, "-b", str(netlist)], capture_output=True, text=True, timeout=60, check=True
    )
    rows = [line for line in done.stdout.splitlines() if line.startswith("v(i")]
    return [float(line.split("=")[1]) for line in rows]


@pytest.mark.outside
@pytest.mark.parametrize(("a", "b"), [(0.4, -0.3), (6.4, 5.9)])
def test_the_ground_lead_by_ngspice(outside_program, tmp_path, a, b):
    ngspice = outside_program("ngspice")
    rng = np.random.default_rng(7)

    def touch_of(volts, after_s):
        # The chain of these touches divides by 100; the simulator has done that already.
        parts = [
            one_touch(rng, 100.0 * v, hum_v=1e-4, noise_dbfs=-110.0, after_s=after_s) for v in volts
        ]
        return np.column_stack(parts)

    ratio = LEAD_OHM / TIP_OHM
    scales = (Quantity(SCALE_V, 1.5, "V"),) * 2
    known = Calibration(
        "bench", "test", RATE, 94.0, scales, None, (), 120.0, 5.0, (), ground_lead_ratio=ratio
    )
    touched = read(touch_of(inputs_v(ngspice, tmp_path, 12.5, 12.5), 2.3), BATTERY, known)
    cal = dataclasses.replace(known, dc=dc_scale(touched, 12.5, 0.0, known, 1))
    x = touch_of(inputs_v(ngspice, tmp_path, a, b), 1.3)
    reading = read(x, READ, cal)
    for one, truth in zip((*reading.legs, reading.pair), (a, b, a - b), strict=True):
        assert one.volts.value == pytest.approx(truth, rel=2e-4, abs=5e-4)
        assert abs(one.volts.value - truth) <= one.volts.u
    # Without the lead's part a leg reads r (V_A - V_B) too much, the pair 1 + 2 r times itself.
    blind = dataclasses.replace(cal, ground_lead_ratio=0.0)
    legs = read(x, READ, blind).legs
    assert legs[0].volts.value - a == pytest.approx(ratio * (a - b), rel=0.05, abs=5e-4)


def pair_of(rng, a, b, tips):
    """Both tips on two voltages; ``tips`` is what each passes."""
    parts = [one_touch(rng, v * t, poles_hz=(2.1,)) for v, t in zip((a, b), tips, strict=True)]
    return np.column_stack(parts)


def test_tips_changed_over_cancel_a_mismatch_that_came_later():
    rng = np.random.default_rng(8)
    scales = (Quantity(SCALE_V, 1.5, "V"),) * 2
    known = Calibration("bench", "test", RATE, 94.0, scales, None, (), 120.0, 5.0, ())
    both = [one_touch(rng, 12.5, poles_hz=(2.1,), after_s=2.3) for _ in range(2)]
    touched = read(np.column_stack(both), BATTERY, known)
    cal = dataclasses.replace(known, dc=dc_scale(touched, 12.5, 0.06, known, 1))
    drifted = (1.0, 1.001)
    first = pair_touch(read(pair_of(rng, 6.01, 5.99, drifted), READ, cal))
    swapped = pair_touch(read(pair_of(rng, 5.99, 6.01, drifted), READ, cal))
    assert first.volts.value == pytest.approx(0.014, abs=0.002)
    mean = swapped_offset(first, swapped, cal)
    assert mean.value == pytest.approx(0.02, abs=0.002)
    assert abs(mean.value - 0.02) <= mean.u < 0.004
    assert mean.u < first.volts.u
    other = dataclasses.replace(swapped, volts=Quantity(-0.2, 0.004, "V"))
    assert swapped_disagree((first, other))
    with pytest.raises(ValueError, match="two tips"):
        swapped_offset(first, swapped, known)
