"""Battery touch, tap check and offset by simulated hands; truth from the car files."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from levelset.procedures.dc_offset import _verdict
from levelset.procedures.tap_check import _wake_up
from levelset.quantity import Quantity
from levelset.record.verification import verify_job
from levelset.session import open_demo_session

CAR = Path(__file__).parent / "cars" / "bridged_clips_first.toml"


def car_file(folder, **changes):
    """Write the invented car with other values; keys are unique in the file but for output."""
    text = CAR.read_text("utf-8")
    head, tail = text.split("[[amplifier]]")
    for key, value in changes.items():
        section = head if key in ("output", "bias_volts", "offset_millivolts") else tail
        old = next(line for line in section.splitlines() if line.startswith(f"{key} = "))
        new = section.replace(old, f"{key} = {value}")
        head, tail = (new, tail) if section is head else (head, new)
    path = folder / "car.toml"
    path.write_text(f"{head}[[amplifier]]{tail}", "utf-8")
    return path


def run(folder, steps, seed=3, **changes):
    """Run some procedures; return their results by name, and the job's folder."""
    session = open_demo_session(car_file(folder, **changes), folder / "jobs", seed=seed, fast=True)
    try:
        for name, channel in steps:
            session.run_one(session.simulated_hands, name, channel)
        done = {step.procedure: step for step in session.job.steps()}
    finally:
        session.close()
    return done, session.job_path


TAP = (("calibrate", None), ("battery_touch", None), ("tap_check", None))


@pytest.mark.parametrize(
    ("output", "bias_v", "offset_mv", "seed"),
    [
        ("bridged", 0.0, 200.0, 1),
        ("bridged", 1.8, -200.0, 2),
        ("bridged", 7.5, 20.0, 3),
        ("grounded", 0.0, -120.0, 4),
        ("grounded", 0.0, 0.0, 5),
        ("line", 0.0, 3.0, 6),
    ],
)
def test_legs_of_a_source(tmp_path, output, bias_v, offset_mv, seed):
    changes = {
        "output": f'"{output}"',
        "bias_volts": bias_v,
        "offset_millivolts": offset_mv,
    }
    done, job = run(tmp_path, TAP, seed, **changes)
    assert done["battery_touch"].outcome == done["tap_check"].outcome == "accepted"
    result = done["tap_check"].result
    offset_v = offset_mv / 1000.0
    if output == "bridged":
        legs = (bias_v + offset_v / 2.0, bias_v - offset_v / 2.0)
    else:
        legs = (offset_v, 0.0)
    found = (*result["bias_v"].values(), result["offset_v"])
    for quantity, truth in zip(found, (*legs, offset_v), strict=True):
        assert abs(quantity["value"] - truth) <= 1.2 * quantity["u"]
        assert quantity["u"] < 0.009 * abs(truth) + 0.006
    assert result["kind"] == ("bridged" if output == "bridged" and bias_v > 1.0 else "unknown")
    assert result["polarity"] == "cannot_tell"
    assert not result["typed"]
    assert verify_job(job).ok


def test_offset_of_an_amplifier_and_low_tones_by_the_coupling_found(tmp_path):
    steps = (*TAP[:2], ("dc_offset", "front left"))
    done, job = run(tmp_path, steps, output_offset_millivolts=62)
    offset = done["dc_offset"].result["volts"]
    assert abs(offset["value"] - 0.062) <= offset["u"] < 0.006
    assert done["dc_offset"].outcome == "limited"
    found = done["battery_touch"].result["coefficients"]
    # One pole at 4.5 Hz: c1 = 2 pi f.
    assert found[0] == pytest.approx(2.0 * 3.141592653589793 * 4.5, rel=1e-3)
    verification = verify_job(job)
    assert verification.ok, verification.first_fault


def test_typed_where_there_was_no_battery(tmp_path):
    done, job = run(tmp_path, (TAP[0], TAP[2]))
    result = done["tap_check"].result
    assert result["typed"]
    assert result["bias_v"]["positive"]["value"] == pytest.approx(5.2 - 0.0175, abs=0.05)
    assert result["offset_v"]["value"] == pytest.approx(-0.035, abs=0.03)
    assert verify_job(job).ok


def test_a_changed_touch_does_not_hold(tmp_path):
    _, job = run(tmp_path, TAP)
    assert verify_job(job).ok
    lines = [json.loads(line) for line in (job / "journal.jsonl").read_text("utf-8").splitlines()]
    touches = [line for line in lines if line["kind"] == "touch"]
    assert {line["data"]["as_what"] for line in touches} == {"battery_touch", "tap_check"}
    copy = tmp_path / "copy"
    shutil.copytree(job, copy)
    capture = copy / "captures" / f"{touches[-1]['data']['capture']}.flac"
    data = bytearray(capture.read_bytes())
    data[len(data) // 2] ^= 1
    capture.write_bytes(bytes(data))
    assert not verify_job(copy).ok


@pytest.mark.parametrize(
    ("volts", "u", "outcome", "verdict"),
    [
        (0.02, 0.004, "accepted", "ok"),
        (-0.048, 0.004, "limited", "too close to call"),
        (0.07, 0.004, "limited", "look again"),
        (0.098, 0.004, "limited", "too close to call"),
        (-0.2, 0.004, "failed", "fault"),
    ],
)
def test_limits_of_an_offset(volts, u, outcome, verdict):
    assert _verdict(Quantity(volts, u, "V"))[:2] == (outcome, verdict)


def test_wake_up_promises_nothing_without_the_manual():
    bias = Quantity(6.0, 0.04, "V")
    assert "not known" in _wake_up(bias, None)
    assert _wake_up(bias, 3.0).startswith("Enough")
    assert _wake_up(bias, 9.0).startswith("Not enough")
    assert "Too close" in _wake_up(bias, 6.02)
