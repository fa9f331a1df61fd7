"""Jobs for the tests of the record: an invented plan, synthetic captures, a stand-in analysis.

The stand-in reads an RMS value and nothing else, so that the record is tested without the tone
analysis. Whether both work together is tested with the real one in ``test_real_analysis.py``.
"""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from levelset.analysis.result import ToneResult
from levelset.plan.job import ChannelPlan, JobPlan, MeterSpec, ProbePlan, SourcePlan
from levelset.plan.target import Rating, Target
from levelset.probe.calibration import Calibration
from levelset.probe.reading import Frames, Reading, TipsReading, ToneSpec, reading_as_json
from levelset.quantity import Quantity
from levelset.record.job import Job
from levelset.units import SQRT2

RATE_HZ = 48000
TONE_HZ = 101.3
BEGIN = datetime(2031, 5, 4, 9, 30, tzinfo=UTC)
TARGET = Target(2.0, 260.0, 22.8, 22.28, 0.0, None, "target")


def plan() -> JobPlan:
    bass = ChannelPlan(
        name="bass",
        load="4||4",
        net_load_ohm=2.0,
        ratings=(Rating(4.0, 150.0), Rating(2.0, 260.0)),
        rated_supply_v=14.4,
        loudspeaker_w=None,
        band_hz=(25.0, 80.0),
        set_tone_hz=44.3,
        target=TARGET,
    )
    return JobPlan(
        vehicle="invented estate",
        invented=True,
        source=SourcePlan(40, 10),
        channels=(bass,),
        probe=ProbePlan(100.0, 120.0, 1.5, (2.1, 0.9), 2, MeterSpec(0.8, 3.0, 0.01)),
        tone_from="vehicle",
        limit_percent=1.0,
        margin_db=0.5,
    )


def clock(start: datetime = BEGIN):
    """Return a clock that moves on by 1.5 s whenever it is read."""
    now = start

    def read() -> datetime:
        nonlocal now
        now += timedelta(seconds=1.5)
        return now

    return read


def spec(output: str = "grounded") -> ToneSpec:
    return ToneSpec(TONE_HZ, 0.02, 1.0, output, True)


