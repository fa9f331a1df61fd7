"""Hands-free DC steps on random cars: is the kind right, are bias and offset inside their bounds?

   python -m tests.benchmarks.dc_cars [COUNT] [FIRST_SEED]

Calibration, battery, kind of output, tap and one amplifier's offset are done by simulated hands;
prints one line a car and a summary. A car takes some 10 s of one core.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from levelset.record.verification import verify_job
from levelset.session import open_demo_session
from tests.benchmarks.random_cars import as_toml, random_car

STEPS = ("calibrate", "battery_touch", "output_kind", "tap_check")


def dc_car(seed: int) -> dict[str, Any]:
    """Draw a car whose source rests anywhere from 0 to 7.5 V, with an offset to 200 mV."""
    draw = np.random.default_rng([seed, 5])
    car = random_car(seed)
    bridged = draw.random() < 0.6
    # Without bias only the tone tells; often enough for that to be tried.
    bias_v = 0.0 if draw.random() < 0.2 else round(float(draw.uniform(0.0, 7.5)), 3)
    car["source"] |= {
        "output": "bridged" if bridged else ("grounded", "line")[int(draw.integers(2))],
        "bias_volts": bias_v if bridged else 0.0,
        "offset_millivolts": round(float(draw.uniform(-200.0, 200.0)), 2),
    }
    car["amplifier"][0]["output_offset_millivolts"] = round(float(draw.uniform(-200.0, 200.0)), 2)
    poles = [round(float(draw.uniform(0.3, 5.0)), 3)]
    if draw.random() < 0.5:
        poles = [round(float(p), 3) for p in draw.uniform(0.3, 3.0, 2)]
    car["interface"] |= {
        "coupling_hz": poles,
        "bits": (24, 16)[int(draw.integers(2))],
        "noise_dbfs": round(float(draw.uniform(-115.0, -80.0)), 1),
    }
    return car


def truths(car: dict[str, Any]) -> dict[str, float]:
    """Return the DC voltages from the car file: a leg is the bias, and half of the offset on it."""
    source = car["source"]
    offset_v = source["offset_millivolts"] / 1000.0
    legs = (offset_v, 0.0)
    if source["output"] == "bridged":
        legs = (source["bias_volts"] + offset_v / 2.0, source["bias_volts"] - offset_v / 2.0)
    return {
        "positive": legs[0],
        "negative": legs[1],
        "across": offset_v,
        "amplifier": car["amplifier"][0]["output_offset_millivolts"] / 1000.0,
    }


def run_car(seed: int, folder: Path) -> dict[str, Any]:
    """Do the steps; return kind, numbers with their truth, and what was typed or refused."""
    car = dc_car(seed)
    file = folder / "car.toml"
    file.write_text(as_toml(car), "utf-8")
    session = open_demo_session(file, folder / "jobs", seed=seed, fast=True)
    hands = session.simulated_hands
    try:
        done = {name: session.run_one(hands, name, None) for name in STEPS}
        done["dc_offset"] = session.run_one(hands, "dc_offset", car["amplifier"][0]["name"])
    finally:
        session.close()
    tap, offset = done["tap_check"].result, done["dc_offset"].result
    found = {
        "positive": tap.get("bias_v", {}).get("positive"),
        "negative": tap.get("bias_v", {}).get("negative"),
        "across": tap.get("offset_v"),
        "amplifier": offset.get("volts"),
    }
    return {
        "car": car,
        "kind": tap.get("kind"),
        "kind_true": "bridged" if car["source"]["output"] == "bridged" else "grounded",
        "found": found,
        "truth": truths(car),
        "typed": [name for name in ("tap_check", "dc_offset") if done[name].result.get("typed")],
        "steps": [f"{s.procedure} {s.outcome}: {s.sentence}" for s in done.values()],
        "faults": verify_job(session.job_path).faults,
    }


def errors(result: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return error and stated uncertainty of every number that was read, V."""
    return {
        name: (one["value"] - result["truth"][name], one["u"])
        for name, one in result["found"].items()
        if one is not None
    }


def main(count: int, first_seed: int) -> None:
    """Run the campaign."""
    rows: list[tuple[str, float, float, float]] = []
    wrong_kind, typed, missing, faulty = 0, 0, 0, 0
    for seed in range(first_seed, first_seed + count):
        with tempfile.TemporaryDirectory() as folder:
            result = run_car(seed, Path(folder))
        off = errors(result)
        rows += [(name, e, u, result["truth"][name]) for name, (e, u) in off.items()]
        wrong_kind += result["kind"] != result["kind_true"]
        typed += len(result["typed"])
        missing += 4 - len(off)
        faulty += bool(result["faults"])
        beyond = [
            f"{n} {1e3 * e:+.1f} of {1e3 * u:.1f} mV" for n, (e, u) in off.items() if abs(e) > u
        ]
        source, interface = result["car"]["source"], result["car"]["interface"]
        what = (
            f"{source['output']} {source['bias_volts']:g} V, {interface['bits']} bit, "
            f"{interface['coupling_hz']} Hz, {interface['noise_dbfs']} dBFS"
        )
        print(f"{seed}: {what}: kind {result['kind']}; beyond: {beyond}", flush=True)
        if result["typed"] or len(off) < 4 or result["faults"]:
            print(*result["steps"], *result["faults"], sep="\n    ", flush=True)
    inside = np.mean([abs(e) <= u for _, e, u, _ in rows])
    print(f"{count} cars: kind wrong in {wrong_kind}, typed {typed} of {2 * count} steps, ", end="")
    print(
        f"{missing} numbers missing, {faulty} records that do not hold; {len(rows)} numbers, ",
        end="",
    )
    print(f"{100.0 * inside:.1f} % inside their stated uncertainty")
    for name in ("positive", "negative", "across", "amplifier"):
        own = np.array([(abs(e), u) for n, e, u, _ in rows if n == name])
        if len(own):
            part, worst_mv = np.mean(own[:, 0] <= own[:, 1]), 1e3 * np.quantile(own[:, 0], 0.95)
            print(f"{name}: {100.0 * part:.1f} % inside, 95 % of errors to {worst_mv:.1f} mV")


if __name__ == "__main__":
    main(*(int(w) for w in (sys.argv[1:] + ["60", "1"][len(sys.argv) - 1 :])))
