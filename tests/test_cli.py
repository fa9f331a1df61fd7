"""Every bad input gets one line that says what to do, its exit status, and no leftovers."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from levelset.cli.run import run
from levelset.procedures.catalogue import CATALOGUE

CAR = Path(__file__).parent / "procedures" / "cars" / "grounded_to_target.toml"


def levelset(*arguments, **more):
    return subprocess.run(
        [sys.executable, "-m", "levelset", *map(str, arguments)],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
        **more,
    )


def assert_one_error(done, status):
    assert done.returncode == status, done.stderr
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("levelset: error: ")
    assert " - " in lines[0]
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("power", ["0", "-5", "inf", "nan", "1e9", "many", ""])
def test_target_power(power):
    assert_one_error(levelset("target", f"--power={power}", "--load", "4"), 2)


@pytest.mark.parametrize(
    "load",
    [
        "0",
        "-4",
        "inf",
        "nan",
        "1e12",
        "1e-9",
        "",
        "4+",
        "4|4",
        "4 4",
        "four",
        "(4",
        "4)",
        "4||0",
        "__import__('os')",
        "4\n4",
        "(" * 5000 + "4" + ")" * 5000,
        "+".join(["4"] * 5000),
        "４",
    ],
)
def test_target_load(load):
    assert_one_error(levelset("target", "--power", "100", f"--load={load}"), 2)


@pytest.mark.parametrize(
    "option", ["--supply=0", "--supply=nan", "--rated-supply=-1", "--overlap=16", "--overlap=-1"]
)
def test_target_options(option):
    more = ["--rated-supply=14.4"] if option.startswith("--supply") else ["--supply=14.4"]
    assert_one_error(levelset("target", "--power=100", "--load=4", *more, option), 2)


def test_target_json():
    """400 W into 2 ohm is sqrt(800) V (Ohm's law)."""
    done = levelset("target", "--power=400", "--load=4||4", "--overlap=10", "--json")
    result = json.loads(done.stdout)
    assert result["net_load_ohm"] == pytest.approx(2.0)
    assert result["target_volts_rms"] == pytest.approx(28.2843, abs=1e-4)
    assert result["tone_dbfs"] == -10.0
    assert result["expected_clip_volts_rms"] is None


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("max_volume = 40", ""),
        ("max_volume = 40", "max_volume = 40\nmystery = 1"),
        ("max_volume = 40", 'max_volume = "loud"'),
        ("max_volume = 40", "max_volume = -1"),
        ('output = "bridged"', 'output = "digital"'),
        ("rail_volts_peak = 35.0", "rail_volts_peak = nan"),
        ('load = "4||4"', 'load = "4||"'),
        ('load = "4||4"', 'load = "1"'),
        ("[supply]", "[engine]"),
        ("[source]", "[source"),
        ("channels = 2", "channels = 3"),
    ],
)
def test_car_file_with_a_bad_field(tmp_path, old, new):
    text = CAR.read_text("utf-8")
    assert old in text
    car = tmp_path / "car.toml"
    car.write_text(text.replace(old, new, 1), "utf-8")
    jobs = tmp_path / "jobs"
    done = levelset("demo", "--hands-free", "--fast", "--car", car, "--jobs", jobs)
    assert_one_error(done, 2)
    assert not jobs.exists()


def test_help_of_run_names_every_procedure():
    assert set(CATALOGUE) <= set(re.findall(r"\w+", run.help))


def test_car_file_that_cannot_be_read(tmp_path):
    for path in (tmp_path / "missing.toml", tmp_path):
        assert_one_error(levelset("demo", "--hands-free", "--fast", "--car", path), 3)
    binary = tmp_path / "binary.toml"
    binary.write_bytes(bytes(range(256)))
    assert levelset("demo", "--hands-free", "--fast", "--car", binary).returncode in (2, 3)


def test_no_terminal():
    assert_one_error(levelset(), 2)
    assert_one_error(levelset("demo"), 2)


@pytest.mark.parametrize(
    "arguments", [["targt"], ["demo", "--nonsense"], ["demo", "--fast"], ["job", "verify"]]
)
def test_wrong_usage(arguments):
    assert_one_error(levelset(*arguments), 2)


def whole_job(jobs):
    arguments = ["demo", "--hands-free", "--fast", "--json", "--seed=7", "--car", CAR]
    done = levelset(*arguments, "--jobs", jobs)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    return whole_job(tmp_path_factory.mktemp("jobs"))


@pytest.fixture
def job(result):
    return Path(result["job"])


@pytest.fixture
def copy(job, tmp_path):
    return Path(shutil.copytree(job, tmp_path / "job"))


def test_job_commands(job):
    assert levelset("job", "verify", job).returncode == 0
    assert "complete" in levelset("job", "show", job).stdout
    listed = json.loads(levelset("job", "list", "--jobs", job.parent, "--json").stdout)
    assert [row["path"] for row in listed["jobs"]] == [str(job)]


@pytest.mark.parametrize("command", ["show", "verify"])
def test_job_folder_that_is_none(tmp_path, command):
    assert_one_error(levelset("job", command, tmp_path / "missing"), 3)
    assert_one_error(levelset("job", command, tmp_path), 3)
    assert_one_error(levelset("job", command, CAR), 3)


def test_damaged_job(copy):
    journal = copy / "journal.jsonl"
    raw = bytearray(journal.read_bytes())
    raw[len(raw) // 2] ^= 1
    journal.write_bytes(raw)
    done = levelset("job", "verify", copy)
    assert done.returncode == 1
    assert "line" in done.stdout.splitlines()[0]
    assert "damaged" in levelset("job", "list", "--jobs", copy.parent).stdout


def test_job_of_a_newer_version(copy):
    journal = copy / "journal.jsonl"
    first, rest = journal.read_bytes().split(b"\n", 1)
    line = json.loads(first)
    line["schema"] = 99
    journal.write_bytes(json.dumps(line).encode() + b"\n" + rest)
    done = levelset("job", "show", copy)
    assert_one_error(done, 3)
    assert "newer" in done.stderr


def test_jobs_folder_that_cannot_be_written(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("not a folder", "utf-8")
    for jobs in (blocked, blocked / "jobs"):
        done = levelset("demo", "--hands-free", "--fast", "--jobs", jobs)
        assert_one_error(done, 3)
    assert blocked.read_text("utf-8") == "not a folder"


def test_same_seed_gives_the_same_result(result, tmp_path):
    assert whole_job(tmp_path)["steps"] == result["steps"]


def test_ctrl_c_leaves_a_job_that_verifies(tmp_path):
    """Interrupted in the middle: status 130, one line, and what was measured is there."""
    import signal
    import time

    process = subprocess.Popen(
        [sys.executable, "-m", "levelset", "demo", "--hands-free", "--jobs", str(tmp_path)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    give_up = time.monotonic() + 60.0
    while time.monotonic() < give_up:
        journals = list(tmp_path.glob("*/journal.jsonl"))
        if journals and journals[0].read_bytes().count(b"\n") > 2:
            break
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, error = process.communicate(timeout=30)
    assert process.returncode == 130
    assert error == "levelset: error: stopped by the person - start again when ready\n"
    [folder] = [path for path in tmp_path.iterdir() if path.is_dir()]
    assert levelset("job", "verify", folder).returncode == 0
