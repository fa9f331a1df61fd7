"""What the panel of the invented car remembers."""

from __future__ import annotations

from tui_scenes import PLAN

from levelset.ports.base import Point
from levelset.procedures.protocol import Act
from levelset.signals.signal import Signal
from levelset.tui.hands_on import HandsOn


class Display:
    """Levers of which only the display is looked at."""

    def shown_volume(self):
        return 12


def test_what_the_hands_did_is_remembered():
    """Whoever takes over from the simulated hands sees the car as they left it."""
    hands = HandsOn(Display(), PLAN)
    hands.watched(Act("place_tips", tip_a=Point("source", "positive")))
    hands.watched(Act("play_track", signal=Signal("set-bass", "a test", ())))
    hands.watched(Act("start_engine"))
    text = "\n".join(hands.lines(None, 80, watching=False))
    assert "tip A: tap +" in text
    assert "player: set-bass · engine on" in text
    hands.watched(Act("stop_track"))
    assert "player: off" in "\n".join(hands.lines(None, 80, watching=False))


class Switches(Display):
    def __init__(self):
        self.done = []

    def filters(self, channel, on):
        self.done.append(("filters", channel, on))

    def engine(self, running):
        self.done.append(("engine", running))


def test_one_key_does_what_is_asked_else_the_opposite_of_what_is():
    levers = Switches()
    hands = HandsOn(levers, PLAN)
    hands.use_filters(Act("filters_off", channel="bass"))
    hands.use_filters(None)
    hands.use_engine(Act("stop_engine"))  # It is off already: asked for, it stays so.
    hands.use_engine(None)
    assert levers.done == [
        ("filters", "bass", False),
        ("filters", None, True),
        ("engine", False),
        ("engine", True),
    ]
    assert "press f" in hands.lines(Act("filters_on"), 80, watching=False)[1]


def test_the_key_that_is_asked_for_is_never_cut_off():
    hands = HandsOn(Display(), PLAN)
    hands.said = "the meter shows 12.53 V DC"
    plus = Point("battery", "positive")
    for width in (60, 80, 120):
        text = "\n".join(hands.lines(Act("read_dc_meter", red=plus), width, watching=False))
        assert "press m, type what it shows" in text
        assert "the meter shows 12.53 V DC" in text
    # A question about a reading is no reading.
    assert "press m" not in hands.lines(Act("read_dc_meter"), 80, watching=False)[1]
