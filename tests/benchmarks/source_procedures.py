"""Random sources on the simulated car, gone through by the procedures with simulated hands.

    python -m tests.benchmarks.source_procedures [COUNT] [FIRST_SEED]
        [--wires-only] [--tone-controls] [--middle] [--seeds 1005,1012] [--minutes 40]

Truth comes from the car files by closed forms: Butterworth, the published bell, the documented
shelf of withdrawn bass, the peak of a sine against limiter and clip point. Prints one line a miss,
a summary of every demand, and ends with 1 where one is not met. With ``--tone-controls`` half of
the sources have a bass control, half a treble control. With ``--middle`` the channel is one of the
middle band: the upper tone comes first, the bass tone second. With ``--minutes`` no source is begun
after so long.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from levelset.session import open_demo_session
from tests.procedures.source_truth import (
    BASS_TONE_HZ,
    MIDDLE_BAND_HZ,
    SECOND_BASS_HZ,
    UPPER_TONE_HZ,
    car_with_source,
    clean_answers,
    noise_v_rms,
    random_source,
    response_db,
    true_clean,
    true_wire,
    wire_snr_db,
)

WIRE_STEPS = ("which_wire",)
ALL_STEPS = ("calibrate", "output_kind", *WIRE_STEPS, "clean_volume", "response", "noise")
CLEAR_SNR_DB = 30.0
MOST_UNTOLD = 0.05
RESPONSE_DB, NOISE_DB, CORNER = 0.3, 0.5, 0.03
MIDDLE_DB = 0.01
"""What taking a curve's own level off may shift it by, dB."""


def run(car: str, steps: tuple[str, ...], seed: int, folder: Path) -> dict:
    """Run procedures on a car file's text; return the steps by name."""
    path = folder / f"car-{seed}.toml"
    path.write_text(car, "utf-8")
    session = open_demo_session(path, folder / "jobs", seed=seed, fast=True)
    try:
        for name in steps:
            session.run_one(session.simulated_hands, name, None)
        return {step.procedure: step for step in session.job.steps()}
    finally:
        session.close()


def wire_verdict(source: dict, step) -> str:
    """Return right, cannot tell or WRONG."""
    channel, polarity = true_wire(source)
    told = step.result
    if step.outcome != "accepted":
        return "cannot tell"
    if channel is None:
        return "right" if told["channel"] is None else "WRONG"
    if told["channel"] is None or told["polarity"] == "cannot_tell":
        wrong = told["channel"] not in (None, channel)
        return "WRONG" if wrong else "cannot tell"
    return "right" if (told["channel"], told["polarity"]) == (channel, polarity) else "WRONG"


def clean_verdict(source: dict, step) -> str:
    """Return right, right at the clip point, not told or WRONG."""
    if step.outcome != "accepted":
        return "not told"
    is_upper_first = step.result["tone_hz"] == UPPER_TONE_HZ
    bass_hz = SECOND_BASS_HZ if is_upper_first else BASS_TONE_HZ
    if step.result["volume"] == true_clean(source, bass_hz):
        return "right"
    is_near = step.result["volume"] in clean_answers(source, bass_hz)
    return "right, at the clip point" if is_near else "WRONG"


@dataclass(frozen=True)
class CurveError:
    """A curve from 20 Hz to 16 kHz against its closed form, its own level taken off.

    `worst_db` is the largest error; `beyond_db` the largest that is neither within 0.3 dB nor
    within twice what its place states (95 %; one in 20 is outside of that by its meaning);
    `weak` counts the places that state more than 0.3 dB, `places` all, `inside` those within
    what they state.
    """

    worst_db: float
    beyond_db: float
    weak: int
    places: int
    inside: int


