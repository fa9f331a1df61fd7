"""Verify on simulated cars: what was changed on purpose is named, what was not is left alone."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from levelset.session import Session, open_demo_session

CAR = (Path(__file__).parent / "vehicles" / "two_channels.toml").read_text()


def car(tmp_path: Path, **changes: dict[str, Any]) -> Path:
    """Write the invented car with keys added to an amplifier, by its name."""
    lines, name = [], ""
    for line in CAR.splitlines():
        lines.append(line)
        if line.startswith("name"):
            name = line.split('"')[1]
            lines += [
                f"{key} = {json.dumps(value)}" for key, value in changes.get(name, {}).items()
            ]
    text = "\n".join(lines)
    tomllib.loads(text)
    path = tmp_path / "car.toml"
    path.write_text(text)
    return path


def until_verify(session: Session) -> None:
    """Run what verify needs, nothing else."""
    hands = session.simulated_hands
    for name, channel in (
        ("calibrate", None),
        ("output_kind", None),
        ("clean_volume", None),
        ("output_kind", "front"),
        ("gain", "front"),
        ("output_kind", "bass"),
        ("gain", "bass"),
    ):
        step = session.run_one(hands, name, channel)
        assert step.outcome in ("accepted", "limited"), step.sentence


@pytest.fixture(scope="module")
def verified(tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, dict[str, Any]]:
    """Verify a car whose bass is reversed and filtered, and then with a gain that was touched."""
    folder = tmp_path_factory.mktemp("verify")
    path = car(
        folder,
        bass={
            "polarity": "reversed",
            "lowpass_hz": 120.0,
            "subsonic_hz": 28.0,
            "slope_db_per_octave": 24,
        },
    )
    session = open_demo_session(path, folder / "jobs", seed=3, fast=True)
    until_verify(session)
    step = session.run_one(session.simulated_hands, "verify", None)
    return session, step.as_json()


def rows(step: dict[str, Any]) -> dict[str, Any]:
    return {row["channel"]: row for row in step["result"]["channels"]}


def test_the_untouched_channel_is_ok(verified):
    front = rows(verified[1])["front"]
    assert front["verdict"] == "ok"
    assert front["polarity"] == "normal"
    assert front["carries"] == ["left"]
    assert abs(front["deviation_db"]) < 0.02


def test_the_reversed_channel_is_named_and_nothing_else(verified):
    _, step = verified
    bass = rows(step)["bass"]
    assert step["outcome"] == "failed"
    assert bass["verdict"] == "look again"
    assert [reason.split(":")[0] for reason in bass["reasons"]] == ["polarity REVERSED"]
    assert "front" not in step["sentence"]


def test_filters_are_read_at_the_terminals(verified):
    """Corners of the car file; 4th order is 24 dB an octave (definition of the slope)."""
    filters = rows(verified[1])["bass"]["filters"]
    for key, corner_hz in (("high_pass", 28.0), ("low_pass", 120.0)):
        edge = filters[key]
        assert edge["order"] == 4
        assert edge["corner_hz"]["value"] == pytest.approx(corner_hz, rel=0.03)


def test_noise_is_that_of_the_car_file(verified):
    """White noise on the terminals up to half the rate, of which 20 Hz to 20 kHz is read."""
    session, step = verified
    noise = rows(step)["bass"]["noise"]["unweighted"]
    bass = tomllib.loads(CAR)["amplifier"][1]
    truth_v = 1e-3 * bass["noise_millivolts"] * (19980.0 / 24000.0) ** 0.5
    if noise["below"]:
        assert noise["volts_rms"]["value"] > truth_v
    else:
        assert noise["volts_rms"]["value"] == pytest.approx(truth_v, rel=0.06)
    assert session.plan.invented


def test_a_gain_that_was_touched_since_is_named(verified):
    session, _ = verified
    session.levers.turn_gain("front", -0.4)
    step = session.run_one(session.simulated_hands, "verify", None).as_json()
    front = rows(step)["front"]
    assert front["verdict"] == "look again"
    assert front["deviation_db"] == pytest.approx(-0.4, abs=0.02)
    assert any("dB from the gain that was set" in reason for reason in front["reasons"])
