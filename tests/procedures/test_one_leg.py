"""One leg of a bridged output is never taken for the output: it shows half the voltage."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from levelset.cli import cli
from levelset.ports.base import Point
from levelset.session import open_demo_session

CAR = Path(__file__).parent / "cars" / "bridged_clips_first.toml"


class LosesTipB:
    """Levers whose tip B has no contact from the nth touch on."""

    def __init__(self, levers, after):
        self._levers, self._left = levers, after

    def __getattr__(self, name):
        return getattr(self._levers, name)

    def touch(self, tip, point):
        if tip == "B":
            self._left -= 1
            point = point if self._left >= 0 else Point("open")
        self._levers.touch(tip, point)


def run_losing_tip_b(tmp_path, after):
    session = open_demo_session(CAR, tmp_path, seed=5, fast=True)
    hands = session.simulated_hands
    hands._levers = LosesTipB(session.levers, after)
    try:
        return session.run(hands)
    finally:
        session.close()


def test_one_tip_alone_cannot_tell(tmp_path):
    car = tmp_path / "one_tip.toml"
    car.write_text(CAR.read_text("utf-8").replace("channels = 2", "channels = 1"), "utf-8")
    arguments = ["demo", "--hands-free", "--fast", "--json", "--car", str(car)]
    outcome = CliRunner().invoke(cli, [*arguments, "--jobs", str(tmp_path / "jobs")])
    assert outcome.exit_code == 1
    steps = json.loads(outcome.output.splitlines()[-1])["steps"]
    ended = {(step["procedure"], step["channel"]): step["outcome"] for step in steps}
    assert ended["calibrate", None] == "accepted"
    assert ended["output_kind", "front left"] == "failed"
    assert ended["gain", "front left"] == "skipped"


# Touches of tip B in the order of the job: calibration 1; source kind 2, 3; clean volume 4;
# channel kind 5, 6; gain at the tap 7, at the channel 8; verify 9.
@pytest.mark.parametrize("after", [0, 2, 5, 7])
def test_tip_b_without_contact_is_never_accepted_as_bridged_output(tmp_path, after):
    results = run_losing_tip_b(tmp_path, after)
    gains = [step for step in results if step.procedure == "gain"]
    assert all(step.outcome in ("failed", "skipped") for step in gains)
    kinds = [step for step in results if step.procedure == "output_kind"]
    assert all(step.result.get("kind") in (None, "bridged") for step in kinds)
