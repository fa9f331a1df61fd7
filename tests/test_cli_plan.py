"""The commands about plans, and the gain structure of a job."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from levelset.cli import cli
from levelset.errors import InputError, UsageError


def run(*arguments):
    return CliRunner().invoke(cli, [str(a) for a in arguments], catch_exceptions=False)


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "plan.toml"
    run("plan", "new", "front pair and bass", path)
    return path


def shown(file):
    return json.loads(run("plan", "show", file, "--json").output)


def test_templates_are_listed():
    assert "front pair and bass" in run("plan", "new").output.splitlines()


def test_a_new_plan_waits_until_it_is_confirmed(file):
    assert "channel.bass.load" in shown(file)["unconfirmed"]
    assert "NOT YET CONFIRMED" in run("plan", "show", file).output
    run("plan", "set", file, "channel.bass.load", "2+2")
    run("plan", "confirm", file, "source.max_volume")
    left = shown(file)["unconfirmed"]
    assert not {"channel.bass.load", "source.max_volume"} & set(left)
    run("plan", "confirm", file, "--all")
    assert shown(file)["unconfirmed"] == []
    assert "NOT YET CONFIRMED" not in run("plan", "show", file).output


def test_what_follows_is_shown(file):
    found = shown(file)
    bass = next(one for one in found["channels"] if one["channel"] == "bass")
    # Two 4 ohm coils in parallel, 280 W: sqrt(560) V.
    assert bass["net_load_ohm"] == 2.0
    assert bass["target_volts_rms"] == pytest.approx(560.0**0.5)
    assert [one["feed"] for one in found["feeds"]] == ["front amplifier", "bass amplifier"]
    text = run("plan", "show", file).output
    assert "5 m of 4 AWG copper, bears 105 A" in text
    assert "Take battery negative off" in text


def test_a_fuse_that_is_too_large_is_found(file):
    cable = '{ awg = "4", length_m = 5.0, material = "copper_clad_aluminium", fuse = 100 }'
    run("plan", "set", file, "amplifier.bass amplifier.feed", cable)
    result = run("plan", "show", file)
    assert result.exit_code == 1
    assert "a fuse of 100 A does not protect a cable that bears 83 A" in " ".join(
        result.output.split()
    )


def test_a_load_that_cannot_be_borne_is_refused_and_the_file_stays(file):
    before = file.read_text("utf-8")
    with pytest.raises(UsageError, match="below the lowest load of bass amplifier"):
        run("plan", "set", file, "channel.bass.load", "1")
    assert file.read_text("utf-8") == before


def test_bad_use(file, tmp_path):
    with pytest.raises(InputError, match="there already"):
        run("plan", "new", "bass only", file)
    with pytest.raises(UsageError, match="no file"):
        run("plan", "new", "bass only")
    with pytest.raises(UsageError, match="neither"):
        run("plan", "confirm", file)
    with pytest.raises(InputError):
        run("plan", "show", tmp_path / "none.toml")


def test_levels_of_a_new_job(file, tmp_path):
    folder = run("job", "new", file, "--jobs", tmp_path / "jobs").output.strip()
    found = json.loads(run("job", "levels", folder, "--json").output)
    assert [one["channel"] for one in found["channels"]] == ["front left", "front right", "bass"]
    assert "Find the clean volume" in found["channels"][0]["advice"]
    assert "not known" in run("job", "levels", folder).output
    # The record says what was never confirmed.
    first = (tmp_path / "jobs").glob("*/journal.jsonl")
    line = next(first).read_text("utf-8").splitlines()[0]
    assert "channel.bass.load" in json.loads(line)["data"]["plan"]["unconfirmed"]
