"""A table of readings: other programs read it back, no spreadsheet takes it for a formula."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from record_jobs import BEGIN, clock, codes, plan, reading_data

from levelset.record.job import Job
from levelset.record.readings_csv import COLUMNS, header, readings_csv, text_cell

FIRST = Path(__file__).parent / "jobs" / "first-version"


def table(*jobs: Path) -> list[dict[str, str]]:
    text, errors = readings_csv(jobs)
    assert not errors
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def test_every_reading_of_a_real_job_is_there_with_its_numbers() -> None:
    rows = table(FIRST)
    lines = [json.loads(raw) for raw in (FIRST / "journal.jsonl").read_bytes().splitlines()]
    stored = [
        (line, reading)
        for line in lines
        if line["kind"] in ("reading", "touch")
        for reading in line["data"]["readings"]
    ]
    assert len(rows) == len(stored) == 45
    for row, (line, reading) in zip(rows, stored, strict=True):
        assert row["seq"] == str(line["seq"])
        assert row["capture"] == line["data"]["capture"]
        assert row["tip"] == str(reading["channel"])
        name, key = ("volts_dc", "volts") if line["kind"] == "touch" else ("volts_rms", "volts_rms")
        volts = reading[key]
        assert row[name] == ("" if volts is None else repr(volts["value"]))
        assert row[f"{name}_u"] == ("" if volts is None else repr(volts["u"]))
    assert {row["invented"] for row in rows} == {"yes"}


def test_the_form_of_rfc_4180() -> None:
    text, _ = readings_csv([FIRST])
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    assert text.split("\r\n")[0] == ",".join(header())
    assert set(COLUMNS) <= set(header())


HOSTILE = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "\uff1d1", '=HYPERLINK("x")']


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_texts_in_every_field_become_harmless(tmp_path: Path, text: str) -> None:
    # CWE-1236: a cell must not begin with what makes a formula of it.
    hostile = replace(
        plan(), vehicle=text, channels=tuple(replace(one, name=text) for one in plan().channels)
    )
    with Job.create(tmp_path, "x", hostile, BEGIN, clock=clock()) as job:
        data = reading_data(job, codes(1, 0.1), procedure=text, as_what=text, channel=text)
        job.append("reading", data)
    rows = table(job.path)
    assert len(rows) == 3
    for row in rows:
        for name in ("vehicle", "procedure", "as_what", "channel"):
            assert row[name].startswith("'")
            assert row[name].isprintable()
        # A number below zero stays a number.
        assert float(row["level_dbfs"]) < 0.0


def test_harmless_texts_stay_as_they_are() -> None:
    for text in ("estate", "a=b", "3 - 4", 'say "so"', "a, b", "'quoted'"):
        assert text_cell(text) == text
    assert text_cell(None) == ""


def test_a_job_that_does_not_hold_is_left_out_and_named(job_path: Path, tmp_path: Path) -> None:
    journal = job_path / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b"Ground first.", b"Ground last.."))
    text, errors = readings_csv([job_path, FIRST, tmp_path])
    assert len(errors) == 2
    assert "line 2: altered" in errors[0].what
    assert text == readings_csv([FIRST])[0]
