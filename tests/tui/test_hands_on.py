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
    assert "A: the tap, positive" in text
    assert "player: set-bass · engine on" in text
    hands.watched(Act("stop_track"))
    assert "player: off" in "\n".join(hands.lines(None, 80, watching=False))
