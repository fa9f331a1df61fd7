"""Names of files, folders and procedures as a person mistypes them: one line, before any work."""

from __future__ import annotations

import errno
import io
import json
import sys
from pathlib import Path

import pytest

from levelset.cli import main
from levelset.cli.common import why_it_ended
from levelset.procedures.facts import StepResult


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LEVELSET_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder").mkdir()
    return tmp_path


@pytest.fixture
def levelset(monkeypatch, capsys):
    def run(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["levelset", *map(str, arguments)])
        status = 0
        try:
            main()
        except SystemExit as end:
            status = int(end.code or 0)
        return status, *capsys.readouterr()

    return run


def job_of_a_template(levelset) -> str:
    assert levelset("plan", "new", "bass only", "plan.toml")[0] == 0
    return levelset("job", "new", "plan.toml")[1].strip()


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        ("plan", 2, "Missing command - see levelset plan --help"),
        ("job", 2, "Missing command - see levelset job --help"),
        ("signals", 2, "Missing command - see levelset signals --help"),
        ("job list --jobs none", 3, "none: No such file or directory - check the folder"),
        ("job csv --jobs none", 3, "none: No such file or directory - check the folder"),
        ("job csv --out folder", 3, "folder: cannot be written (Is a directory)"),
        ("job import folder", 3, "folder: cannot be taken in (Is a directory)"),
        ("plan show folder", 3, "plan file folder cannot be read (Is a directory)"),
        ("plan confirm folder --all", 3, "plan file folder cannot be read (Is a directory)"),
        ("plan set none.toml vehicle x", 3, "none.toml cannot be read (No such file or directory)"),
        ("plan new bass_only folder", 2, "there is no template 'bass_only'"),
        ("plan new BASS folder", 3, "folder is there already - name another file"),
        ("run nothing --job JOB", 2, "there is no procedure 'nothing' - use one of checklist, "),
        ("run calibrate --calibration x --job JOB", 2, "leave --calibration out"),
        ("run --channel bass --job JOB", 2, "--channel belongs to one procedure"),
        ("run gain --screen --job JOB", 2, "--screen is for the whole job"),
        ("watch --limit 0", 2, "THD limit of 0 % is out of range - give 0.001 to 100 %"),
        ("job report JOB --out EMPTY", 2, "Invalid value for '--out': an empty name"),
        ("job compare JOB --out EMPTY", 2, "Invalid value for '--out': an empty name"),
        ("job export JOB EMPTY", 2, "Invalid value for 'FILE': an empty name"),
        ("demo --hands-free --fast --jobs EMPTY", 2, "Invalid value for '--jobs': an empty name"),
    ],
)
def test_a_wrong_name_is_one_line(levelset, arguments, status, says):
    typed = {"EMPTY": "", "BASS": "bass only"}
    words = [typed.get(word, word) for word in arguments.split()]
    if "JOB" in words:
        words[words.index("JOB")] = job_of_a_template(levelset)
    found, out, error = levelset(*words)
    assert (found, out) == (status, "")
    assert error.startswith("levelset: error: ")
    assert says in error
    assert error.count("\n") == 1


def test_a_file_that_may_not_be_read_does_not_keep_the_others_back(levelset, monkeypatch):
    """What opens a file says that it cannot, and the next one is done all the same."""
    import os

    Path("locked.wav").write_bytes(b"RIFF")
    monkeypatch.setattr(os, "access", lambda *_: False)
    status, _, error = levelset("measure", "locked.wav", "none.wav")
    assert status == 3
    assert [line.split(": ")[2] for line in error.splitlines()] == ["locked.wav", "none.wav"]


def test_the_values_of_a_plan_are_shown_by_the_names_that_change_them(levelset):
    levelset("plan", "new", "front pair and bass", "plan.toml")
    levelset("plan", "confirm", "plan.toml", "source.max_volume")
    text = levelset("plan", "show", "plan.toml")[1]
    rows = text[text.index("VALUES by the names") :].splitlines()[1:]
    shown = dict(row[2:].split(" = ", 1) for row in rows[: rows.index("")])
    assert '* "channel.front left.load" = 4' in rows
    assert "  source.max_volume = 40" in rows
    for name, value in shown.items():
        # Each one is a name that plan set takes, with the value as it takes it.
        status, _, error = levelset("plan", "set", "plan.toml", name.strip('"'), value)
        assert (status, error) == (0, "")
    found = json.loads(levelset("plan", "show", "plan.toml", "--json")[1])
    assert found["values"]["channel.bass.load"] == "4||4"
    assert found["unconfirmed"] == []


def test_a_full_medium_leaves_a_plan_as_it_was(levelset, monkeypatch, tmp_path):
    """ENOSPC of POSIX.1-2024, errno.h, at the flush."""
    levelset("plan", "new", "bass only", "plan.toml")
    before = Path("plan.toml").read_bytes()

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("levelset.record.durable.sync", full)
    for arguments in (["set", "plan.toml", "vehicle", "x"], ["new", "bass only", "other.toml"]):
        status, _, error = levelset("plan", *arguments)
        assert (status, "No space left on device" in error) == (3, True)
    assert Path("plan.toml").read_bytes() == before
    assert [path.name for path in tmp_path.glob("*.*")] == ["plan.toml"]


@pytest.mark.parametrize("encoding", ["latin-1", "cp1252", "utf-8"])
def test_a_name_that_the_output_cannot_hold_is_escaped(levelset, monkeypatch, encoding):
    levelset("plan", "new", "bass only", "plan.toml")
    levelset("plan", "set", "plan.toml", "vehicle", "Kombi \N{SNOWMAN}")
    out = io.TextIOWrapper(io.BytesIO(), encoding)
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stdout", out)
        status, _, error = levelset("plan", "show", "plan.toml")
    assert (status, error) == (0, "")
    shown = "Kombi \N{SNOWMAN}" if encoding == "utf-8" else "Kombi \\u2603"
    out.seek(0)
    assert f"vehicle = {shown}" in out.read()


def test_confirm_says_which_way_it_was_wrong(levelset):
    levelset("plan", "new", "bass only", "plan.toml")
    assert "error: values and --all" in levelset("plan", "confirm", "plan.toml", "x", "--all")[2]
    assert "error: neither values nor --all" in levelset("plan", "confirm", "plan.toml")[2]


@pytest.mark.parametrize(
    ("steps", "says"),
    [
        ([], False),
        ([("checklist", "accepted"), ("calibrate", "failed")], True),
        ([("calibrate", "aborted")], False),
        ([("calibrate", "failed"), ("verify", "accepted")], False),
    ],
)
def test_a_job_that_ends_for_want_of_a_calibration_says_so(steps, says):
    results = [StepResult(name, None, outcome, "", {}, ()) for name, outcome in steps]
    assert ("without a calibration" in why_it_ended(results)) == says


@pytest.mark.parametrize(
    ("option", "says"),
    [
        ("--supply=12.6", "not known at 12.6 V: give --rated-supply too"),
        ("--rated-supply=14.4", "not known at the car: give --supply too"),
    ],
)
def test_one_supply_alone_says_what_is_missing(levelset, option, says):
    status, out, _ = levelset("target", "--power=250", "--load=4", option)
    assert status == 0
    assert says in out
