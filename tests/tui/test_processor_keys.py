"""Keys and words for the processor of an invented car."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
from tui_scenes import PLAN

from levelset.plan.equipment import ProcessorPlan
from levelset.ports.base import Point
from levelset.procedures.protocol import Act, Ask, Guidance, Listen, View
from levelset.tui.hands_on import HandsOn
from levelset.tui.renderables.wording import act_lines, point_mark
from levelset.tui.screens.procedure import ProcedureScreen

WITH = replace(PLAN, processor=ProcessorPlan("an invented converter", "line_converter"))


class Levers:
    """Remembers what was touched; the level control has ten decibels."""

    def __init__(self):
        self.touched, self.level_db = [], 5.0

    def touch(self, tip, point):
        self.touched.append((tip, point))

    def turn_gain(self, channel, by_db):
        assert channel is None
        wanted = self.level_db + by_db
        self.level_db = min(max(wanted, 0.0), 10.0)
        return wanted == self.level_db


def test_tips_go_round_in_the_order_of_the_signal():
    levers = Levers()
    hands = HandsOn(levers, WITH)
    for _ in range(2):
        hands.place_tips(None)
    assert [point.place for _, point in levers.touched] == ["source"] * 2 + ["processor"] * 2
    other = Levers()
    hands = HandsOn(other, PLAN)
    for _ in range(2):
        hands.place_tips(None)
    assert [point.place for _, point in other.touched] == ["source"] * 2 + ["channel"] * 2


def test_level_control():
    levers = Levers()
    hands = HandsOn(levers, WITH)
    hands.turn_gain(None, 1.0)
    assert hands.said == "processor's level up"
    hands.turn_gain(None, 9.0)
    assert hands.said == "processor's level is at its end"
    hands.gain_to_minimum(None)
    assert levers.level_db == 0.0
    assert hands.said == "processor's level is at its minimum"


def test_words_for_the_place():
    output = Point("processor", "negative")
    assert act_lines(Act("place_tips", tip_b=output)) == [
        "tip B → the processor's output, negative"
    ]
    assert point_mark(output) == "processor -"


@pytest.mark.parametrize(
    ("procedure", "channel", "instruction", "turned"),
    [
        ("processor", None, Listen(None, Guidance("Hands off.", Act("wait"))), None),
        ("processor", None, Ask("Level down.", Act("gain_to_minimum")), None),
        ("processor", None, Ask("Down.", Act("gain_to_minimum", channel="bass")), "bass"),
        ("gain", "bass", Listen(None, Guidance("Hands off.", Act("wait"))), "bass"),
        ("clean_volume", None, Listen(None, Guidance("Up.", Act("wait"))), PLAN.channels[0].name),
    ],
)
def test_whose_knob_the_keys_turn(procedure, channel, instruction, turned):
    """While the screen says hands off, too: a key never turns another knob."""
    screen = ProcedureScreen(SimpleNamespace(levers=None, plan=WITH), SimpleNamespace())
    screen._view = View(procedure, channel, 0.0, instruction, None, "nobody", None, None)
    assert screen._channel == turned
