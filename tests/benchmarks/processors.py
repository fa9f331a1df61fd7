"""Random processors behind one invented source: is the first limit found, and met.

    python -m tests.benchmarks.processors [TRIALS] [SEED]

Every trial runs the one step by simulated hands and compares it with closed forms from the car
file: the peak of a sine against both clip voltages, decibels, labels. Complaints are printed.
"""

from __future__ import annotations

import math
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from levelset.ports.simulated import open_demo
from levelset.procedures.catalogue import run_step
from levelset.procedures.engine import Engine
from levelset.procedures.facts import StepResult
from levelset.session import open_demo_session
from tests.procedures.test_processor import CLEAN_V, NoRecord, car_file

SQRT2 = math.sqrt(2.0)
SCALE = 0.018
"""The multimeter's error at the calibration, as a part; the instrument states as much."""
NEAR_DB = 0.3
"""Limits this near to each other may come in either order."""


def random_processor(draw: np.random.Generator) -> dict[str, Any]:
    """Draw a processor and the labels around it."""
    low_db = float(draw.uniform(-40.0, -6.0))
    input_peak = CLEAN_V * SQRT2 * 10.0 ** (float(draw.uniform(-6.0, 10.0)) / 20.0)
    most_out, most_in_amplifier = (float(v) for v in np.exp(draw.uniform(0.0, 2.4, 2)))
    return {
        "input_clip_volts_peak": round(input_peak, 3),
        "output_clip_volts_peak": round(float(np.exp(draw.uniform(0.3, 2.7))), 3),
        "gain_db": [round(low_db, 2), round(low_db + float(draw.uniform(12.0, 45.0)), 2)],
        "noise_millivolts": round(float(10.0 ** draw.uniform(-1.5, 0.3)), 3),
        "delay_ms": round(float(draw.uniform(0.0, 20.0)), 3),
        "polarity": f'"{draw.choice(["normal", "reversed"])}"',
        "max_output_volts": round(most_out, 3) if draw.random() < 0.5 else None,
        "input_range": (0.2, round(most_in_amplifier, 3)) if draw.random() < 0.7 else None,
    }


def expected(case: dict[str, Any]) -> tuple[str, float, float]:
    """Return what ends it, at how many volts, and how far the next limit is, dB."""
    if case["input_clip_volts_peak"] < SQRT2 * CLEAN_V:
        over_db = 20.0 * math.log10(SQRT2 * CLEAN_V / case["input_clip_volts_peak"])
        return "input_stage", 0.0, over_db
    lowest_v, highest_v = (CLEAN_V * 10.0 ** (db / 20.0) for db in case["gain_db"])
    limits = {
        "clipping": case["output_clip_volts_peak"] / SQRT2 * 10.0 ** (-0.5 / 20.0),
        "range": highest_v,
        "label": case["max_output_volts"] or math.inf,
        "amplifier_input": math.inf if case["input_range"] is None else case["input_range"][1],
    }
    if limits["clipping"] * 10.0 ** (0.5 / 20.0) >= highest_v:
        limits["clipping"] = math.inf
    first, second, *_ = sorted(limits, key=limits.__getitem__)
    apart_db = 20.0 * math.log10(limits[second] / limits[first])
    if lowest_v > limits[first]:
        return "too_loud", limits[first], min(apart_db, 20.0 * math.log10(lowest_v / limits[first]))
    return first, limits[first], apart_db


def complaint(case: dict[str, Any], step: StepResult) -> str:
    """Return what is wrong with a result; empty where it is right."""
    word, volts, apart_db = expected(case)
    if word in ("input_stage", "too_loud"):
        if step.outcome == "failed" and (word == "too_loud" or "its input stage" in step.sentence):
            return ""
        return "" if apart_db < NEAR_DB else f"{word} by {apart_db:.2f} dB: {step.sentence}"
    if step.outcome != "accepted":
        return "" if apart_db < NEAR_DB and word == "too_loud" else f"{word}: {step.sentence}"
    found_v = step.result["volts_rms"]["value"]
    off_db = 20.0 * math.log10(found_v / volts)
    scale_db = 20.0 * math.log10(1.0 + SCALE)
    if not -0.2 - scale_db <= off_db <= scale_db:
        return f"{word} at {volts:.3f} V, found {off_db:+.2f} dB: {step.sentence}"
    if step.result["limited_by"] != word and apart_db > NEAR_DB:
        return f"{word}, found {step.result['limited_by']}"
    return ""


def main(trials: int, seed: int) -> int:
    """Run the trials; returns how many complaints there were."""
    counts: Counter[str] = Counter()
    complaints = 0
    with tempfile.TemporaryDirectory() as folder:
        before = open_demo_session(car_file(Path(folder)), Path(folder), seed=seed, fast=True)
        steps = [
            before.run_one(before.simulated_hands, name, None)
            for name in ("calibrate", "output_kind", "clean_volume")
        ]
        [(seq, calibration)] = before.job.calibrations()
        before.close()
        for trial in range(trials):
            case = random_processor(np.random.default_rng([seed, trial]))
            demo = open_demo(car_file(Path(folder), **case), seed=trial, fast=True)
            engine = Engine(
                demo.port,
                NoRecord(),
                demo.hands,
                demo.plan,
                calibration=calibration,
                calibration_seq=seq,
                steps=tuple(steps),
            )
            step = run_step(engine, demo.port.info, "processor", None)
            counts[expected(case)[0]] += 1
            wrong = complaint(case, step)
            if wrong:
                complaints += 1
                print(f"trial {trial}: {wrong}\n  {case}")
    print(f"{trials} processors, {dict(counts)}: {complaints} complaints")
    return complaints


if __name__ == "__main__":
    sys.exit(bool(main(*(int(word) for word in (*sys.argv[1:], "60", "1")[:2]))))
