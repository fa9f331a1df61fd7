"""The commands that keep, find and pass on records, as a person uses them."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import shutil
import sys
from pathlib import Path
from unittest import mock

import pytest

from levelset.cli import main

FIRST = Path(__file__).parent / "record" / "jobs" / "first-version"
PNG = (
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x01\0\0\0\x01\x08\0\0\0\0:~\x9bU"
    b"\0\0\0\nIDATx\x9cc`\0\0\0\x02\0\x01H\xaf\xa4q\0\0\0\0IEND\xaeB`\x82"
)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    shutil.copytree(FIRST, tmp_path / "one" / "jobs" / "estate")
    return tmp_path / "one"


def levelset(home: Path, *arguments: object, status: int = 0) -> str:
    out, error = io.StringIO(), io.StringIO()
    ended = 0
    with (
        mock.patch.dict(os.environ, LEVELSET_HOME=str(home)),
        mock.patch.object(sys, "argv", ["levelset", "job", *map(str, arguments)]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(error),
    ):
        try:
            main()
        except SystemExit as end:
            ended = int(end.code or 0)
    said = error.getvalue()
    assert ended == status, said
    if status in (2, 3):
        assert len(said.splitlines()) == 1
        assert said.startswith("levelset: error: ")
    return out.getvalue()


def test_from_one_home_to_another(home: Path, tmp_path: Path) -> None:
    levelset(home, "customer", "estate", "name=Invented Person", "phone=none")
    assert "Invented Person" in levelset(home, "customer", "estate")
    (tmp_path / "p.png").write_bytes(PNG)
    assert levelset(home, "note", "estate", "fuse renewed", "--about", 4) == "line 67\n"
    assert levelset(home, "attach", "estate", tmp_path / "p.png") == "line 68\n"
    assert "seq 68: p.png" in levelset(home, "show", "estate")
    assert "estate" in levelset(home, "list", "--customer", "invented person")
    assert "None of 1 jobs fits." in levelset(home, "list", "--vehicle", "lorry")
    levelset(home, "list", "--since", "soon", status=2)

    file = tmp_path / "estate.zip"
    said = json.loads(levelset(home, "export", "estate", file, "--json"))
    assert said["verification"]["ok"]
    levelset(home, "export", "estate", file, status=3)
    other = tmp_path / "two"
    there = Path(levelset(other, "import", file).strip())
    assert there == other / "jobs" / "estate"
    levelset(other, "import", file, status=3)
    verified = json.loads(levelset(other, "verify", "estate", "--json"))
    assert verified["head_sha256"] == said["verification"]["head_sha256"]
    assert verified["attachments"] == 1
    assert levelset(other, "customer", "estate") == ""

    levelset(home, "detach", "estate", 68)
    levelset(home, "detach", "estate", 68, status=2)
    levelset(home, "customer", "estate", "--erase")
    assert levelset(home, "customer", "estate") == ""
    levelset(home, "verify", "estate")


def test_a_table_of_all_jobs_goes_on_past_one_that_does_not_hold(
    home: Path, tmp_path: Path
) -> None:
    (home / "jobs" / "broken").mkdir()
    (home / "jobs" / "broken" / "journal.jsonl").write_text("nothing\n")
    levelset(home, "csv", "--out", tmp_path / "r.csv", status=3)
    rows = list(csv.DictReader(io.StringIO((tmp_path / "r.csv").read_bytes().decode(), "")))
    assert {row["job"] for row in rows} == {"estate"}
    levelset(home, "csv", "estate", "--out", tmp_path / "no" / "r.csv", status=3)


def test_the_schema_is_printed(home: Path) -> None:
    stored = Path(__file__).parents[1] / "docs" / "journal-schema.json"
    assert json.loads(levelset(home, "schema")) == json.loads(stored.read_text("utf-8"))
