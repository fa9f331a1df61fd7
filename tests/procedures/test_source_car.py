"""The source's procedures by simulated hands on a car with everything that a source can have.

Truth by closed forms from the car file (`source_truth.py`), not from the package.
"""

from __future__ import annotations

import hashlib
import json
import shutil

import numpy as np
import pytest

from levelset.record.verification import verify_job
from levelset.session import open_demo_session
from tests.procedures.source_truth import (
    car_with_source,
    noise_v_rms,
    response_db,
    source_with,
    true_clean,
)

SOURCE = source_with(
    polarity="reversed",
    channel="right",
    highpass_hz=32.0,
    equaliser=[[2500.0, -5.0, 1.2]],
    bass_withdrawn_db_at_max=9.0,
    noise_millivolts=4.0,
    hum_millivolts=6.0,
    alternator_millivolts=5.0,
    delay_ms=31.0,
)
SECOND_TAP = """
[[source.tap]]
name = "second"
channel = "right"
level_db = -2.0
delay_ms = 33.0
"""
STEPS = ("calibrate", "output_kind", "which_wire", "two_taps", "clean_volume", "response", "noise")


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """Run every procedure of the source once; return steps by name, and the job's folder."""
    folder = tmp_path_factory.mktemp("source")
    text = car_with_source(SOURCE)
    car = folder / "car.toml"
    car.write_text(text.replace("\n[[amplifier]]", f"{SECOND_TAP}\n[[amplifier]]"), "utf-8")
    session = open_demo_session(car, folder / "jobs", seed=5, fast=True)
    try:
        for name in STEPS:
            session.run_one(session.simulated_hands, name, None)
        steps = {step.procedure: step for step in session.job.steps()}
    finally:
        session.close()
    return steps, session.job_path


def test_every_step_is_done(done):
    steps, _ = done
    assert {name: steps[name].outcome for name in STEPS} == dict.fromkeys(STEPS, "accepted")


def test_wire(done):
    result = done[0]["which_wire"].result
    assert (result["channel"], result["polarity"]) == ("right", "reversed")


def test_two_taps(done):
    """The second tap has its own delay and normal polarity in place of the source's."""
    compared = done[0]["two_taps"].result["compared"]
    assert compared["level_db"]["value"] == pytest.approx(-2.0, abs=0.1)
    delay = compared["delay_s"]
    assert delay["value"] == pytest.approx(2e-3, abs=max(delay["u"], 5e-5))


def test_clean_volume_of_both_tones_and_withdrawn_bass(done):
    result = done[0]["clean_volume"].result
    assert result["volume"] == true_clean(SOURCE)
    assert result["limited_by"] == "clipping"
    assert result["bass_withdrawn_from"] > 0.5 * SOURCE["max_volume"]


@pytest.mark.parametrize("which", ["quiet", "loud"])
def test_response(done, which):
    row = done[0]["response"].result[which]
    points = [p for p in row["bands"] if not p["below"] and p["frequency_hz"] < 16_500.0]
    hz = np.array([p["frequency_hz"] for p in points])
    read = np.array([p["level_db"]["value"] for p in points])
    error = read - response_db(SOURCE, hz, row["volume"])
    assert len(points) >= 28
    # The level itself carries the multimeter's error; the shape does not.
    assert np.abs(error - np.median(error)).max() < 0.3


def test_response_in_words(done):
    result = done[0]["response"].result
    assert result["filters"]["high_pass"]["corner_hz"]["value"] == pytest.approx(32.0, rel=0.03)
    [boost] = result["filters"]["boosts"]
    assert boost["gain_db"]["value"] == pytest.approx(-5.0, abs=0.2)
    assert result["change"]["bass_withdrawn"]
    assert "Bass is withdrawn" in done[0]["response"].sentence


def test_noise(done):
    result = done[0]["noise"].result
    level = result["unweighted"]
    assert not level["below"]
    assert 20.0 * np.log10(level["volts_rms"]["value"] / noise_v_rms(SOURCE)) == pytest.approx(
        0.0, abs=0.5
    )
    assert result["hum"]["mains_hz"] == pytest.approx(50.0, abs=0.1)
    assert result["whine"]["speed_ratio"] > 1.5


def test_record_proves_itself_and_shows_what_was_changed(done, tmp_path):
    _, job = done
    verified = verify_job(job)
    assert verified.ok, verified.first_fault
    copy = tmp_path / "copy"
    shutil.copytree(job, copy)
    lines = [json.loads(line) for line in (copy / "journal.jsonl").read_text("utf-8").splitlines()]
    stretches = [line["data"] for line in lines if line["kind"] == "stretch"]
    assert {data["as_what"] for data in stretches} >= {
        "which_wire",
        "two_taps",
        "response",
        "noise",
    }
    capture = copy / "captures" / f"{stretches[0]['capture']}.flac"
    data = bytearray(capture.read_bytes())
    data[len(data) // 2] ^= 1
    capture.write_bytes(bytes(data))
    assert not verify_job(copy).ok


@pytest.mark.parametrize(("analysis", "holds"), [(2, True), (3, False)])
def test_what_an_earlier_analysis_took_for_distortion_is_a_note(done, tmp_path, analysis, holds):
    job = tmp_path / "job"
    shutil.copytree(done[1], job)
    lines = [json.loads(raw) for raw in (job / "journal.jsonl").read_bytes().splitlines()]
    lines[0]["data"]["analysis"] = analysis
    for line in lines:
        if line["kind"] == "stretch" and line["data"]["spec"]["analysis"] == "response":
            line["data"]["readings"][0]["found"]["even_percent"]["value"] += 60.0
    prev, out = "0" * 64, []
    for line in lines:
        raw = json.dumps({**line, "prev": prev}, separators=(",", ":")).encode()
        prev = hashlib.sha256(raw).hexdigest()
        out.append(raw + b"\n")
    (job / "journal.jsonl").write_bytes(b"".join(out))
    head = {"seq": lines[-1]["seq"], "sha256": prev}
    (job / "head.json").write_text(json.dumps(head, separators=(",", ":")) + "\n")
    answer = verify_job(job)
    notes = [note for note in answer.notes if "hum and whine" in note]
    faults = [fault for fault in answer.faults if "computed again" in str(fault)]
    assert (bool(notes), bool(faults)) == (holds, not holds)
