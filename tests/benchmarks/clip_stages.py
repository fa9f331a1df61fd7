"""Random cars: which stage clips is told from the tap and two positions of the gain knob.

    python -m tests.benchmarks.clip_stages [COUNT] [FIRST_SEED]

The truth is computed from the car file alone: the peak of the sine against each stage's limit. Cars
with a low-pass between their input stage and the output count by themselves.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from typing import Any

import numpy as np

from levelset.analysis.clip_stage import StageVerdict, who_clipped
from levelset.plan.set_tone import choose_set_tone
from levelset.ports.base import Point
from levelset.probe.calibration import Calibration
from levelset.probe.reading import Frames, TipsReading, ToneSpec
from levelset.probe.volts import read_tips
from levelset.procedures.who_clipped import AIMED_DB, KNOB_DB, seen_of
from levelset.quantity import Quantity
from levelset.signals.tones import set_tone
from levelset.simulation.car_file import car_from_document
from levelset.simulation.chain import Car
from levelset.units import db_from_ratio
from tests.benchmarks.random_cars import random_car
from tests.procedures.truth import ideal_v_rms

LIMIT_PERCENT = 1.0
SURE_DB = 0.05
"""A stage that is driven less than this over its limit may be called clean or clipped, dB."""


@dataclass(frozen=True, slots=True)
class Case:
    """A car, the volume in use, and both positions of the knob."""

    car: dict[str, Any]
    volume: int
    gains_db: tuple[float, float]
    filtered: bool


def random_case(seed: int) -> Case:
    """Draw stages that clip or not, each by a level of its own."""
    draw = np.random.default_rng([seed, 77])
    car = random_car(seed)
    source, amplifier = car["source"], car["amplifier"][0]
    volume = int(draw.integers(max(2, source["max_volume"] - 12), source["max_volume"] + 1))

    def over_db() -> float:
        """Draw by how much a stage is overdriven; half of them are well below their limit."""
        return float(draw.uniform(0.3, 8.0) if draw.random() < 0.5 else draw.uniform(-12.0, -0.5))

    peak = math.sqrt(2.0) * ideal_v_rms(car, volume)
    source["clip_volts_peak"] = round(peak * 10.0 ** (-over_db() / 20.0), 5)
    at_tap = min(peak, source["clip_volts_peak"])
    amplifier["input_clip_volts_peak"] = round(at_tap * 10.0 ** (-over_db() / 20.0), 5)
    behind = min(at_tap, amplifier["input_clip_volts_peak"])
    upper_db = 20.0 * math.log10(amplifier["rail_volts_peak"] / behind) + over_db()
    knob_db = float(draw.uniform(3.0, 5.0))
    amplifier["gain_db"] = [round(upper_db - 10.0, 3), round(upper_db + 10.0, 3)]
    filtered = draw.random() < 0.25
    if filtered:
        tone_hz = choose_set_tone(*amplifier["band_hz"]).frequency_hz
        amplifier["lowpass_hz"] = round(min(18_000.0, 1.3 * tone_hz), 2)
        amplifier["slope_db_per_octave"] = 24
    return Case(car, volume, (upper_db - knob_db, upper_db), filtered)


def overdrives_db(case: Case) -> dict[str, float]:
    """Return by how much each stage is overdriven at the higher gain, from the file alone."""
    source, amplifier = case.car["source"], case.car["amplifier"][0]
    peak = math.sqrt(2.0) * ideal_v_rms(case.car, case.volume)
    at_tap = min(peak, source["clip_volts_peak"])
    behind = min(at_tap, amplifier["input_clip_volts_peak"]) * 10.0 ** (case.gains_db[1] / 20.0)

    def db(ratio: float) -> float:
        return 20.0 * math.log10(ratio)

    # A soft knee begins to bend before the rail.
    rail_v = amplifier["rail_volts_peak"] * (1.0 - amplifier["soft_knee"])
    return {
        "source": db(peak / source["clip_volts_peak"]),
        "input_stage": db(at_tap / amplifier["input_clip_volts_peak"]),
        "output_stage": db(behind / rail_v),
    }


def bend_thd_percent(case: Case) -> float:
    """THD of a sine through the documented soft knee at the higher gain, by a long FFT, %."""
    amplifier = case.car["amplifier"][0]
    knee = amplifier["soft_knee"]
    if knee == 0.0:
        return math.inf
    # The drive in parts of the rail, from the overdrive over the beginning of the bend.
    drive = (1.0 - knee) * 10.0 ** (overdrives_db(case)["output_stage"] / 20.0)
    u = drive * np.sin(2.0 * np.pi * np.arange(4096) / 4096)
    over = np.maximum(np.abs(u) - (1.0 - knee), 0.0)
    y = np.sign(u) * (np.minimum(np.abs(u), 1.0 - knee) + knee * np.tanh(over / knee))
    lines = np.abs(np.fft.rfft(y))
    return float(100.0 * np.sqrt(np.sum(lines[2:41] ** 2)) / lines[1])


def judge(case: Case) -> StageVerdict:
    """Read tap and output of the simulated car and decide."""
    car_file = case.car
    car = Car(car_from_document(car_file), seed=1)
    car.engine_runs = True
    car.volume = case.volume
    amplifier = car.amplifier("bass")
    band = car_file["amplifier"][0]["band_hz"]
    tone_hz = choose_set_tone(*band).frequency_hz
    car.player.play_track(set_tone("set-bass", "gain of bass", tone_hz, 0.0), 0)
    interface, probe = car_file["interface"], car_file["probe"]
    rate_hz = interface["rate_hz"]
    scale = probe["divider"] * interface["full_scale_volts_peak"]
    calibration = Calibration(
        name="true",
        port_name="simulated",
        rate_hz=rate_hz,
        frequency_hz=97.0,
        volts_per_full_scale=tuple(
            Quantity(scale / (1.0 + mismatch / 100.0), 0.01 * scale, "V")
            for mismatch in (0.0, probe["mismatch_percent"])
        ),
        match=None,
        coupling_hz=tuple(interface["coupling_hz"]),
        max_volts=probe["max_volts"],
        meter_volts_rms=1.0,
        evidence=(),
    )

    def read(place: str, channel: str | None, output: str) -> TipsReading:
        car.touch("A", Point(place, "positive", channel))
        car.touch("B", Point(place, "negative", channel))
        car.render(round(1.5 * rate_hz))
        count = round(max(0.25, 10.0 / tone_hz) * rate_hz)
        samples = car.render(count)
        spec = ToneSpec(tone_hz, count / rate_hz, LIMIT_PERCENT, output, live=True)
        return read_tips(samples, Frames(0, 0, count, rate_hz), spec, calibration)

    def at(gain_db: float) -> TipsReading:
        amplifier.gain_db = gain_db
        return read("channel", "bass", car_file["amplifier"][0]["output"])

    tap = read("source", None, car_file["source"]["output"])
    lower, upper = (at(gain_db) for gain_db in case.gains_db)
    # As in the procedure, the knob goes on until the voltage has fallen or it is at its end.
    gain_db = case.gains_db[0]
    while gain_db > car_file["amplifier"][0]["gain_db"][0] and not fallen(lower, upper):
        gain_db = max(gain_db - 2.0, car_file["amplifier"][0]["gain_db"][0])
        lower = at(gain_db)
    seen = [seen_of(one.output, LIMIT_PERCENT) for one in (tap, lower, upper)]
    return who_clipped(*seen, filters_off=not case.filtered)


def fallen(lower: TipsReading, upper: TipsReading) -> bool:
    """Tell whether the fundamental is as much lower as the procedure wants it."""
    low_v, high_v = lower.output.volts_rms, upper.output.volts_rms
    if low_v is None or high_v is None:
        return True
    return db_from_ratio(high_v.value / low_v.value) >= KNOB_DB - AIMED_DB


def complaint(case: Case, verdict: StageVerdict) -> str | None:
    """Return what is wrong with a verdict that is no honest 'cannot tell'."""
    over = overdrives_db(case)
    for stage in verdict.stages:
        if over.get(stage, 1.0) <= -SURE_DB:
            return f"named {stage}, which is {-over[stage]:.2f} dB below its limit"
    if verdict.undecided is None and not verdict.stages:
        clipping = [stage for stage, db in over.items() if db > 4.0 * SURE_DB]
        bends_only = clipping == ["output_stage"] and bend_thd_percent(case) < 1.1 * LIMIT_PERCENT
        if clipping and not bends_only:
            return f"nothing named, but {clipping} clip"
    return None


def main(count: int, first: int) -> int:
    wrong = undecided = filtered = hidden = 0
    named: dict[str, int] = {}
    for seed in range(first, first + count):
        case = random_case(seed)
        verdict = judge(case)
        trouble = complaint(case, verdict)
        if trouble:
            wrong += 1
            print(f"{seed}: {trouble}; {verdict.sentence}; {overdrives_db(case)}")
        filtered += case.filtered
        if verdict.undecided is not None:
            hidden += case.filtered
            undecided += not case.filtered
            if not case.filtered:
                print(f"{seed}: undecided: {verdict.undecided} {overdrives_db(case)}")
        for stage in verdict.stages or ("none",):
            named[stage] = named.get(stage, 0) + 1
    print(
        f"{count} cases: {wrong} wrong; {undecided} of {count - filtered} without a filter "
        f"undecided; {hidden} of {filtered} behind a filter hidden; named {named}"
    )
    return 1 if wrong or undecided > 0.05 * (count - filtered) else 0


if __name__ == "__main__":
    given = [int(argument) for argument in sys.argv[1:]]
    sys.exit(main(given[0] if given else 300, given[1] if len(given) > 1 else 1))
