"""One suite for every kind of calibration: known chain, measure, apply, compare with the truth.

The chain is made of closed forms alone: first-order coupling and low-pass (any circuit theory
text), Kirchhoff's laws for the ground lead, and a multimeter that errs by a stated part of its
tolerance. A new kind of calibration is one more entry of ``KINDS`` and must pass all of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import msgspec
import numpy as np
import pytest

from levelset.plan.job import MeterSpec
from levelset.probe.budget import reading_budget
from levelset.probe.calibrate import calibrate_from_common_touch, meter_tolerance_v
from levelset.probe.calibration import Calibration
from levelset.probe.reading import Frames, ToneSpec
from levelset.probe.touches import Touch, calibrate_from_touches
from levelset.probe.uncertainty import expanded_uncertainty
from levelset.probe.volts import read_tips
from levelset.quantity import Quantity
from levelset.record.calibration_evidence import (
    calibrate_recordings,
    check_evidence,
    touch_from_recording,
)
from levelset.record.calibrations import (
    export_calibration,
    find_calibration,
    import_calibration,
    load_calibration,
    save_calibration,
)
from levelset.record.stored_calibration import SetUp

SQRT2 = math.sqrt(2.0)
RATE = 48000
CALIBRATION_HZ = 94.0
METER = MeterSpec(0.8, 3, 0.01, frequency_hz=(40.0, 400.0), true_rms=True)


@dataclass(frozen=True)
class Chain:
    """A probe, an interface and a meter whose every property is known.

    ``ground`` is the ground lead's resistor over the resistance of a tip, ``error`` the meter's
    error as a part of its tolerance.
    """

    scales: tuple[float, ...]
    poles: tuple[float, ...]
    corner_hz: float
    ground: float
    error: float

    def gain(self, frequency_hz):
        low = math.prod(1.0 / (1.0 - 1j * pole / frequency_hz) for pole in self.poles)
        return low / (1.0 + 1j * frequency_hz / self.corner_hz)

    def samples(self, volts, frequency_hz, seed, seconds=0.5):
        """Raw codes of all tips for volts RMS per tip, negative for the opposite phase."""
        rng = np.random.default_rng(seed)
        t = np.arange(round(seconds * RATE)) / RATE
        gain = self.gain(frequency_hz)
        # Currents of the tips meet in the ground lead: nodal analysis of the probe's ground.
        lift = self.ground * sum(volts) / (1.0 + len(volts) * self.ground)
        columns = [
            (v - lift)
            * SQRT2
            / scale
            * abs(gain)
            * np.sin(2.0 * np.pi * frequency_hz * t + 0.3 + np.angle(gain))
            for v, scale in zip(volts, self.scales, strict=True)
        ]
        x = np.stack(columns, axis=1) + 2e-6 * rng.standard_normal((len(t), len(volts)))
        return np.rint(x * 2**23) / 2**23

    def shown(self, volts):
        """What the multimeter shows, as it errs in every touch."""
        off = self.error * meter_tolerance_v(METER, volts)
        return round((volts + off) / METER.resolution_v) * METER.resolution_v


def read(samples, output, calibration):
    spec = ToneSpec(None, 0.5, 1.0, output, False)
    return read_tips(samples, Frames(0, 0, len(samples), RATE), spec, calibration)


def set_up(chain):
    return {
        "port_name": "bench",
        "coupling_hz": chain.poles,
        "max_volts": 120.0,
        "design_volts_per_full_scale": 70.0,
        "name": "bench",
        "evidence": (),
        "ground_lead_ratio": chain.ground,
        "high_corner_hz": Quantity(chain.corner_hz, 0.05 * chain.corner_hz, "Hz"),
    }


def touch(chain, volts, seed):
    samples = chain.samples((volts,) * len(chain.scales), CALIBRATION_HZ, seed)
    output = "unknown" if len(chain.scales) == 2 else "line"
    return Touch(read(samples, output, None), chain.shown(volts))


def single_touch(chain, folder):
    one = touch(chain, 6.0, 1)
    return calibrate_from_common_touch(one.reading, one.meter_volts_rms, METER, **set_up(chain))


def several_touches(chain, folder):
    touches = [touch(chain, volts, seed) for seed, volts in enumerate((3.0, 6.0, 12.0, 6.0))]
    return calibrate_from_touches(touches, METER, **set_up(chain)).calibration


def recordings_kept_and_exchanged(chain, folder):
    """Recorded, calibrated, saved, exported, imported, and computed again from the evidence."""
    import soundfile

    touches = []
    for seed, volts in enumerate((4.0, 8.0)):
        path = folder / f"{volts:g}.wav"
        x = chain.samples((volts,) * len(chain.scales), CALIBRATION_HZ, seed, seconds=3.0)
        soundfile.write(path, x, RATE, subtype="PCM_24")
        channels = tuple(range(1, len(chain.scales) + 1))
        touches.append(touch_from_recording(path, channels, chain.shown(volts)))
    known = set_up(chain)
    made = SetUp("bench", RATE, channels, "70:1", "low", 70.0, 1.0)
    stored, captures = calibrate_recordings(
        touches,
        METER,
        made,
        name="bench",
        coupling_hz=chain.poles,
        max_volts=120.0,
        ground_lead_ratio=chain.ground,
        high_corner_hz=known["high_corner_hz"],
    )
    path = save_calibration(stored, captures, folder=folder / "here")
    export_calibration(path, folder / "bench.zip")
    import_calibration(folder / "bench.zip", folder=folder / "there")
    found = find_calibration("bench", folder / "there")
    again = load_calibration(found)
    assert again == stored
    assert check_evidence(again, found) == ""
    return again.calibration


KINDS = {
    "single touch": single_touch,
    "several touches": several_touches,
    "recordings": recordings_kept_and_exchanged,
}
CHAINS = {
    "two tips, DC coupled": Chain((70.7, 70.9), (), 80e3, 0.0, 0.7),
    "two tips, one pole": Chain((69.1, 68.9), (2.1,), 80e3, 0.0, -0.7),
    "two tips, two poles": Chain((70.7, 70.9), (2.1, 0.9), 65e3, 0.0, 0.5),
    "two tips, ground lead": Chain((71.5, 71.2), (5.0,), 90e3, 0.009, -0.5),
    "one tip, DC coupled": Chain((70.7,), (), 70e3, 0.0, 0.7),
    "one tip, two poles": Chain((68.2,), (2.1, 5.0), 80e3, 0.0, -0.9),
}


@pytest.fixture(
    scope="module",
    params=[(kind, chain) for kind in KINDS for chain in CHAINS],
    ids=lambda pair: f"{pair[0]}, {pair[1]}",
)
def made(request, tmp_path_factory):
    kind, name = request.param
    chain = CHAINS[name]
    return chain, KINDS[kind](chain, tmp_path_factory.mktemp("calibration"))


def outputs(chain):
    """Kind of output, volts of each tip and true volts of the output."""
    if len(chain.scales) == 1:
        return [("grounded", (9.0,), 9.0), ("line", (1.5,), 1.5)]
    return [("bridged", (4.5, -4.5), 9.0), ("grounded", (9.0, 0.0), 9.0)]


@pytest.mark.parametrize("frequency_hz", [20.0, 94.0, 1000.0, 10_000.0])
def test_the_truth_lies_within_the_stated_uncertainty(made, frequency_hz):
    chain, calibration = made
    for kind, volts, truth in outputs(chain):
        samples = chain.samples(volts, frequency_hz, seed=int(frequency_hz))
        found = read(samples, kind, calibration).output.volts_rms
        assert abs(found.value - truth) <= found.u
        # And the interval is no wider than the meter makes it: 1.3 times its tolerance at 3 V.
        assert found.u < 1.3 * meter_tolerance_v(METER, 3.0) / 3.0 * truth


def test_the_error_left_is_the_meters_alone(made):
    chain, calibration = made
    for kind, volts, truth in outputs(chain):
        samples = chain.samples(volts, 40.0, seed=5)
        found = read(samples, kind, calibration).output.volts_rms.value
        meter = calibration.volts_per_full_scale[0].value / true_scale(chain)
        assert found / truth == pytest.approx(meter, rel=4e-4)


def true_scale(chain):
    """Peak volts per full scale at the calibration's frequency, by the chain's own properties."""
    ground = 1.0 + chain.ground if len(chain.scales) == 1 else 1.0
    return chain.scales[0] * ground / abs(chain.gain(CALIBRATION_HZ))


def test_scale_and_match_are_the_chains(made):
    chain, calibration = made
    scale = calibration.volts_per_full_scale[0]
    assert abs(scale.value - true_scale(chain)) <= scale.u
    if len(chain.scales) == 2:
        # The meter is not in the match, so it is exact to the noise.
        assert calibration.match.value == pytest.approx(chain.scales[1] / chain.scales[0], rel=2e-5)
    else:
        assert calibration.match is None


def test_a_reading_of_the_calibration_point_is_what_the_meter_showed(made):
    chain, calibration = made
    samples = chain.samples((6.0,) * len(chain.scales), CALIBRATION_HZ, seed=9)
    lift = 1.0 + len(chain.scales) * chain.ground if len(chain.scales) == 2 else 1.0
    leg = read(samples, "line", calibration).legs[0].volts_rms
    assert leg.value * lift == pytest.approx(chain.shown(6.0), rel=3e-3)


def test_the_budget_is_the_uncertainty(made):
    chain, calibration = made
    kind, volts, _ = outputs(chain)[0]
    reading = read(chain.samples(volts, 100.0, seed=3), kind, calibration)
    one = reading.output
    budget = reading_budget(one, reading.spec, calibration)
    assert one.volts_rms.u / one.volts_rms.value == pytest.approx(
        expanded_uncertainty(budget), rel=1e-9
    )
    assert {"multimeter", "drift since the calibration"} <= {line.name for line in budget}
    scale = calibration.volts_per_full_scale[0]
    assert scale.u / scale.value == pytest.approx(
        expanded_uncertainty(calibration.scale_budget), rel=1e-9
    )


def test_another_rate_is_void(made):
    chain, calibration = made
    kind, volts, _ = outputs(chain)[0]
    samples = chain.samples(volts, 100.0, seed=3)
    spec = ToneSpec(None, 0.5, 1.0, kind, False)
    reading = read_tips(samples, Frames(0, 0, len(samples), 44100), spec, calibration)
    assert reading.output.tone.void.code == "setup_changed"
    assert reading.output.volts_rms is None


def test_more_than_the_probe_bears_is_void(made):
    chain, calibration = made
    kind, volts, _ = outputs(chain)[0]
    samples = chain.samples(volts, 100.0, seed=3)
    reading = read(samples, kind, replace(calibration, max_volts=2.0))
    assert reading.output.tone.void.code == "probe_limit"
    assert reading.output.volts_rms is None


def test_it_is_the_same_after_storing(made):
    _, calibration = made
    stored = msgspec.json.encode(calibration)
    assert msgspec.json.decode(stored, type=Calibration) == calibration
