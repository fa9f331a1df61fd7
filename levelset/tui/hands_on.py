"""The person's own hands on an invented vehicle: keys to levers, and what the levers show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from levelset.ports.base import Point
from levelset.tui.renderables.wording import flowed, head_lines, point_mark

if TYPE_CHECKING:
    from levelset.plan.job import JobPlan
    from levelset.ports.base import Levers
    from levelset.procedures.protocol import Act
    from levelset.signals.signal import Playable

FINE_DB = 0.05
COARSE_DB = 1.0
MOST_TURNS = 300
WIDE = 80
METER_VERBS = ("read_meter", "read_dc_meter")
GLANCES = ("inspect", "read_ohm_meter")
"""What is seen so belongs to that question alone."""

KEYS = (
    "↑↓ volume",
    "←→ gain (shift 1 dB)",
    "t tips",
    "p track",
    "m meter",
    "e engine",
    "f filters",
)

DOES = {
    "place_tips": "press t",
    "set_volume": "press ↑ or ↓",
    "volume_up_one": "press ↑",
    "volume_down": "press ↓",
    "turn_gain": "press ← or →",
    "gain_to_minimum": "press home",
    "play_track": "press p",
    "stop_track": "press p",
    "read_meter": "press m, type what it shows",
    "read_dc_meter": "press m, type what it shows",
    "tell_volume": "type it",
    "start_engine": "press e",
    "stop_engine": "press e",
    "rev_engine": "press e",
    "filters_off": "press f",
    "filters_on": "press f",
    "read_ohm_meter": "press m, type what it shows",
    "inspect": "press m to look",
    "turn_input": "it has none, press x",
    "input_to_minimum": "it has none, press enter",
    "lower_input": "it has none, press n",
}
"""Which key does what an instruction asks for."""
TURNED = {"set_volume": ("↑", "↓"), "turn_gain": ("→", "←")}


class HandsOn:
    """Moves the levers and remembers what a glance at the vehicle would tell.

    Parameters
    ----------
    levers : Levers
        The simulated vehicle.
    plan : JobPlan
        Names of the channels.
    """

    def __init__(self, levers: Levers, plan: JobPlan) -> None:
        self._levers = levers
        self._plan = plan
        self._tips: dict[Literal["A", "B"], Point] = {"A": Point("open"), "B": Point("open")}
        self._rounds = 0
        self._track: str | None = None
        self._asked: Act | None = None
        self._asked_tips: Act | None = None
        self._asked_signal: Playable | None = None
        self._engine = False
        self._filters = True
        self.said = "nothing touched yet"

    def asked(self, act: Act | None, *, watching: bool) -> None:
        """Remember what is asked for; a glance at something else is over then.

        Parameters
        ----------
        act : Act or None
            What is asked for now; None asks for nothing.
        watching : bool
            Whether simulated hands do it.
        """
        if act is None or act == self._asked:
            return
        if self._asked is not None and self._asked.verb in GLANCES:
            self.said = ""
        self._asked = act
        if act.verb == "place_tips":
            self._asked_tips, self._rounds = act, 0
        elif act.verb == "play_track" and act.signal is not None:
            self._asked_signal = act.signal
        if watching:
            self.watched(act)

    def turn_volume(self, steps: int) -> None:
        """Turn the volume by whole clicks."""
        self.said = f"the display shows {self._levers.turn_volume(steps)}"

    def turn_gain(self, channel: str | None, by_db: float) -> None:
        """Turn a gain knob, or for None the processor's output level."""
        moved = self._levers.turn_gain(channel, by_db)
        way = "up" if by_db > 0 else "down"
        self.said = f"{_knob(channel)} {way if moved else 'is at its end'}"

    def gain_to_minimum(self, channel: str | None) -> None:
        """Turn a gain knob, or for None the processor's output level, down until its end."""
        for _ in range(MOST_TURNS):
            if not self._levers.turn_gain(channel, -COARSE_DB):
                break
        self.said = f"{_knob(channel)} is at its minimum"

    def place_tips(self, act: Act | None) -> None:
        """Place the tips as asked; without a request as asked last, then round in order and off."""
        if act is not None and act.verb == "place_tips":
            wanted = {"A": act.tip_a, "B": act.tip_b}
        else:
            last = self._asked_tips
            places = [
                *([] if last is None else [(last.tip_a, last.tip_b)]),
                (Point("source", "positive"), Point("source", "negative")),
                *(
                    [(Point("processor", "positive"), Point("processor", "negative"))]
                    if self._plan.processor is not None
                    else []
                ),
                *(
                    (Point("channel", "positive", c.name), Point("channel", "negative", c.name))
                    for c in self._plan.channels
                ),
                (Point("open"), Point("open")),
            ]
            tip_a, tip_b = places[self._rounds % len(places)]
            wanted = {"A": tip_a, "B": tip_b}
            self._rounds += 1
        for tip in self._tips:
            point = wanted[tip]
            if point is not None:
                self._levers.touch(tip, point)
                self._tips[tip] = point
        self.said = "tips placed"

    def play_track(self, act: Act | None) -> None:
        """Play the track that is asked for; else stop the player, or play what was asked last."""
        wanted = None if act is None or act.verb != "play_track" else act.signal
        if wanted is None and self._track is None:
            wanted = self._asked_signal
        if wanted is not None:
            self._levers.play_track(wanted)
            self._track = wanted.name
            self.said = f"the player plays {wanted.name}"
        elif self._track is not None:
            self._levers.play_track(None)
            self._track = None
            self.said = "the player is stopped"
        else:
            self.said = "no track is asked for now"

    def read_meter(self, act: Act | None) -> None:
        """Read the multimeter where it is asked for, else at tip A."""
        if act is not None and act.verb == "read_ohm_meter" and act.channel is not None:
            self.said = f"the meter shows {self._levers.meter_ohm(act.channel):g} ohm"
            return
        if act is not None and act.verb == "inspect" and act.item is not None:
            self.said = f"looks like: {self._levers.inspect(act.item, act.channel)}"
            return
        if act is not None and act.verb in METER_VERBS and act.red is not None:
            red, black = act.red, act.black
        else:
            red, black = self._tips["A"], None
        if red.place == "open":
            self.said = "the meter touches nothing: place the tips first"
            return
        if act is not None and act.verb == "read_dc_meter":
            self.said = f"the meter shows {self._levers.meter_dc_volts(red, black):.2f} V DC"
            return
        self.said = f"the meter shows {self._levers.meter_ac_volts(red, black):.2f} V AC"

    def use_engine(self, act: Act | None) -> None:
        """Hold the engine speed that is asked for, else start or stop the engine."""
        if act is not None and act.verb == "rev_engine":
            self._levers.engine_speed(act.value)
            speed = "idles" if act.value is None else f"turns at {act.value:.0f} a minute"
            self.said = f"the engine {speed}"
            return
        asked = None if act is None else {"start_engine": True, "stop_engine": False}.get(act.verb)
        self._engine = not self._engine if asked is None else asked
        self._levers.engine(self._engine)
        self.said = "the engine runs" if self._engine else "the engine is off"

    def use_filters(self, act: Act | None) -> None:
        """Switch filters as it is asked for, else all of them the other way."""
        asked = act is not None and act.verb in ("filters_on", "filters_off")
        on = act.verb == "filters_on" if act is not None and asked else not self._filters
        channel = act.channel if act is not None and asked else None
        self._levers.filters(channel, on)
        self._filters = on
        self.said = f"filters {'on' if on else 'off'}{'' if channel is None else f': {channel}'}"

    def watched(self, act: Act) -> None:
        """Remember what simulated hands do when they are asked for this, as a person sees it."""
        match act.verb:
            case "place_tips":
                self._tips["A"] = act.tip_a or self._tips["A"]
                self._tips["B"] = act.tip_b or self._tips["B"]
            case "play_track" if act.signal is not None:
                self._track = act.signal.name
            case "stop_track":
                self._track = None
            case "start_engine" | "stop_engine":
                self._engine = act.verb == "start_engine"
            case "filters_on" | "filters_off":
                self._filters = act.verb == "filters_on"
            case _:
                return
        self.said = "as the hands left it"

    def lines(self, act: Act | None, width: int, *, watching: bool) -> list[str]:
        """Return what the vehicle looks like, and the keys that move it.

        Parameters
        ----------
        act : Act or None
            What is asked for now.
        width : int
            Longest line.
        watching : bool
            Whether simulated hands act instead.
        """
        if watching:
            title, keys = "THE HANDS ARE AT WORK ON THE INVENTED CAR", "press w to take over"
            return [
                "─" * width,
                *head_lines(title, f"volume {self._levers.shown_volume()}", width),
                keys[:width],
            ]
        volume = self._levers.shown_volume()
        key = None if act is None else DOES.get(act.verb)
        if act is not None and act.verb in METER_VERBS and act.red is None:
            key = None  # a question about a reading, not the reading
        elif act is not None and act.verb == "set_volume" and act.value == volume:
            key = "it stands there, press enter"
        elif act is not None and act.verb in TURNED:
            up, down = TURNED[act.verb]
            way = _way(act, volume)
            key = f"press {up}" if way == "up" else f"press {down}" if way == "down" else key
        hint = "" if key is None else f": {key}"
        state = f"volume {volume}" + (f" · {self.said}" if self.said else "")
        tips = f"tip A: {point_mark(self._tips['A'])} · tip B: {point_mark(self._tips['B'])}"
        playing = f"player: {self._track or 'off'} · engine {'on' if self._engine else 'off'}"
        return [
            "─" * width,
            *head_lines(f"INVENTED CAR{hint}", state, width),
            *head_lines(tips, playing, width),
            # A narrow screen has room for the key that is asked for; the help has them all.
            *(flowed(KEYS, width) if key is None or width >= WIDE else ()),
        ]


def _way(act: Act, volume: int) -> str | None:
    """Return which way an act wants the knob turned; None where it does not say."""
    if act.verb == "set_volume" and act.value is not None:
        return "up" if act.value > volume else "down"
    return act.direction


def _knob(channel: str | None) -> str:
    return "processor's level" if channel is None else f"gain of {channel}"
