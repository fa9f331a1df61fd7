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


STEPS = (
    ("calibrate", None),
    ("output_kind", None),
    ("clean_volume", None),
    ("output_kind", "front left"),
    ("gain", "front left"),
)


class LosesTipB:
    """Levers whose tip B has no contact once it has been put somewhere so many times more."""

    def __init__(self, levers):
        self._levers, self.left = levers, 1000

    def __getattr__(self, name):
        return getattr(self._levers, name)

    def touch(self, tip, point):
        if tip == "B":
            self.left -= 1
            point = point if self.left >= 0 else Point("open")
        self._levers.touch(tip, point)


def run_losing_tip_b(tmp_path, where, touches):
    """Return how the steps ended when tip B loses its contact so far into one of them."""
    session = open_demo_session(CAR, tmp_path, seed=5, fast=True)
    hands = session.simulated_hands
    hands._levers = levers = LosesTipB(session.levers)
    try:
        for step in STEPS:
            if step == where:
                levers.left = touches
            session.run_one(hands, *step)
        return {(one.procedure, one.channel): one for one in session.job.steps()}
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


@pytest.mark.parametrize(
    ("where", "touches"),
    [
        (("calibrate", None), 0),
        (("output_kind", None), 1),
        (("gain", "front left"), 1),
    ],
)
def test_tip_b_without_contact_is_never_accepted_as_bridged_output(tmp_path, where, touches):
    steps = run_losing_tip_b(tmp_path, where, touches)
    at = STEPS.index(where)
    assert [steps[step].outcome for step in STEPS[:at]] == ["accepted"] * at
    assert steps[where].outcome == "failed"
    assert steps["gain", "front left"].outcome == ("failed" if where[0] == "gain" else "skipped")
    for step in STEPS:
        if step[0] == "output_kind":
            assert steps[step].result.get("kind") in (None, "bridged")
