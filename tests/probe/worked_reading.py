"""The worked reading of docs/calibration.md: a known probe, meter and output."""

from probe_chain import frames, spec, tips

from levelset.plan.job import MeterSpec
from levelset.probe.budget import reading_budget
from levelset.probe.calibrate import calibrate_from_common_touch
from levelset.probe.volts import read_tips
from levelset.quantity import Quantity

METER = MeterSpec(0.8, 3, 0.01, frequency_hz=(40.0, 400.0), true_rms=False)
SCALES = (154.5, 154.9)
POLES = (3.3,)


def worked():
    """Return calibration, reading of the pair and its budget."""
    common = {"scales": SCALES, "coupling_hz": POLES, "noise_fs": 1e-5}
    x = tips(6.0, 6.0, harmonics=((3, 0.0005),), frequency_hz=94.0, **common)
    touch = read_tips(x, frames(len(x)), spec("unknown"), None)
    calibration = calibrate_from_common_touch(
        touch,
        6.03,
        METER,
        port_name="inputs 1 and 2",
        coupling_hz=POLES,
        max_volts=200.0,
        design_volts_per_full_scale=154.5,
        name="bench-high",
        evidence=(),
        high_corner_hz=Quantity(75_000.0, 7_500.0, "Hz"),
    )
    x = tips(21.9, 0.0, frequency_hz=43.0, seed=2, **common)
    reading = read_tips(x, frames(len(x)), spec("grounded", expected_hz=43.0), calibration)
    pair = reading.pair
    return calibration, pair, reading_budget(pair, reading.spec, calibration)