def codes(seed: int, amplitude: float, frames: int = 960) -> NDArray[np.int32]:
    """Return a noisy tone on tip A and next to nothing on tip B, as 24-bit codes."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(frames) / RATE_HZ
    tone = amplitude * np.sin(2.0 * np.pi * TONE_HZ * time_s + 0.3)
    both = np.stack([tone, 0.01 * tone], axis=1) + rng.normal(0.0, 1e-5, (frames, 2))
    return np.rint(both * 2**23).astype(np.int32)


def read_stand_in(
    samples: NDArray[np.float64],
    frames: Frames,
    spec: ToneSpec,
    calibration: Calibration | None,
) -> TipsReading:
    """Read RMS values, with the signature of the real analysis."""

    def one(channel: Any, x: NDArray[np.float64], tip: int) -> Reading:
        amplitude = SQRT2 * float(np.std(x))
        level = 20.0 * float(np.log10(amplitude))
        tone = ToneResult(
            void=None,
            amplitude_fs=Quantity(amplitude, 1e-4 * amplitude, "FS"),
            level_dbfs=Quantity(level, 1e-3, "dB"),
            thd_percent=Quantity(0.1 * amplitude, 1e-4, "%"),
            harmonics_percent=(0.1 * amplitude, 0.02 * amplitude),
            crest_factor=float(np.max(np.abs(x)) / np.std(x)),
            peak_dbfs=20.0 * float(np.log10(np.max(np.abs(x)))),
        )
        volts = None
        if calibration is not None:
            scale = calibration.volts_per_full_scale[tip]
            volts = Quantity(amplitude * scale.value / SQRT2, 0.01, "V")
        seconds = frames.count / frames.rate_hz
        return Reading(channel, frames.first / frames.rate_hz, seconds, tone, volts, volts)

    legs = tuple(one(tip + 1, samples[:, tip], tip) for tip in range(samples.shape[1]))
    pair = one("pair", samples[:, 0] - samples[:, 1], 0)
    return TipsReading(frames, spec, legs, pair)


def reading_data(
    job: Job,
    raw: NDArray[np.int32],
    *,
    procedure: str,
    as_what: str,
    calibration: tuple[int, Calibration] | None = None,
    channel: str | None = None,
    read: Any = read_stand_in,
    tone: ToneSpec | None = None,
) -> dict[str, Any]:
    """Store a capture and return the data of the line that names it."""
    frames = Frames(0, 48000, len(raw), RATE_HZ)
    tone = spec() if tone is None else tone
    seq, known = (None, None) if calibration is None else calibration
    tips = read(raw / 2**23, frames, tone, known)
    every = [*tips.legs] if tips.pair is None else [*tips.legs, tips.pair]
    return {
        "procedure": procedure,
        "channel": channel,
        "as_what": as_what,
        "frames": asdict(frames),
        "spec": asdict(tone),
        "calibration_seq": seq,
        "capture": job.store_capture(raw, RATE_HZ),
        "readings": [reading_as_json(one) for one in every],
        "details": {},
    }


def calibration_from(data: dict[str, Any], seq: int, meter_volts_rms: float) -> Calibration:
    """Return the calibration that a reading of both tips on one point gives."""
    levels = [leg["level_dbfs"]["value"] for leg in data["readings"][:2]]
    scales = [meter_volts_rms * SQRT2 / 10.0 ** (level / 20.0) for level in levels]
    return Calibration(
        name="bench",
        port_name="interface, input 1 and 2",
        rate_hz=RATE_HZ,
        frequency_hz=TONE_HZ,
        volts_per_full_scale=tuple(Quantity(scale, 0.01 * scale, "V") for scale in scales),
        match=None,
        coupling_hz=(2.1, 0.9),
        max_volts=120.0,
        meter_volts_rms=meter_volts_rms,
        evidence=(seq,),
    )


def step_data(procedure: str, channel: str | None, result: dict[str, Any]) -> dict[str, Any]:
    return {
        "procedure": procedure,
        "channel": channel,
        "outcome": "accepted",
        "sentence": f"{procedure} is done.",
        "result": result,
        "cautions": ["probe"],
    }


def build_job(parent: Path, read: Any = read_stand_in, frames: int = 960) -> Path:
    """Make a whole job: calibration, clean volume, gain, verify; return its folder."""
    with Job.create(parent, "Invented estate: bass", plan(), BEGIN, clock=clock()) as job:
        about = {"procedure": "calibrate", "channel": None}
        job.append("caution", {**about, "key": "probe", "text": "Ground first."})
        job.append("tone", {"from": "vehicle", "name": "calibrate", "level_dbfs": None})
        question = "What does it read?"
        job.append("answer", {**about, "question": question, "value": 5.02, "unit": "V"})
        raw = codes(1, 0.05, frames)
        raw[:, 1] = np.rint(0.997 * raw[:, 0])  # both tips on one point, not quite equal
        data = reading_data(job, raw, procedure="calibrate", as_what="calibration", read=read)
        seq = job.append("reading", data)
        calibration = calibration_from(data, seq, 5.02)
        known = (job.append("calibration", asdict(calibration)), calibration)
        job.append("step", step_data("calibrate", None, {"reading_seq": seq}))

        data = reading_data(
            job,
            codes(2, 0.07, frames),
            procedure="clean_volume",
            as_what="clean_volume",
            calibration=known,
            read=read,
        )
        seq = job.append("reading", data)
        result = {"volume": 30, "volts_rms": data["readings"][-1]["volts_rms"], "reading_seq": seq}
        job.append("step", step_data("clean_volume", None, result))

        data = reading_data(
            job,
            codes(3, 0.2, frames),
            procedure="gain",
            as_what="gain",
            channel="bass",
            calibration=known,
            read=read,
        )
        seq = job.append("reading", data)
        result = {
            "target_volts_rms": TARGET.volts_rms,
            "set_volts_rms": data["readings"][-1]["volts_rms"],
            "limited_by": "target",
            "reading_seq": seq,
        }
        job.append("step", step_data("gain", "bass", result))
        data = reading_data(
            job,
            codes(4, 0.2, frames),
            procedure="verify",
            as_what="verify",
            channel="bass",
            calibration=known,
            read=read,
        )
        seq = job.append("reading", data)
        row = {
            "channel": "bass",
            "verdict": "ok",
            "reading_seq": seq,
            "reading": data["readings"][-1],
        }
        job.append("step", step_data("verify", None, {"channels": [row]}))
        return job.path