def curve_error(source: dict, row: dict) -> CurveError:
    """Compare a curve. Where the source passes 40 dB less than elsewhere it passes nothing."""
    points = [p for p in row["bands"] if 19.0 < p["frequency_hz"] < 16_500.0]
    hz = np.array([p["frequency_hz"] for p in points])
    read = np.array([p["level_db"]["value"] for p in points])
    stated = np.array([np.inf if p["below"] else p["level_db"]["u"] for p in points])
    truth = response_db(source, hz, row["volume"])
    passed = truth > truth.max() - 40.0
    sure = passed & (stated < RESPONSE_DB)
    middle = float(np.median((read - truth)[sure])) if sure.any() else 0.0
    error = np.abs(read - truth - middle)
    told = passed & np.isfinite(stated)
    beyond = told & (error > np.maximum(RESPONSE_DB, 2.0 * stated))
    return CurveError(
        float(error[told].max(initial=0.0)),
        float(error[beyond].max(initial=0.0)),
        int((passed & ~sure).sum()),
        int(told.sum()),
        int((told & (error <= stated + MIDDLE_DB)).sum()),
    )


def corner_verdict(source: dict, step) -> str | None:
    """Return within, uncertain in words, or WRONG; None where the source has no high-pass."""
    corner_hz = source.get("highpass_hz")
    if corner_hz is None:
        return None
    edge = (step.result["filters"] or {}).get("high_pass")
    if edge is None:
        return "not told"
    told = edge["corner_hz"]
    if abs(told["value"] / corner_hz - 1.0) <= CORNER:
        return "within"
    covered = abs(told["value"] - corner_hz) <= told["u"] and told["u"] > CORNER * told["value"]
    return "said to be uncertain" if covered else "WRONG"


@dataclass
class Tally:
    """What came of all sources."""

    count: int = 0
    wires: Counter = field(default_factory=Counter)
    clear_wires: Counter = field(default_factory=Counter)
    volumes: Counter = field(default_factory=Counter)
    corners: Counter = field(default_factory=Counter)
    failed: Counter = field(default_factory=Counter)
    curves: list = field(default_factory=list)
    noises: list = field(default_factory=list)
    limits: list = field(default_factory=list)

    def add(self, seed: int, source: dict, done: dict) -> None:
        """Judge one source and print what is amiss."""
        amiss: list[str] = []
        self._wire(source, done["which_wire"], amiss)
        for name in ("clean_volume", "response", "noise"):
            step = done.get(name)
            if step is None:
                continue
            if step.outcome == "accepted" or name == "clean_volume":
                getattr(self, f"_{name}")(source, step, amiss)
            else:
                self.failed[name] += 1
                amiss.append(f"{name} {step.outcome}: {step.sentence}")
        self.count += 1
        if self.count % 20 == 0:
            print(f"{self.count} sources done", flush=True)
        if amiss:
            print(f"seed {seed}: {'; '.join(amiss)}\n    {source}", flush=True)

    def _wire(self, source: dict, step, amiss: list[str]) -> None:
        verdict = wire_verdict(source, step)
        wire = step.result.get("wire")
        volume = source["start_volume"] if wire is None else wire["volume"]
        snr_db = wire_snr_db(source, volume)
        self.wires[verdict] += 1
        if snr_db > CLEAR_SNR_DB:
            self.clear_wires[verdict] += 1
        if verdict != "right":
            amiss.append(f"wire {verdict} at {snr_db:.0f} dB, is {true_wire(source)}")
            amiss.append(step.sentence)

    def _clean_volume(self, source: dict, step, amiss: list[str]) -> None:
        verdict = clean_verdict(source, step)
        self.volumes[verdict] += 1
        if verdict != "right":
            amiss.append(f"clean volume {verdict}, is {true_clean(source)}: {step.sentence}")

    def _response(self, source: dict, step, amiss: list[str]) -> None:
        for row in filter(None, (step.result["quiet"], step.result["loud"])):
            error = curve_error(source, row)
            self.curves.append(error)
            if error.worst_db > RESPONSE_DB or error.weak:
                amiss.append(f"response at {row['volume']}: {error}")
        verdict = corner_verdict(source, step)
        if verdict is not None:
            self.corners[verdict] += 1
            if verdict != "within":
                amiss.append(f"corner {verdict}: {step.result['filters']}")

    def _noise(self, source: dict, step, amiss: list[str]) -> None:
        level = step.result["unweighted"]
        error = 20.0 * np.log10(level["volts_rms"]["value"] / noise_v_rms(source))
        (self.limits if level["below"] else self.noises).append(error)
        if (level["below"] and error < 0.0) or (not level["below"] and abs(error) > NOISE_DB):
            amiss.append(f"noise {error:.2f} dB: {level}")

    def summary(self) -> bool:
        """Print every demand; return whether all are met."""
        clear = sum(self.clear_wires.values())
        untold = self.clear_wires["cannot tell"]
        print(f"{self.count} sources")
        demands = [
            (
                f"channel and polarity of {sum(self.wires.values())}: {dict(self.wires)}; above "
                f"{CLEAR_SNR_DB:.0f} dB, {clear}: {dict(self.clear_wires)}",
                self.wires["WRONG"] == 0 and untold <= MOST_UNTOLD * clear,
            )
        ]
        if self.volumes:
            demands += [
                (
                    f"clean volume of {sum(self.volumes.values())}: {dict(self.volumes)}",
                    self.volumes["WRONG"] + self.volumes["not told"] == 0,
                ),
                self._curves_summary(),
                (
                    f"corners of {sum(self.corners.values())} high-passes: {dict(self.corners)}",
                    self.corners["WRONG"] + self.corners["not told"] == 0,
                ),
                self._noises_summary(),
                (f"steps that failed: {dict(self.failed)}", not self.failed),
            ]
        for text, met in demands:
            print(f"{'met    ' if met else 'NOT MET'}  {text}")
        return all(met for _, met in demands)

    def _curves_summary(self) -> tuple[str, bool]:
        worst = np.array([curve.worst_db for curve in self.curves])
        beyond = max((curve.beyond_db for curve in self.curves), default=0.0)
        places = sum(curve.places for curve in self.curves)
        inside = sum(curve.inside for curve in self.curves)
        return (
            f"response, 20 Hz to 16 kHz, {worst.size} curves: {np.sum(worst <= RESPONSE_DB)} "
            f"within {RESPONSE_DB} dB everywhere, worst {worst.max(initial=0.0):.3f} dB, median "
            f"{np.median(worst) if worst.size else 0.0:.3f} dB; "
            f"{sum(curve.weak for curve in self.curves)} of {places} places, in "
            f"{sum(curve.weak > 0 for curve in self.curves)} curves, state more than that "
            f"themselves; {inside / max(places, 1):.1%} of all within what they state; worst "
            f"beyond {RESPONSE_DB} dB and twice what is stated: {beyond:.3f} dB",
            worst.size > 0 and beyond == 0.0,
        )

    def _noises_summary(self) -> tuple[str, bool]:
        worst = float(np.abs(self.noises).max(initial=0.0))
        low = sum(error < 0.0 for error in self.limits)
        return (
            f"noise: {len(self.noises)} numbers, worst {worst:.3f} dB; {len(self.limits)} limits, "
            f"{low} of them too low",
            worst <= NOISE_DB and low == 0,
        )


