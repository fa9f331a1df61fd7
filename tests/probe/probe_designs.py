"""Requirements to design probes for."""

import random

from levelset.probe.design import design_probe
from levelset.probe.requirement import Requirement

BENCH = {
    "tips": "two",
    "max_volts": 120.0,
    "full_scale_v_peak": 1.5,
    "input_impedance_ohm": 1e6,
    "cable_pf": 150.0,
    "coupling_hz": 2.0,
    "noise_dbfs": -100.0,
    "resistor_v": 250.0,
    "resistor_w": 0.25,
}


def design(**changes):
    return design_probe(Requirement(**(BENCH | changes)))


def random_requirements(count, seed=9):
    rng = random.Random(seed)
    for _ in range(count):
        yield {
            "tips": rng.choice(["one", "two", "balanced"]),
            "max_volts": round(10.0 ** rng.uniform(1.0, 2.6), 1),
            "full_scale_v_peak": round(10.0 ** rng.uniform(-0.3, 1.0), 2),
            "input_impedance_ohm": rng.choice([1e4, 2e4, 4.7e4, 1e5, 1e6, 1e7]),
            "cable_pf": rng.choice([0.0, 30.0, 100.0, 220.0, 300.0, 470.0]),
            "coupling_hz": rng.choice([0.0, 0.5, 2.0, 8.0, 15.0]),
            "noise_dbfs": rng.uniform(-115.0, -80.0),
            "resistor_v": rng.choice([200.0, 250.0, 350.0, 500.0]),
            "resistor_w": rng.choice([0.125, 0.25, 0.4, 0.6, 1.0]),
        }
