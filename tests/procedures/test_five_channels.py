"""A whole vehicle by simulated hands: five channels, most of them with a fault of their own.

The faults stand in ``vehicles/five_channels.toml``; what must come of them follows from its numbers
by closed forms (Ohm's law, a hard clipper's peak, volts in proportion to dB).
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

from levelset.procedures.facts import StepResult
from levelset.procedures.protocol import Answer, View
from levelset.record.job import Job
from levelset.record.verification import verify_job
from levelset.session import Session, open_demo_session

CAR = Path(__file__).parent / "vehicles" / "five_channels.toml"
TRUTH = tomllib.loads(CAR.read_text())
AMPLIFIERS = {amplifier["name"]: amplifier for amplifier in TRUTH["amplifier"]}
SET = ("front left", "front right", "bass")
"""Channels that must reach their target."""

Steps = dict[tuple[str, str | None], StepResult]


class Leaving:
    """Simulated hands that leave every procedure once, somewhere in its middle.

    Parameters
    ----------
    hands : Person
        The hands.
    """

    def __init__(self, hands: Any) -> None:
        self._hands = hands
        self._left: set[tuple[str, str | None]] = set()
        self._looks = 0
        self._view: View | None = None

    def see(self, view: View) -> None:
        self._looks += 1
        self._view = view
        self._hands.see(view)

    def answer(self, view: View) -> Answer | None:
        return self._hands.answer(view)

    def wants_to_stop(self) -> bool:
        if self._view is None:
            return False
        name = self._view.procedure, self._view.channel
        if name in self._left or self._looks < 3 + len(self._left) % 5:
            return False
        self._left.add(name)
        self._looks, self._view = 0, None
        return True

    @property
    def left(self) -> set[tuple[str, str | None]]:
        return self._left


def newest(steps: list[StepResult]) -> Steps:
    return {(step.procedure, step.channel): step for step in steps}


@pytest.fixture(scope="module")
def left_everywhere(tmp_path_factory: pytest.TempPathFactory) -> tuple[Steps, Path, int]:
    """Leave the job in every procedure and take it up again from what the record holds."""
    folder = tmp_path_factory.mktemp("five")
    session = open_demo_session(CAR, folder, seed=7, fast=True)
    port, levers, hands = session.port, session.levers, session.simulated_hands
    person, path = Leaving(hands), session.job_path
    interruptions = 0
    for _ in range(60):
        steps = session.run(person)
        if not steps or steps[-1].outcome != "aborted":
            break
        interruptions += 1
        session.job.close()
        job = Job.open(path, writable=True)
        session = Session(job.head().title, job.plan(), port, job, levers, hands)
    recorded = [
        StepResult(s.procedure, s.channel, s.outcome, s.sentence, s.result, tuple(s.cautions))
        for s in session.job.steps()
    ]
    session.close()
    # Whether the source fits the inputs is computed: there is nothing to leave.
    assert person.left == {(s.procedure, s.channel) for s in recorded} - {("input_match", None)}
    return newest(recorded), path, interruptions


def test_it_was_left_in_every_procedure(left_everywhere):
    steps, path, interruptions = left_everywhere
    assert interruptions == len(steps) - 1
    found = verify_job(path)
    assert found.ok, found.text()


def test_the_wiring_that_contradicts_the_plan_is_named(left_everywhere):
    findings = left_everywhere[0]["checklist", None].result["findings"]
    [finding] = [one for one in findings if one.get("channel") == "bass"]
    assert "in series" in finding["sentence"]


def test_the_supply_is_named(left_everywhere):
    """Volts in proportion: 12.4 V against 14.4 V is 20 log10(12.4 / 14.4) = -1.30 dB."""
    supply = left_everywhere[0]["supply_voltage", None]
    assert supply.outcome == "limited"
    assert supply.result["engine_off_v"]["value"] == pytest.approx(11.6, rel=0.007)
    assert supply.result["engine_on_v"]["value"] == pytest.approx(12.4, rel=0.007)
    assert supply.result["clip_shift_db"] == pytest.approx(-1.30, abs=0.07)
    assert "alternator" in supply.sentence


@pytest.mark.parametrize("name", SET)
def test_sound_channels_are_within_a_tenth_of_their_target(left_everywhere, name):
    amplifier = AMPLIFIERS[name]
    load_ohm = {"4": 4.0, "4||4": 2.0}[amplifier["load"]]
    power_w = dict(map(tuple, amplifier["rated"]))[load_ohm]
    power_w = min(power_w, amplifier.get("loudspeaker_w", math.inf))
    target_v = math.sqrt(power_w * load_ohm)
    set_v = left_everywhere[0]["gain", name].result["set_volts_rms"]
    assert set_v["value"] == pytest.approx(target_v, rel=0.0116)  # 0.1 dB
    assert set_v["value"] <= target_v


def test_matched_fronts_are_within_a_tenth_of_each_other(left_everywhere):
    volts = [
        left_everywhere[0]["gain", f"front {side}"].result["set_volts_rms"]["value"]
        for side in ("left", "right")
    ]
    assert abs(20.0 * math.log10(volts[0] / volts[1])) <= 0.1


def test_the_channel_that_clips_early_ends_below_its_onset(left_everywhere):
    """A hard clipper begins at its rail: peak over the square root of two."""
    gain = left_everywhere[0]["gain", "rear left"]
    onset_v = AMPLIFIERS["rear left"]["rail_volts_peak"] / math.sqrt(2.0)
    assert gain.outcome == "limited"
    assert gain.result["limited_by"] == "clipping"
    assert gain.result["clipped_stages"] == ["output_stage"]
    assert gain.result["clip_volts_rms"]["value"] == pytest.approx(onset_v, rel=0.02)
    below_db = 20.0 * math.log10(onset_v / gain.result["set_volts_rms"]["value"])
    assert 0.35 < below_db < 0.75


def test_the_overloaded_input_stage_is_named(left_everywhere):
    gain = left_everywhere[0]["gain", "rear right"]
    assert gain.outcome == "failed"
    assert "input stage clips" in gain.sentence


def test_the_reversed_channel_is_named_and_no_other(left_everywhere):
    rows = left_everywhere[0]["verify", None].result["channels"]
    assert {row["channel"] for row in rows if row.get("polarity") == "reversed"} == {"front right"}
    verdicts = {row["channel"]: row["verdict"] for row in rows}
    assert verdicts == {
        "front left": "ok",
        "front right": "look again",
        "rear left": "ok",
        "rear right": "not measured",
        "bass": "ok",
    }
