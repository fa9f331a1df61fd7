"""Whole jobs on random cars: is the clean volume right, the gain limited by the right thing?

    python -m tests.benchmarks.random_cars [COUNT] [FIRST_SEED]

Prints one line a car that was not done as the closed forms demand, and a summary.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from levelset.session import open_demo_session
from tests.procedures.truth import expected_gain, source_v_rms, true_clean_volume, true_onset_v_rms

SQRT2 = math.sqrt(2.0)


def random_car(seed: int) -> dict[str, Any]:
    """Draw a car; margins keep what is expected clear of the instrument's stated limits."""
    draw = np.random.default_rng(seed)

    def one(*items: Any) -> Any:
        return items[int(draw.integers(len(items)))]

    def span(low: float, high: float) -> float:
        return round(float(draw.uniform(low, high)), 3)

    step_db = span(0.6, 2.5)
    volume = int(draw.integers(25, 60))
    output = one("bridged", "bridged", "grounded", "line")
    most_v = span(4.5, 11.0) if output == "bridged" else span(2.2, 9.0)
    # The clip point lies in the middle half of a step, so that no step is a matter of opinion.
    below_db = step_db * (int(draw.integers(0, 4)) + span(0.3, 0.7)) if draw.random() < 0.85 else -1
    clip_v = round(SQRT2 * most_v * 10.0 ** (-below_db / 20.0), 4)
    load, ohm = one(("4", 4.0), ("4||4", 2.0), ("2+2", 4.0), ("8||8", 4.0))
    power = span(40, 500)
    target_peak = math.sqrt(2.0 * power * ohm)
    low_db = span(-6.0, 10.0)
    source_v = clip_v / SQRT2 if below_db >= 0 else most_v
    needed_db = 20.0 * math.log10(target_peak / SQRT2 / source_v)
    low_db = min(low_db, needed_db - 4.0)
    high_db = needed_db + (span(4.0, 20.0) if draw.random() < 0.85 else -span(1.0, 2.0))
    band = one((20, 80), (30, 60), (28, 120), (70, 400), (150, 3000), (100, 16000))
    knee = one(0.0, 0.0, 0.0, span(0.1, 0.5))
    rail_db = one(span(0.4, 3.0), span(-4.0, -0.8))
    amplifier = {
        "name": "bass",
        "output": one("bridged", "grounded"),
        "gain_db": [round(low_db, 2), round(high_db, 2)],
        "rail_volts_peak": round(target_peak * 10.0 ** (rail_db / 20.0) / (1.0 - 0.4 * knee), 3),
        "soft_knee": knee,
        "thd_percent": span(0.005, 0.2),
        "noise_millivolts": span(0.2, 5.0),
        "output_offset_millivolts": span(-60, 60),
        "rated": [[ohm, power]],
        "rated_supply": 14.4,
        "load": load,
        "band_hz": list(band),
    }
    divider = one(60.0, 100.0, 120.0)
    full_scale = max(span(0.8, 2.0), 1.5 * target_peak / divider)
    return {
        "source": {
            "max_volume": volume,
            "db_per_step": step_db,
            "volts_rms_at_max": most_v,
            "clip_volts_peak": clip_v,
            "output": output,
            "bias_volts": span(5.0, 7.5) if output == "bridged" else 0.0,
            "offset_millivolts": span(-100, 100) if output == "bridged" else 0.0,
            "thd_percent": span(0.005, 0.3),
            "polarity": "normal",
            "start_volume": max(1, volume - int(draw.integers(8, 20))),
        },
        "amplifier": [amplifier],
        "probe": {"divider": divider, "mismatch_percent": span(-1, 1), "max_volts": 300.0},
        "interface": {
            "full_scale_volts_peak": round(full_scale, 3),
            "rate_hz": one(44100, 48000, 96000),
            "bits": one(24, 24, 16),
            "coupling_hz": one([span(0.3, 8.0)], [span(0.3, 8.0), span(0.3, 4.0)]),
            "noise_dbfs": span(-105, -92),
            "clock_ppm": span(-100, 100),
            "channels": 2,
        },
        "meter": {
            "ac_percent": span(0.3, 1.2),
            "ac_counts": int(draw.integers(1, 6)),
            "ac_resolution_v": 0.01,
            "dc_percent": 0.5,
            "dc_counts": 2,
            "dc_resolution_v": 0.01,
            "error": span(-0.9, 0.9),
        },
        "supply": {"engine_off": span(12.0, 12.8), "engine_on": span(13.6, 14.4)},
    }


def as_toml(car: dict[str, Any]) -> str:
    """Write a car as TOML, marked as invented."""

    def value(item: Any) -> str:
        if isinstance(item, str):
            return f'"{item}"'
        if isinstance(item, list):
            return "[" + ", ".join(value(i) for i in item) + "]"
        return repr(item)

    lines = ["# An invented car: no vehicle, radio or amplifier like this one exists."]
    for name, tables in car.items():
        for table in tables if isinstance(tables, list) else [tables]:
            lines.append(f"[[{name}]]" if isinstance(tables, list) else f"[{name}]")
            lines += [f"{key} = {value(item)}" for key, item in table.items()]
    return "\n".join(lines) + "\n"


def complaints(car: dict[str, Any], steps: list[Any]) -> list[str]:
    """Say what differs from the closed forms."""
    by_name = {step.procedure: step for step in steps}
    found = [
        f"{s.procedure} {s.outcome}: {s.sentence}"
        for s in steps
        if s.outcome not in ("accepted", "limited")
    ]
    clean = by_name["clean_volume"].result
    truth = true_clean_volume(car)
    if clean and clean["volume"] != truth:
        found.append(f"clean volume {clean['volume']}, true {truth}")
    elif clean:
        off = clean["volts_rms"]["value"] - source_v_rms(car, truth)
        if abs(off) > clean["volts_rms"]["u"]:
            found.append(f"clean volume off by {off:.4f} V, u {clean['volts_rms']['u']:.4f} V")
    gain = by_name["gain"].result
    if gain:
        amplifier = car["amplifier"][0]
        limited_by, goal = expected_gain(car, amplifier)
        set_v = gain["set_volts_rms"]["value"]
        off_db = 20.0 * math.log10(set_v / goal)
        scale_db = 20.0 * math.log10(1.0 + gain["set_volts_rms"]["u"] / set_v)
        if gain["limited_by"] != limited_by:
            found.append(f"limited by {gain['limited_by']}, should be {limited_by}")
        elif limited_by == "target" and not -0.1 <= off_db <= 1e-9:
            found.append(f"target missed by {off_db:+.3f} dB")
        elif limited_by == "clipping":
            onset = gain["clip_volts_rms"]
            if abs(onset["value"] - true_onset_v_rms(amplifier)) > onset["u"]:
                found.append(f"onset {onset}, true {true_onset_v_rms(amplifier):.4f} V")
            if not -0.2 - scale_db <= off_db <= scale_db:
                found.append(f"margin missed by {off_db:+.3f} dB, scale {scale_db:.3f} dB")
    return found


def main() -> None:
    """Run the campaign."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + count):
            car = random_car(seed)
            path = Path(folder) / "car.toml"
            path.write_text(as_toml(car), "utf-8")
            session = open_demo_session(path, Path(folder) / "jobs", seed=seed, fast=True)
            try:
                steps = session.run(session.simulated_hands)
            finally:
                session.close()
            found = complaints(car, steps)
            wrong += bool(found)
            for complaint in found:
                print(f"seed {seed}: {complaint}", flush=True)
    print(f"{count} cars, {wrong} not as the closed forms demand")


if __name__ == "__main__":
    main()
