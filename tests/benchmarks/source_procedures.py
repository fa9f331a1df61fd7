"""Random sources on the simulated car, gone through by the procedures with simulated hands.

    python -m tests.benchmarks.source_procedures 40 [first seed] [--wires-only]

Truth comes from the car files by closed forms: Butterworth, the published bell, the documented
shelf of withdrawn bass, the peak of a sine against limiter and clip point.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from levelset.session import open_demo_session
from tests.procedures.source_truth import (
    car_with_source,
    noise_v_rms,
    random_source,
    response_db,
    true_clean,
    true_wire,
)

WIRE_STEPS = ("which_wire",)
ALL_STEPS = ("calibrate", "output_kind", *WIRE_STEPS, "clean_volume", "response", "noise")


def run(car: dict, steps: tuple[str, ...], seed: int, folder: Path) -> dict:
    """Run procedures on a car; return the steps by name, and the plan's tone."""
    path = folder / f"car-{seed}.toml"
    path.write_text(car_with_source(car), "utf-8")
    session = open_demo_session(path, folder / "jobs", seed=seed, fast=True)
    try:
        for name in steps:
            session.run_one(session.simulated_hands, name, None)
        return {step.procedure: step for step in session.job.steps()}
    finally:
        session.close()


def wire_verdict(source: dict, step) -> str:
    """Return right, cannot_tell or WRONG."""
    channel, polarity = true_wire(source)
    told = step.result
    if step.outcome != "accepted":
        return "cannot_tell"
    if channel is None:
        return "right" if told["channel"] is None else "WRONG"
    if told["channel"] is None or told["polarity"] == "cannot_tell":
        wrong = told["channel"] not in (None, channel)
        return "WRONG" if wrong else "cannot_tell"
    return "right" if (told["channel"], told["polarity"]) == (channel, polarity) else "WRONG"


def response_error(source: dict, row: dict) -> float:
    """Return the largest error of a curve against its closed form, dB, its own level taken off.

    Weak places in much noise state more than 0.3 dB themselves and are not counted.
    """
    points = [p for p in row["bands"] if not p["below"] and 19.0 < p["frequency_hz"] < 16_500.0]
    hz = np.array([p["frequency_hz"] for p in points])
    read = np.array([p["level_db"]["value"] for p in points])
    truth = response_db(source, hz, row["volume"])
    stated = np.array([p["level_db"]["u"] for p in points])
    near = (truth > truth.max() - 40.0) & (stated < 0.3)
    error = (read - truth)[near]
    return float(np.abs(error - np.median(error)).max())


def main() -> None:
    """Run the campaign and print what came of it."""
    numbers = [int(a) for a in sys.argv[1:] if not a.startswith("-")]
    count, first = (numbers + [40, 0][len(numbers) :])[:2]
    steps = WIRE_STEPS if "--wires-only" in sys.argv else ALL_STEPS
    wires, volumes = Counter(), Counter()
    responses, noises, corners = [], [], []
    with tempfile.TemporaryDirectory() as name:
        for seed in range(first, first + count):
            source = random_source(seed)
            done = run(source, steps, seed, Path(name))
            verdict = wire_verdict(source, done["which_wire"])
            wires[verdict] += 1
            if verdict != "right":
                print(f"seed {seed}: wire {verdict}: {true_wire(source)}, {source}")
                print(f"   {done['which_wire'].sentence}")
            if steps is WIRE_STEPS:
                continue
            truth = true_clean(source)
            step = done["clean_volume"]
            right = step.outcome == "accepted" and step.result["volume"] == truth
            volumes["right" if right else "WRONG"] += 1
            if not right:
                print(f"seed {seed}: clean {truth}: {step.outcome} {step.sentence} {source}")
            step = done["response"]
            if step.outcome == "accepted":
                for row in filter(None, (step.result["quiet"], step.result["loud"])):
                    error = response_error(source, row)
                    responses.append(error)
                    if error > 0.3:
                        print(f"seed {seed}: response {error:.2f} dB at {row['volume']}: {source}")
                edge = (step.result["filters"] or {}).get("high_pass")
                if source.get("highpass_hz") and edge is not None:
                    corners.append(edge["corner_hz"]["value"] / source["highpass_hz"] - 1.0)
            else:
                print(f"seed {seed}: response {step.outcome}: {step.sentence} {source}")
            step = done["noise"]
            if step.outcome == "accepted":
                level = step.result["unweighted"]
                error = 20.0 * np.log10(level["volts_rms"]["value"] / noise_v_rms(source))
                noises.append((error, level["below"]))
                if abs(error) > 0.5 and not level["below"] or (level["below"] and error < 0.0):
                    print(f"seed {seed}: noise {error:.2f} dB, {level}: {source}")
            else:
                print(f"seed {seed}: noise {step.outcome}: {step.sentence} {source}")
    print("wires:", dict(wires), "clean volumes:", dict(volumes))
    if responses:
        numbers_db = [error for error, below in noises if not below]
        print(
            f"responses: {len(responses)}, worst {max(responses):.3f} dB, median "
            f"{np.median(responses):.3f} dB, within 0.3 dB {np.mean(np.array(responses) < 0.3):.1%}"
        )
        if corners:
            print(f"corners: {len(corners)}, within 3 % {np.mean(np.abs(corners) < 0.03):.1%}")
        print(
            f"noise: {len(numbers_db)} numbers, worst "
            f"{np.abs(numbers_db).max(initial=0.0):.3f} dB; "
            f"{sum(below for _, below in noises)} limits"
        )


if __name__ == "__main__":
    main()