def main() -> int:
    """Run the campaign and print what came of it."""
    words = sys.argv[1:]
    chosen: list[int] = []
    if "--seeds" in words:
        at = words.index("--seeds")
        chosen = [int(seed) for seed in words[at + 1].split(",")]
        del words[at : at + 2]
    until_s = float("inf")
    if "--minutes" in words:
        at = words.index("--minutes")
        until_s = time.monotonic() + 60.0 * float(words[at + 1])
        del words[at : at + 2]
    steps = WIRE_STEPS if "--wires-only" in words else ALL_STEPS
    bands = [MIDDLE_BAND_HZ] if "--middle" in words else []
    numbers = [int(word) for word in words if not word.startswith("-")]
    count, first = (numbers + [40, 0][len(numbers) :])[:2]
    tally = Tally()
    with tempfile.TemporaryDirectory() as name:
        for seed in chosen or range(first, first + count):
            if time.monotonic() > until_s:
                break
            source = random_source(seed, tone_controls="--tone-controls" in words)
            car = car_with_source(source, *bands)
            try:
                done = run(car, steps, seed, Path(name))
            except Exception as error:  # a source on which it breaks is a miss, not the end
                tally.failed["broke"] += 1
                print(f"seed {seed}: broke: {error!r}\n    {source}", flush=True)
                continue
            tally.add(seed, source, done)
    return 0 if tally.summary() else 1


if __name__ == "__main__":
    sys.exit(main())
