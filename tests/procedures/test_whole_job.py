"""The whole job by simulated hands on cars that differ in every field.

The expected values come from the car files by closed forms (`truth.py`), not from the package. The
fit of every accepted capture is repeated by numpy's own least squares.
"""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from levelset.cli import cli
from levelset.record.verification import verify_job
from tests.procedures.truth import (
    expected_gain,
    source_v_rms,
    true_clean_volume,
    true_onset_v_rms,
)

CARS = sorted((Path(__file__).parent / "cars").glob("*.toml"))
SQRT2 = math.sqrt(2.0)


@pytest.fixture(scope="module", params=CARS, ids=lambda path: path.stem)
def done(request, tmp_path_factory):
    """Run the whole job once per car; return the car, the printed result and the job folder."""
    jobs = tmp_path_factory.mktemp("jobs")
    arguments = ["demo", "--hands-free", "--fast", "--json", "--car", str(request.param)]
    outcome = CliRunner().invoke(cli, [*arguments, "--jobs", str(jobs)], catch_exceptions=False)
    car = tomllib.loads(request.param.read_text("utf-8"))
    result = json.loads(outcome.output.splitlines()[-1])
    return car, result, Path(result["job"]), outcome.exit_code


def steps(result, procedure):
    return [step for step in result["steps"] if step["procedure"] == procedure]


def test_every_step_is_done(done):
    _, result, _, exit_code = done
    assert exit_code == 0
    assert result["schema"] == "levelset.job_result.v1"
    assert {step["outcome"] for step in result["steps"]} <= {"accepted", "limited"}


def test_kind_of_output(done):
    car, result, _, _ = done
    kinds = {step["channel"]: step["result"]["kind"] for step in steps(result, "output_kind")}
    assert kinds[None] == ("bridged" if car["source"]["output"] == "bridged" else "grounded")
    for amplifier in car["amplifier"]:
        assert kinds[amplifier["name"]] == amplifier["output"]


def test_clean_volume(done):
    car, result, _, _ = done
    [step] = steps(result, "clean_volume")
    assert step["result"]["volume"] == true_clean_volume(car)
    found = step["result"]["volts_rms"]
    truth = source_v_rms(car, true_clean_volume(car))
    assert abs(found["value"] - truth) <= found["u"]


def test_gain(done):
    car, result, _, _ = done
    for step, amplifier in zip(steps(result, "gain"), car["amplifier"], strict=True):
        gain = step["result"]
        limited_by, goal = expected_gain(car, amplifier)
        assert gain["limited_by"] == limited_by
        set_v = gain["set_volts_rms"]["value"]
        scale_db = 20.0 * math.log10(1.0 + gain["set_volts_rms"]["u"] / set_v)
        off_db = 20.0 * math.log10(set_v / goal)
        if limited_by in ("target", "loudspeaker"):
            # The target is met by the instrument's own volts, and never exceeded.
            assert gain["target_volts_rms"] == pytest.approx(goal, rel=1e-9)
            assert -0.1 <= off_db <= 1e-9
        elif limited_by == "clipping":
            below_db = 20.0 * math.log10(gain["clip_volts_rms"]["value"] / set_v)
            assert 0.5 <= below_db <= 0.7
            onset = gain["clip_volts_rms"]
            # Against the true onset the multimeter's error counts too.
            assert abs(onset["value"] - true_onset_v_rms(amplifier)) <= onset["u"]
            assert -0.2 - scale_db <= off_db <= scale_db
        else:
            assert abs(off_db) <= scale_db


def test_independent_fit_of_every_capture(done):
    """numpy's least squares on the raw codes gives the fundamental that the journal holds."""
    _, _, job, _ = done
    checked = 0
    lines = [json.loads(line) for line in (job / "journal.jsonl").read_text("utf-8").splitlines()]
    by_seq = {line["seq"]: line["data"] for line in lines}
    plan = lines[0]["data"]["plan"]
    poles = plan["probe"]["coupling_hz"]
    for line in lines:
        if line["kind"] != "reading":
            continue
        data = line["data"]
        codes, rate = soundfile.read(job / "captures" / f"{data['capture']}.flac", dtype="int32")
        samples = codes / 2.0**31
        calibration = by_seq.get(data["calibration_seq"])
        scales = (
            [scale["value"] for scale in calibration["volts_per_full_scale"]]
            if calibration
            else [1.0, 1.0]
        )
        signals = {1: samples[:, 0], 2: samples[:, 1]}
        signals["pair"] = samples[:, 0] - samples[:, 1] * scales[1] / scales[0]
        for reading in data["readings"]:
            if reading["void"] is not None:
                continue
            frequency = reading["frequency_hz"]["value"]
            amplitude = lstsq_amplitude(signals[reading["channel"]], rate, frequency)
            level = reading["level_dbfs"]["value"]
            at_calibration = calibration["frequency_hz"] if calibration else None
            if at_calibration:
                amplitude *= high_pass(at_calibration, poles) / high_pass(frequency, poles)
            assert 20.0 * math.log10(amplitude) == pytest.approx(level, abs=2e-3)
            if calibration:
                scale = scales[1] if reading["channel"] == 2 else scales[0]
                volts = reading["volts_rms"]["value"]
                assert amplitude * scale / SQRT2 == pytest.approx(volts, rel=3e-4)
            checked += 1
    assert checked > 20


def lstsq_amplitude(x, rate, frequency_hz, harmonics=15):
    n = np.arange(len(x)) - 0.5 * (len(x) - 1)
    numbers = [k for k in range(1, harmonics + 1) if k * frequency_hz < 0.45 * rate]
    angles = 2.0 * np.pi * frequency_hz / rate * np.outer(n, numbers)
    basis = np.hstack([np.ones((len(x), 1)), np.cos(angles), np.sin(angles)])
    solution = np.linalg.lstsq(basis, x, rcond=None)[0]
    return math.hypot(solution[1], solution[1 + len(numbers)])


def high_pass(frequency_hz, poles):
    """First-order high-pass magnitude 1 / sqrt(1 + (fc/f)^2), any circuit theory text."""
    return math.prod(1.0 / math.sqrt(1.0 + (pole / frequency_hz) ** 2) for pole in poles)


def test_record_proves_itself(done):
    _, _, job, _ = done
    result = verify_job(job)
    assert result.ok, result.first_fault
    assert result.readings > 10


def test_without_a_calibration_the_job_ends_there(tmp_path):
    text = (CARS[0]).read_text("utf-8")
    weak = [
        "volts_rms_at_max = 0.05" if line.startswith("volts_rms_at_max") else line
        for line in text.splitlines()
    ]
    car = tmp_path / "weak.toml"
    car.write_text("\n".join(weak), "utf-8")
    arguments = ["demo", "--hands-free", "--fast", "--json", "--car", str(car)]
    outcome = CliRunner().invoke(cli, [*arguments, "--jobs", str(tmp_path / "jobs")])
    result = json.loads(outcome.output.splitlines()[-1])
    ends = [(step["procedure"], step["outcome"]) for step in result["steps"]]
    assert ends[-1] == ("calibrate", "failed")
    assert "turn the source up" in result["steps"][-1]["sentence"]
    assert outcome.exit_code != 0
