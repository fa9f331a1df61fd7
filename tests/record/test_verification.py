"""Numbers that were changed by someone who can also mend the chain are found by reading again."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from record_jobs import codes, read_stand_in

from levelset.record.audio_files import write_capture
from levelset.record.comparison import OTHER_ANALYSIS, SAME_ANALYSIS, difference
from levelset.record.verification import Verification, verify_job

Edit = Callable[[list[dict[str, Any]]], None]


def forge(path: Path, edit: Edit) -> None:
    """Edit the lines of a job and make a new chain and head that fit, with other means."""
    lines = [json.loads(raw) for raw in (path / "journal.jsonl").read_bytes().splitlines()]
    edit(lines)
    prev, out = "0" * 64, []
    for line in lines:
        raw = json.dumps({**line, "prev": prev}, separators=(",", ":")).encode()
        prev = hashlib.sha256(raw).hexdigest()
        out.append(raw + b"\n")
    (path / "journal.jsonl").write_bytes(b"".join(out))
    head = json.dumps({"seq": lines[-1]["seq"], "sha256": prev}, separators=(",", ":"))
    (path / "head.json").write_text(head + "\n")


def of_kind(lines: list[dict[str, Any]], kind: str, which: int = 0) -> dict[str, Any]:
    return [line for line in lines if line["kind"] == kind][which]


def verify(path: Path) -> Verification:
    return verify_job(path, read=read_stand_in)


def test_a_whole_job_holds_and_says_what_was_done(job_path: Path) -> None:
    answer = verify(job_path)
    assert answer.ok
    assert answer.first_fault is None
    assert answer.notes == ()
    assert (answer.captures, answer.readings) == (4, 4)
    last = (job_path / "journal.jsonl").read_bytes().splitlines()[-1]
    assert answer.head_sha256 == hashlib.sha256(last).hexdigest()
    assert answer.text().startswith("holds\n")
    assert "does not prove who wrote" in answer.text()
    assert json.loads(json.dumps(answer.as_json()))["ok"] is True


def test_an_unchanged_job_with_a_new_chain_holds(job_path: Path) -> None:
    forge(job_path, lambda lines: None)
    assert verify(job_path).ok


def scaled(path: str, factor: float, which: int = 2) -> Edit:
    """Return an edit of one number of one reading, named like ``0.volts_rms.value``."""

    def edit(lines: list[dict[str, Any]]) -> None:
        at: Any = of_kind(lines, "reading", which)["data"]["readings"]
        *parents, key = [int(part) if part.isdigit() else part for part in path.split(".")]
        for part in parents:
            at = at[part]
        at[key] = at[key] * factor

    return edit


NUMBERS = [
    "0.level_dbfs.value",
    "1.level_dbfs.value",
    "2.level_dbfs.u",
    "2.volts_rms.value",
    "2.volts_rms_total.u",
    "2.thd_percent.value",
    "2.harmonics_percent.1",
    "2.crest_factor",
    "2.peak_dbfs",
    "2.start_s",
    "2.duration_s",
    "2.band_hz.0",
]


@pytest.mark.parametrize("number", NUMBERS)
@pytest.mark.parametrize("factor", [1.03, 0.97])
def test_a_changed_number_is_found(job_path: Path, number: str, factor: float) -> None:
    forge(job_path, scaled(number, factor))
    answer = verify(job_path)
    assert not answer.ok
    index, *rest = number.split(".")
    assert answer.first_fault is not None
    assert answer.first_fault.startswith("journal.jsonl line 10: readings[")
    assert f"readings[{index}].{rest[0]}" in answer.first_fault


def test_what_is_within_the_tolerance_holds(job_path: Path) -> None:
    # 20.08 V with u = 0.01 V: a hundredth of u is 5e-6 of the value; 1e-6 counts without u.
    forge(job_path, scaled("0.volts_rms.value", 1.0 + 4e-6))
    assert verify(job_path).ok
    forge(job_path, scaled("2.crest_factor", 1.0 + 0.5e-6))
    assert verify(job_path).ok
    forge(job_path, scaled("2.crest_factor", 1.0 + 2e-6))
    assert not verify(job_path).ok


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        (lambda r: r.update(void="unsteady"), "void is 'unsteady'"),
        (lambda r: r.update(clipping={"state": "clean"}), "clipping"),
        (lambda r: r.update(channel=1), "channel"),
        (lambda r: r.update(hum_not_separable=True), "hum_not_separable is True"),
        (lambda r: r.update(volts_rms=None), "volts_rms is None"),
        (lambda r: r.update(more=1), "more is on one side only"),
        (lambda r: r.pop("thd_percent"), "thd_percent is on one side only"),
        (lambda r: r["harmonics_percent"].append(0.1), "entries"),
        (lambda r: r.update(peak_dbfs="loud"), "peak_dbfs"),
        (lambda r: r.update(thd_harmonics=True), "thd_harmonics"),
    ],
)
def test_changed_states_and_fields_are_found(job_path: Path, edit: Any, says: str) -> None:
    forge(job_path, lambda lines: edit(of_kind(lines, "reading", 1)["data"]["readings"][2]))
    answer = verify(job_path)
    assert answer.first_fault is not None
    assert answer.first_fault.startswith("journal.jsonl line 8: readings[2].")
    assert says in answer.first_fault


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        (lambda d: d.update(calibration_seq=None), "volts_rms"),
        (lambda d: d.update(calibration_seq=3), "as its calibration, which is none"),
        (lambda d: d.update(calibration_seq=99), "as its calibration, which is none"),
        (lambda d: d["frames"].update(count=959), "claims 959 frames"),
        (lambda d: d["frames"].update(rate_hz=44100), "at 44100 Hz"),
        (lambda d: d.update(capture="0" * 64), "missing, named by journal.jsonl line 10"),
        (lambda d: d.update(capture="../../secret"), "is not the name of a capture"),
        (lambda d: d["readings"].pop(), "2 readings, its capture gives 3"),
        (lambda d: d.update(readings="none"), "readings"),
        (lambda d: d.pop("spec"), "spec"),
        (lambda d: d["spec"].update(output="loud"), "output"),
        (lambda d: d["spec"].update(more=1), "unknown field $.spec.more"),
    ],
)
def test_a_reading_with_wrong_origins_is_found(job_path: Path, edit: Any, says: str) -> None:
    forge(job_path, lambda lines: edit(of_kind(lines, "reading", 2)["data"]))
    answer = verify(job_path)
    assert says in str(answer.first_fault)
    assert "line 10" in str(answer.first_fault)


def test_another_capture_with_its_right_name_is_found(job_path: Path) -> None:
    other = job_path / "captures" / "new.flac"
    write_capture(other, codes(77, 0.21), 48000)
    name = hashlib.sha256(other.read_bytes()).hexdigest()
    other.rename(other.with_name(f"{name}.flac"))
    forge(job_path, lambda lines: of_kind(lines, "reading", 2)["data"].update(capture=name))
    answer = verify(job_path)
    assert "computed again from its capture" in str(answer.first_fault)
    assert any("no line names it" in note for note in answer.notes)


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        (lambda d: d.update(meter_volts_rms=5.2), "volts_per_full_scale[0]"),
        (lambda d: d["volts_per_full_scale"][1].update(value=140.0), "volts_per_full_scale[1]"),
        (lambda d: d.update(evidence=[2]), "which is no reading"),
        (lambda d: d.update(evidence=[99]), "which is no reading"),
        (lambda d: d.pop("max_volts"), "max_volts"),
        (lambda d: d.update(max_volts="many"), "max_volts"),
        (lambda d: d["volts_per_full_scale"][0].update(u=-1.0), "not a quantity"),
        (lambda d: d.update(remark="x"), "unknown field $.remark"),
    ],
)
def test_a_calibration_is_recomputed_from_its_evidence(
    job_path: Path, edit: Any, says: str
) -> None:
    forge(job_path, lambda lines: edit(of_kind(lines, "calibration")["data"]))
    answer = verify(job_path)
    assert answer.first_fault is not None
    assert answer.first_fault.startswith("journal.jsonl line 6:")
    assert says in answer.first_fault


@pytest.mark.parametrize(
    ("which", "edit", "says"),
    [
        (2, lambda r: r["set_volts_rms"].update(value=30.0), "result.set_volts_rms"),
        (2, lambda r: r.update(reading_seq=8), "result.set_volts_rms"),
        (2, lambda r: r.update(reading_seq=3), "which is no reading"),
        (1, lambda r: r["volts_rms"].update(u=0.0), "result.volts_rms"),
        (3, lambda r: r["channels"][0].update(reading_seq=99), "result.channels[0] names seq 99"),
        (3, lambda r: r["channels"][0]["reading"].update(void="no_tone"), "channels[0].reading"),
    ],
)
def test_a_step_must_say_what_its_reading_says(
    job_path: Path, which: int, edit: Any, says: str
) -> None:
    forge(job_path, lambda lines: edit(of_kind(lines, "step", which)["data"]["result"]))
    assert says in str(verify(job_path).first_fault)


def test_another_version_of_the_analysis_gets_a_tenth_of_u_and_a_note(job_path: Path) -> None:
    def older(lines: list[dict[str, Any]]) -> None:
        lines[0]["data"]["analysis"] = 0
        reading = of_kind(lines, "reading", 2)["data"]["readings"][0]
        reading["volts_rms"]["value"] += 0.05 * reading["volts_rms"]["u"]

    forge(job_path, older)
    answer = verify(job_path)
    assert answer.ok, answer.first_fault
    assert "made with analysis 0" in answer.notes[0]

    def further(lines: list[dict[str, Any]]) -> None:
        reading = of_kind(lines, "reading", 2)["data"]["readings"][0]
        reading["volts_rms"]["value"] += 0.06 * reading["volts_rms"]["u"]

    forge(job_path, further)
    assert "volts_rms.value" in str(verify(job_path).first_fault)


def test_an_analysis_that_refuses_the_capture_is_a_fault_not_a_crash(job_path: Path) -> None:
    def refuse(*_: object) -> Any:
        raise ValueError("window too short")

    answer = verify_job(job_path, read=refuse)
    assert "cannot be analysed again (window too short)" in str(answer.first_fault)


def test_nothing_is_changed_by_looking(job_path: Path) -> None:
    def everything() -> dict[str, bytes]:
        files = (path for path in job_path.rglob("*") if path.is_file())
        return {str(path): path.read_bytes() for path in files}

    before = everything()
    verify(job_path)
    assert everything() == before


def test_tolerances_of_single_numbers() -> None:
    one = {"x": {"value": 10.0, "u": 0.1}}
    # A hundredth, or a tenth, of the uncertainty; 1e-6 where that is more.
    assert difference(one, {"x": {"value": 10.0009, "u": 0.1}}, SAME_ANALYSIS, "r") == ""
    assert "r.x.value" in difference(one, {"x": {"value": 10.0011, "u": 0.1}}, SAME_ANALYSIS, "r")
    assert difference(one, {"x": {"value": 10.009, "u": 0.1}}, OTHER_ANALYSIS, "r") == ""
    assert difference(one, {"x": {"value": 10.011, "u": 0.1}}, OTHER_ANALYSIS, "r") != ""
    exact = {"x": {"value": 10.0, "u": 0.0}}
    assert difference(exact, {"x": {"value": 10.000009, "u": 0.0}}, SAME_ANALYSIS, "r") == ""
    assert difference(exact, {"x": {"value": 10.000011, "u": 0.0}}, SAME_ANALYSIS, "r") != ""
    assert difference(1.0, float(np.nextafter(1.0, 2.0)), SAME_ANALYSIS, "r") == ""
    assert difference(None, 0.0, SAME_ANALYSIS, "r") != ""
    assert difference(True, 1, OTHER_ANALYSIS, "r") == ""
