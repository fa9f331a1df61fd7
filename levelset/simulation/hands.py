"""Simulated hands: they read the screen and move levers, coarsely first, as people do."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from levelset.probe.reading import TipsReading
from levelset.procedures.protocol import Acknowledge, Act, Answer, Ask, Listen

if TYPE_CHECKING:
    from levelset.ports.base import Levers
    from levelset.procedures.protocol import Guidance, Instruction, View

READ_S = (0.4, 0.9)
"""Shortest and longest time to read a caution or a question, s."""

REACT_S = (0.2, 0.4)
"""From a new reading to the turn that follows it, s."""

CLICK_S = 0.15
"""Between two clicks of the volume, s."""

SETTLE_S = 0.06
"""A reading counts as fresh when it began this long after the last movement, s."""

FINE_DB = 0.3
COARSE_DB = 3.0
FASTEST_DB = 6.0
"""Largest single turn, dB."""

OVERSHOOT_DB = (0.05, 0.3)
OVERSHOOT_EVERY = 0.2
"""Part of the medium turns that go too far."""

TREMOR_DB = 0.01
SMALLEST_DB = 0.01

AT_END = "at_end"
NO_CHANGE = "no_change"
NO_CHANGE_S = 6.0
"""After a click without effect they say so, s."""
TOUCHED = "touched"
CANNOT = ("read_dc_meter", "lower_input")
"""Questions that they answer with no: their meter reaches the points of the car, not both ends of a
supply cable, and the simulated processor has no control at its input."""


class Hands:
    """`levelset.procedures.protocol.Person` that sees the screen and the levers, nothing else.

    Parameters
    ----------
    levers : Levers
        What they reach.
    now_s : callable
        Their watch: stream time, s.
    seed : int
        Seed of their delays, tremor and overshoot.
    """

    def __init__(self, levers: Levers, now_s: Callable[[], float], seed: int) -> None:
        self._levers = levers
        self._now_s = now_s
        self._random = np.random.default_rng([seed, 3])
        self._instruction: Instruction | None = None
        self._due_s = 0.0
        self._acted = False
        self._moved_s = float("-inf")
        self._turn_due_s: float | None = None
        self._stuck: tuple[str | None, bool] | None = None
        self._done_while_listening: Act | None = None

    def see(self, view: View) -> None:
        """Look at the screen."""
        if view.instruction is self._instruction:
            return
        self._instruction = view.instruction
        if not isinstance(view.instruction, Listen):
            self._due_s = self._now_s() + self._random.uniform(*READ_S)
            self._acted = False
            self._turn_due_s = None
            self._stuck = None
            self._done_while_listening = None

    def answer(self, view: View) -> Answer | None:
        """Act if it is time, and answer if there is an answer."""
        self.see(view)
        match view.instruction:
            case Listen():
                return self._while_listening(view, view.instruction)
            case Acknowledge() | Ask() if self._now_s() < self._due_s:
                return None
            case Acknowledge():
                return Answer("yes")
            case Ask():
                return self._asked(view.instruction)
        return None

    def wants_to_stop(self) -> bool:
        """Return False: they stay to the end."""
        return False

    def _asked(self, ask: Ask) -> Answer | None:
        """Do what is asked, step by step, then wait a moment and answer."""
        if not self._acted:
            self._acted = self._do(ask.act)
            self._moved_s = self._now_s()
            self._due_s = self._moved_s + (self._reaction_s() if self._acted else CLICK_S)
            return None
        if ask.act.verb == "inspect" and ask.act.item is not None:
            return Answer(self._levers.inspect(ask.act.item, ask.act.channel))
        if ask.act.verb == "read_ohm_meter" and ask.act.channel is not None:
            return Answer(self._levers.meter_ohm(ask.act.channel))
        if ask.answer == "yes_no":
            return Answer("no" if ask.act.verb in CANNOT else "yes")
        if ask.answer == "done":
            return Answer("done")
        if ask.act.verb == "read_dc_meter" and ask.act.red is not None:
            return Answer(self._levers.meter_dc_volts(ask.act.red, ask.act.black))
        if ask.act.verb == "read_meter" and ask.act.red is not None:
            return Answer(self._levers.meter_ac_volts(ask.act.red, ask.act.black))
        return Answer(float(self._levers.shown_volume()))

    def _do(self, act: Act) -> bool:
        """Move the levers once; True when nothing is left to move."""
        levers = self._levers
        match act.verb:
            case "place_tips":
                if act.tip_a is not None:
                    levers.touch("A", act.tip_a)
                if act.tip_b is not None:
                    levers.touch("B", act.tip_b)
            case "set_volume" if act.value is not None:
                shown = levers.shown_volume()
                step = int(np.sign(round(act.value) - shown))
                return step == 0 or levers.turn_volume(step) == shown
            case "volume_up_one":
                levers.turn_volume(1)
            case "volume_down":
                levers.turn_volume(-1 if act.value is None else -round(act.value))
            case "gain_to_minimum":
                return not levers.turn_gain(act.channel, -FASTEST_DB)
            case "turn_gain" if act.value is not None:
                levers.turn_gain(act.channel, act.value)
            case "play_track":
                levers.play_track(act.signal)
            case "stop_track":
                levers.play_track(None)
            case "start_engine":
                levers.engine(True)
            case "stop_engine":
                levers.engine(False)
            case "rev_engine":
                levers.engine_speed(act.value)
            case "filters_on" | "filters_off":
                levers.filters(act.channel, act.verb == "filters_on")
            case "connect_loudspeakers" | "disconnect_loudspeakers":
                levers.loudspeakers(act.channel, act.verb == "connect_loudspeakers")
            case "mute" | "unmute":
                levers.mute(act.verb == "mute")
        return True

    def _while_listening(self, view: View, listen: Listen) -> Answer | None:
        guidance = listen.guidance
        act = guidance.act
        if act.verb == "turn_gain":
            return self._turn_gain(view, listen)
        self._turn_due_s = None
        if act.verb == "volume_up_one":
            return self._volume_up(view, listen)
        if act.verb == "turn_input":
            # The invented interface has no control of its own.
            return self._at_end(listen) if view.reading is not None else None
        if act.verb != "wait" and act != self._done_while_listening and self._do(act):
            self._done_while_listening = act
            self._moved_s = self._now_s()
        if act.verb == "place_tips" and any(offer.word == TOUCHED for offer in listen.offers):
            return Answer(TOUCHED)
        return None

    def _volume_up(self, view: View, listen: Listen) -> Answer | None:
        """Turn one click where the wanted number is above the one shown."""
        wanted = listen.guidance.act.value
        shown = self._levers.shown_volume()
        if wanted is None:
            # Without a number, one click follows one reading.
            if not self._fresh(view):
                return None
        elif wanted <= shown:
            waited_s = self._now_s() - self._moved_s
            return self._offered(listen, NO_CHANGE) if waited_s > NO_CHANGE_S else None
        now_s = self._now_s()
        if now_s < self._moved_s + 2.0 * CLICK_S:
            return None
        self._moved_s = now_s
        return self._at_end(listen) if self._levers.turn_volume(1) == shown else None

    def _turn_gain(self, view: View, listen: Listen) -> Answer | None:
        """Turn after a reaction time, on a fresh reading only, then wait for the next."""
        guidance = listen.guidance
        by_db = self._wanted_db(guidance)
        if by_db == 0.0 or not self._fresh(view):
            return None
        if self._stuck == (guidance.act.channel, by_db > 0.0):
            answer = self._at_end(listen)
            if answer is not None:
                self._stuck = None
            return answer
        now_s = self._now_s()
        if self._turn_due_s is None:
            self._turn_due_s = now_s + self._reaction_s()
        if now_s < self._turn_due_s:
            return None
        turn_db, pause_s = self._turn(by_db)
        moved = self._levers.turn_gain(guidance.act.channel, turn_db)
        self._stuck = None if moved else (guidance.act.channel, by_db > 0.0)
        self._moved_s = now_s + pause_s
        self._turn_due_s = None
        return None

    def _wanted_db(self, guidance: Guidance) -> float:
        """Return how far the screen wants the knob turned, dB; 0 for hands off."""
        direction = guidance.direction or guidance.act.direction
        to_go_db = guidance.to_go_db
        if direction == "hold":
            return 0.0
        if direction is None:
            return 0.0 if to_go_db is None else to_go_db
        size_db = FINE_DB if to_go_db is None else abs(to_go_db)
        return size_db if direction == "up" else -size_db

    def _turn(self, by_db: float) -> tuple[float, float]:
        """Return a turn of the knob and the pause after it: coarse, medium, then ever finer."""
        size_db, pause_s = abs(by_db), 0.0
        uniform = self._random.uniform
        if size_db > COARSE_DB:
            turn_db = min(size_db * uniform(0.6, 0.9), FASTEST_DB)
        elif size_db > FINE_DB:
            turn_db = size_db * uniform(0.7, 1.0)
            if uniform() < OVERSHOOT_EVERY:
                turn_db = size_db + uniform(*OVERSHOOT_DB)
                pause_s = uniform(0.5, 1.2)
        else:
            turn_db = size_db * uniform(0.8, 1.0) + uniform(-TREMOR_DB, TREMOR_DB)
        turn_db = max(turn_db, min(size_db, SMALLEST_DB))
        return (turn_db if by_db > 0.0 else -turn_db), pause_s

    def _fresh(self, view: View) -> bool:
        """Tell whether the reading on the screen began after the last movement."""
        if view.reading is None:
            return False
        if not isinstance(view.reading, TipsReading):
            return False
        return view.reading.legs[0].start_s >= self._moved_s + SETTLE_S

    def _at_end(self, listen: Listen) -> Answer | None:
        return self._offered(listen, AT_END)

    def _offered(self, listen: Listen, word: str) -> Answer | None:
        return Answer(word) if any(offer.word == word for offer in listen.offers) else None

    def _reaction_s(self) -> float:
        return float(self._random.uniform(*REACT_S))
