"""How often the stated interval holds the truth, over the whole chain and the meter's error.

Run: ``python tests/probe/coverage_campaign.py 3000`` prints the share at each frequency.
"""

import math
import sys

import numpy as np
from probe_chain import frames, spec, tips

from levelset.plan.job import MeterSpec
from levelset.probe.calibrate import calibrate_from_common_touch, meter_tolerance_v
from levelset.probe.volts import read_tips
from levelset.quantity import Quantity

FREQUENCIES_HZ = (20.013, 100.3, 1000.7, 10_003.1)
METER = MeterSpec(percent=0.8, counts=3, resolution_v=0.01)
POLES_HZ = (2.1, 0.9)
CORNER = Quantity(75e3, 0.15 * 75e3, "Hz")


def high_side(frequency_hz, corner_hz):
    """First-order low-pass (any circuit textbook)."""
    return 1.0 / math.sqrt(1.0 + (frequency_hz / corner_hz) ** 2)


def share_of_intervals_with_the_truth(frequency_hz, runs):
    """Draw scales, poles, corner, drift and the meter's error from what is stated about them.

    The signal passes closed forms only, never the code that undoes them.
    """
    rng = np.random.default_rng(round(frequency_hz))
    inside = 0
    for run in range(runs):
        poles = tuple(p * rng.uniform(0.9, 1.1) for p in POLES_HZ)
        corner = rng.normal(CORNER.value, CORNER.u / 1.96)
        scale = 70.0 * rng.uniform(0.96, 1.04)
        scales = (scale, scale * rng.uniform(0.99, 1.01))

        volts = rng.uniform(3.0, 20.0)
        at_input = volts * high_side(94.0, corner)
        x = tips(at_input, at_input, scales=scales, coupling_hz=poles, noise_fs=1e-4, seed=2 * run)
        shown = volts + meter_tolerance_v(METER, volts) * rng.uniform(-1.0, 1.0)
        calibration = calibrate_from_common_touch(
            read_tips(x, frames(len(x)), spec("unknown"), None),
            shown,
            METER,
            port_name="input",
            coupling_hz=POLES_HZ,
            max_volts=120.0,
            design_volts_per_full_scale=70.0,
            name="first",
            evidence=(),
            high_corner_hz=CORNER,
        )

        truth = rng.uniform(2.0, 25.0)
        drift = 1.0 + rng.uniform(-0.002, 0.002)
        at_input = truth * drift * high_side(frequency_hz, corner)
        x = tips(
            at_input,
            -at_input,
            scales=scales,
            frequency_hz=frequency_hz,
            coupling_hz=poles,
            noise_fs=3e-4,
            seed=2 * run + 1,
        )
        listen = spec("bridged", expected_hz=frequency_hz)
        q = read_tips(x, frames(len(x)), listen, calibration).pair.volts_rms
        inside += q.low <= 2.0 * truth <= q.high
    return inside / runs


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for frequency in FREQUENCIES_HZ:
        share = share_of_intervals_with_the_truth(frequency, count)
        print(f"{frequency:9.3f} Hz: {100.0 * share:.1f} % of {count} intervals")  # noqa: T201
