"""The checklist with made answers, and by simulated hands on a car that is wired wrongly."""

from __future__ import annotations

import json
import math

import pytest

from levelset.plan.checklist import ITEMS
from levelset.procedures.checklist import checklist
from levelset.procedures.protocol import Acknowledge, Answer, Ask, Finish
from levelset.session import open_demo_session
from tests.benchmarks.random_cars import as_toml, random_car
from tests.plan.test_equipment import plan


def go_through(answers, on=None):
    """Answer by item or verb; what is not named is ``yes``, 1.7 ohm, bridged wires."""
    procedure = checklist(on or plan())
    asked = []
    instruction = next(procedure)
    while not isinstance(instruction, Finish):
        if isinstance(instruction, Acknowledge):
            instruction = procedure.send(Answer("yes"))
            continue
        assert isinstance(instruction, Ask)
        act = instruction.act
        key = act.item or act.verb
        asked.append(key)
        usual = {"read_ohm_meter": 1.7, "source_kind": "speaker_bridged"}.get(key, "yes")
        value = answers.get(key, usual)
        if isinstance(value, list):
            value = value.pop(0)
        instruction = procedure.send(Answer(value))
    return instruction, asked


def test_everything_as_it_should_be():
    finish, asked = go_through({})
    assert finish.outcome == "accepted"
    assert finish.result["findings"] == finish.result["skipped"] == []
    assert set(finish.result["answers"].values()) == {"yes"}
    assert finish.result["resistances"]["bass"]["verdict"] == "fits"
    assert len(asked) == len(ITEMS) + 3
    json.dumps(finish.result, allow_nan=False)


@pytest.mark.parametrize("item", ITEMS, ids=lambda item: item.key)
def test_every_no_is_a_finding_that_says_what_to_do(item):
    finish, _ = go_through({item.key: "no"})
    [finding] = finish.result["findings"]
    assert finding == {"item": item.key, "channel": None, "sentence": item.otherwise}
    assert finish.outcome == "limited"
    assert item.otherwise in finish.sentence


def test_what_is_not_there_is_no_finding_and_what_is_skipped_is_said():
    finish, _ = go_through(
        {"remote_knob_up": "absent", "loudness_off": "skipped", "read_ohm_meter": "skipped"}
    )
    assert finish.outcome == "accepted"
    assert finish.result["answers"]["remote_knob_up"] == "absent"
    assert finish.result["skipped"] == ["loudness_off", "resistance of bass"]
    assert "Not looked at: loudness off, resistance of bass." in finish.sentence
    assert finish.result["resistances"]["bass"]["ohm"] is None


# Two coils of 4 ohm, planned in parallel: in series 8 ohm nominal, 0.6 to 0.95 of it as DC.
@pytest.mark.parametrize(
    ("typed", "like"),
    [(6.4, "the coils in series"), (3.2, "a single coil"), ("open", "an open circuit")],
)
def test_a_resistance_that_contradicts_the_plan_is_named(typed, like):
    finish, _ = go_through({"read_ohm_meter": typed})
    assert finish.result["resistances"]["bass"]["reads_like"] == like
    assert f"reads like {like}" in finish.sentence
    assert finish.outcome == "limited"
    json.dumps(finish.result, allow_nan=False)


def test_a_wire_on_chassis_and_a_source_of_another_kind():
    finish, _ = go_through({"chassis": "no", "source_kind": "line"})
    words = finish.sentence
    assert "less than 1 Mohm" in words
    assert "line output; the plan says loudspeaker wires, bridged" in words


def test_going_back_corrects_an_answer():
    finish, asked = go_through({"bass_boost_off": ["no", "yes"], "remote_knob_up": ["back", "yes"]})
    assert asked[:4] == ["bass_boost_off", "remote_knob_up"] * 2
    assert finish.result["findings"] == []


def test_the_list_can_be_left_and_what_nobody_looked_at_is_on_record():
    finish, asked = go_through({"loudness_off": "rest"})
    assert asked[-1] == "loudness_off"
    assert finish.result["answers"]["bass_boost_off"] == "yes"
    assert finish.result["answers"]["loudness_off"] == "skipped"
    assert "resistance of bass" in finish.result["skipped"]
    nothing, _ = go_through({ITEMS[0].key: "rest"})
    assert nothing.outcome == "limited"
    assert nothing.sentence.startswith("0 of ")


def test_by_hands_on_a_car(tmp_path):
    car = random_car(3)
    car["amplifier"][0].update(load="4||4", rated=[[2.0, 200.0]], wired="4+4")
    text = as_toml(car).replace("wired =", "to_chassis = true\nwired =")
    text += '[checklist]\nbass_boost_off = "no"\nremote_knob_up = "absent"\n'
    (tmp_path / "car.toml").write_text(text, "utf-8")
    session = open_demo_session(tmp_path / "car.toml", tmp_path, seed=1, fast=True)
    try:
        step = session.run_one(session.simulated_hands, "checklist", None)
    finally:
        session.close()
    items = {finding["item"] for finding in step.result["findings"]}
    assert items == {"bass_boost_off", "resistance", "chassis"}
    assert "reads like the coils in series" in step.sentence
    # 0.8 of 8 ohm.
    assert math.isclose(step.result["resistances"]["bass"]["ohm"], 6.4)
    journal = (session.job_path / "journal.jsonl").read_text("utf-8")
    lines = [json.loads(line) for line in journal.splitlines()]
    answers = [line["data"] for line in lines if line["kind"] == "answer"]
    assert len(answers) == len(ITEMS) + 3
    assert [a["value"] for a in answers if a["unit"] == "ohm"] == [6.4]
