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
    hands.asked(Act("stop_track"), watching=True)
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


class Places(Display):
    def __init__(self):
        self.done = []

    def touch(self, tip, point):
        self.done.append((tip, point))

    def play_track(self, signal):
        self.done.append(signal and signal.name)

    def inspect(self, item, channel):  # noqa: ARG002
        return "yes"


def test_what_was_passed_over_can_still_be_done():
    """Who pressed enter too early plays the track and puts the tips there all the same."""
    levers = Places()
    hands = HandsOn(levers, PLAN)
    plus = Point("source", "positive")
    hands.asked(Act("place_tips", tip_a=plus, tip_b=plus), watching=False)
    hands.asked(Act("play_track", signal=Signal("set-bass", "a test", ())), watching=False)
    hands.asked(later := Act("volume_up_one"), watching=False)
    hands.play_track(later)
    hands.place_tips(later)
    assert levers.done == ["set-bass", ("A", plus), ("B", plus)]
    hands.play_track(later)
    assert levers.done[-1] is None
    # Pressed once more they go round the other places, and come back.
    for _ in range(10):
        hands.place_tips(later)
    assert levers.done.count(("B", plus)) > 1


def test_what_was_seen_is_not_taken_for_an_answer_to_the_next_question():
    hands = HandsOn(Places(), PLAN)
    look = Act("inspect", item="bass_boost_off")
    hands.asked(look, watching=False)
    hands.read_meter(look)
    assert "looks like: yes" in "\n".join(hands.lines(look, 80, watching=False))
    hands.asked(look, watching=False)
    assert "looks like: yes" in "\n".join(hands.lines(look, 80, watching=False))
    after = Act("inspect", item="remote_knob_out")
    hands.asked(after, watching=False)
    assert "looks like" not in "\n".join(hands.lines(after, 80, watching=False))


def test_the_key_for_the_way_that_is_asked_for():
    hands = HandsOn(Display(), PLAN)
    for act, key in (
        (Act("turn_gain", direction="up"), "press →"),
        (Act("turn_gain", direction="down"), "press ←"),
        (Act("turn_gain"), "press ← or →"),
        (Act("set_volume", value=14.0), "press ↑"),
        (Act("set_volume", value=11.0), "press ↓"),
        (Act("set_volume", value=12.0), "it stands there, press enter"),
    ):
        first = hands.lines(act, 80, watching=False)[1]
        assert first.startswith(f"INVENTED CAR: {key}  ")
