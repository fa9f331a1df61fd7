"""Jobs for the tests of the report: invented vehicles, synthetic captures, the real analysis."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from record_jobs import (
    BEGIN,
    RATE_HZ,
    TONE_HZ,
    calibration_from,
    clock,
    codes,
    plan,
    reading_data,
    spec,
    step_data,
)

from levelset.probe.volts import read_tips
from levelset.record.customer import write_customer
from levelset.record.job import Job

FRAMES = 12_000


def channel_names(count: int) -> list[str]:
    return [f"channel {n}" for n in range(1, count + 1)]


def whole_job(
    parent: Path,
    *,
    channels: int,
    gain: float = 0.2,
    title: str = "Invented estate: everything",
    text: str = "as it should be",
    names: list[str] | None = None,
    scale: float = 1.0,
    seed: int = 10,
    target_volts_rms: float = 22.8,
    verify_gain: float | None = None,
    customer: dict[str, Any] | None = None,
) -> Path:
    """Make a job: calibration, clean volume, a response, gain and DC of every channel, verify.

    ``text`` stands wherever a person can type or a procedure writes words; ``gain`` is the
    amplitude of every channel in full scale, ``scale`` what the multimeter reads over the truth.
    """
    names = channel_names(channels) if names is None else names
    template = plan().channels[0]
    made = replace(
        plan(), vehicle=text, channels=tuple(replace(template, name=name) for name in names)
    )
    with Job.create(parent, title, made, BEGIN, clock=clock()) as job:
        for step in ("calibrate", "gain"):
            about = {"procedure": step, "channel": None}
            job.append("caution", {**about, "key": "probe", "text": f"Ground first. {text}"})
            job.append("answer", {**about, "question": f"Reads? {text}", "value": 5.0, "unit": "V"})
        job.append("answer", {**about, "question": "Which?", "value": text, "unit": ""})

        def read(raw, procedure, as_what, channel=None, known=None):
            return reading_data(
                job,
                raw,
                procedure=procedure,
                as_what=as_what,
                channel=channel,
                calibration=known,
                read=read_tips,
                tone=replace(spec(), window_s=FRAMES / RATE_HZ),
            )

        raw = codes(1, 0.05, FRAMES)
        raw[:, 1] = np.rint(0.997 * raw[:, 0])
        data = read(raw, "calibrate", "calibration")
        seq = job.append("reading", data)
        calibration = calibration_from(data, seq, 5.0 * scale)
        known = (job.append("calibration", asdict(calibration)), calibration)
        job.append("step", step_data("calibrate", None, {"reading_seq": seq}))

        data = read(codes(2, 0.07, FRAMES), "clean_volume", "clean_volume", known=known)
        seq = job.append("reading", data)
        output = data["readings"][-1]
        curve = [
            {
                "volume": v,
                "volts_rms": 0.1 * 1.2 ** (v - 10),
                "thd_percent": 0.02 if v < 31 else 4.0,
            }
            for v in range(10, 32)
        ]
        job.append(
            "step",
            step_data(
                "clean_volume",
                None,
                {
                    "volume": 30,
                    "volts_rms": output["volts_rms"],
                    "thd_percent": output["thd_percent"],
                    "tone_hz": TONE_HZ,
                    "reading_seq": seq,
                    "curve": curve,
                },
            ),
        )
        bands = [
            {"frequency_hz": hz, "level_db": {"value": -0.1 * n, "u": 0.2}, "below": n == 5}
            for n, hz in enumerate((20, 50, 100, 500, 1000, 5000, 20000))
        ]
        job.append("step", step_data("response", None, {"loud": {"bands": bands, "volume": 30}}))
        rows = []
        for n, name in enumerate(names):
            data = read(codes(seed + n, gain, FRAMES), "gain", "gain", name, known)
            seq = job.append("reading", data)
            output = data["readings"][-1]
            result = {
                "target_volts_rms": target_volts_rms,
                "set_volts_rms": output["volts_rms"],
                "watts": {"value": 100.0, "u": 3.0},
                "load_connected": False,
                "limited_by": "target",
                "clip_volts_rms": None,
                "below_clipping_db": None,
                "thd_percent": output["thd_percent"],
                "reading_seq": seq,
            }
            step = {**step_data("gain", name, result), "sentence": f"{name}: set. {text}"}
            job.append("step", step)
            offset = {"volts": {"value": 0.008, "u": 0.001}, "verdict": "ok", "typed": False}
            job.append("step", step_data("dc_offset", name, offset))
        for n, name in enumerate(names):
            amplitude = gain if verify_gain is None else verify_gain
            data = read(codes(seed + 50 + n, amplitude, FRAMES), "verify", "verify", name, known)
            seq = job.append("reading", data)
            output = data["readings"][-1]
            rows.append(
                {
                    "channel": name,
                    "verdict": "ok",
                    "volts_rms": output["volts_rms"],
                    "thd_percent": output["thd_percent"],
                    "reading_seq": seq,
                    "reading": output,
                }
            )
        job.append("step", step_data("verify", None, {"channels": rows}))
        job.append("note", {"text": text, "about": None})
        if customer is not None:
            write_customer(job.path, customer)
        return job.path


def rewrite_line(path: Path, seq: int, change: Any) -> None:
    """Alter one line of a journal as a text editor would, without mending the chain."""
    journal = path / "journal.jsonl"
    lines = journal.read_bytes().split(b"\n")
    data = json.loads(lines[seq - 1])
    change(data)
    lines[seq - 1] = json.dumps(data).encode()
    journal.write_bytes(b"\n".join(lines))
