"""Battery touch, tap check and offset by simulated hands; truth from the car files."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest

from levelset.plan.job import MeterSpec
from levelset.procedures.dc_offset import _verdict
from levelset.procedures.protocol import Answer
from levelset.procedures.supply_voltage import _drops
from levelset.procedures.tap_check import _kind, _wake_up
from levelset.quantity import Quantity
from levelset.record.touch_evidence import touch_step_difference
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


TAP = (
    ("calibrate", None),
    ("battery_touch", None),
    ("output_kind", None),
    ("tap_check", None),
)


@pytest.mark.parametrize(
    ("output", "bias_v", "offset_mv", "seed"),
    [
        ("bridged", 0.0, 200.0, 1),
        ("bridged", 7.5, -200.0, 3),
        ("grounded", 0.0, -120.0, 4),
        ("line", 0.0, 0.0, 6),
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
    # Without bias the tone tells; it cannot tell a line output from a grounded one.
    assert result["kind"] == ("bridged" if output == "bridged" else "grounded")
    assert result["polarity"] == "normal"
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


def test_an_offset_too_close_to_call_is_read_with_the_tips_changed_over(tmp_path):
    steps = (*TAP[:2], ("dc_offset", "front left"))
    done, job = run(tmp_path, steps, output_offset_millivolts=49.8)
    result = done["dc_offset"].result
    assert result["swapped_seq"] > result["touch_seq"]
    assert abs(result["volts"]["value"] - 0.0498) <= result["volts"]["u"] < 0.004
    verification = verify_job(job)
    assert verification.ok, verification.first_fault
    # A mean that the two touches do not give is found.
    lines = [json.loads(line) for line in (job / "journal.jsonl").read_text("utf-8").splitlines()]
    by_seq = {line["seq"]: SimpleNamespace(**line) for line in lines}
    assert touch_step_difference(result, by_seq) == ""
    for wrong in ({"volts": {**result["volts"], "u": 0.0001}}, {"swapped_seq": 1}):
        assert touch_step_difference({**result, **wrong}, by_seq)


@pytest.mark.parametrize("by_touch", [True, False])
def test_supply_at_rest_and_running(tmp_path, by_touch):
    steps = (*TAP[: 1 + by_touch], ("supply_voltage", None))
    done, job = run(tmp_path, steps)
    step = done["supply_voltage"]
    assert step.outcome == "accepted"
    assert step.result["typed"] is not by_touch
    for key, truth in (("engine_off_v", 12.2), ("engine_on_v", 14.0)):
        found = step.result[key]
        assert abs(found["value"] - truth) <= found["u"] < 0.12
    assert step.result["drop_plus_v"] is None
    assert verify_job(job).ok
    if by_touch:
        lines = (job / "journal.jsonl").read_text("utf-8").splitlines()
        by_seq = {line["seq"]: SimpleNamespace(**line) for line in map(json.loads, lines)}
        wrong = {**step.result, "engine_on_v": step.result["engine_off_v"]}
        assert touch_step_difference(step.result, by_seq) == ""
        assert touch_step_difference(wrong, by_seq)


def test_drops_under_load_are_typed_and_optional():
    """The answers of a person drive the steps; no hand of the simulation reaches both ends."""
    plan = SimpleNamespace(probe=SimpleNamespace(max_volts=120.0))
    meter = MeterSpec(0.5, 2, 0.01)
    steps = _drops(plan, meter)
    assert next(steps).answer == "yes_no"
    assert "ground terminal" not in steps.send(Answer("yes")).sentence
    assert "ground terminal" in steps.send(Answer(0.31)).sentence
    with pytest.raises(StopIteration) as end:
        steps.send(Answer(0.12))
    assert end.value.value["drop_plus_v"].value == 0.31
    assert end.value.value["drop_ground_v"].u == pytest.approx(0.12 * 0.005 + 0.02)


@pytest.mark.parametrize(
    ("positive", "negative", "by_tone", "kind"),
    [
        (6.0, 6.1, "unknown", "bridged"),
        (6.0, 6.1, "bridged", "bridged"),
        (6.0, 6.1, "grounded", "unknown"),
        (0.1, -0.1, "bridged", "bridged"),
        (0.1, 0.0, "grounded", "grounded"),
        (0.1, 0.0, "unknown", "unknown"),
        (6.0, None, "unknown", "unknown"),
    ],
)
def test_kind_by_bias_and_tone(positive, negative, by_tone, kind):
    legs = [None if v is None else Quantity(v, 0.05, "V") for v in (positive, negative)]
    assert _kind(*legs, by_tone)[0] == kind


def test_typed_where_there_was_no_battery(tmp_path):
    done, job = run(tmp_path, (TAP[0], TAP[3]))
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
