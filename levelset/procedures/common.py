"""Steps that several procedures share, themselves generators of instructions."""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import Any

from levelset.plan.job import JobPlan
from levelset.ports.base import Point
from levelset.probe.reading import OutputKind, Reading, TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import (
    Acknowledge,
    Act,
    Answer,
    Ask,
    Guidance,
    Listen,
    Offer,
    Play,
    Silence,
    StepFailed,
)
from levelset.procedures.steady import PATIENCE_S, SteadyWatch
from levelset.procedures.what_plays import WhatPlays
from levelset.signals.signal import Playable, Signal
from levelset.signals.tones import set_tone, signal_name

WINDOW_S = 0.25
"""Shortest window, s."""

WINDOW_PERIODS = 10
"""Fewest periods of the tone in a window."""

GIVE_UP_S = 180.0
"""A reading that stays void, or a level that stays away, ends the step after this long, s."""

OWN_TONE_DBFS = -1.0
"""Level of a full-scale tone from levelset's own output, dBFS."""

ACCEPT_MEAN = Offer("accept_now", "accept it as it is")
AT_END = Offer("at_end", "it does not turn any further")
NO_CHANGE = Offer("no_change", "it turned, the level stays")

Steps = Generator[Any, Any, Any]


def tone_spec(frequency_hz: float, output: OutputKind, plan: JobPlan) -> ToneSpec:
    """Return what to listen for with this tone: the window follows from its period."""
    return ToneSpec(
        expected_hz=frequency_hz,
        window_s=max(WINDOW_S, WINDOW_PERIODS / frequency_hz),
        limit_percent=plan.limit_percent,
        output=output,
        live=True,
    )


def source_track(frequency_hz: float) -> Signal:
    """Return the full-scale tone for the source."""
    return set_tone("set-source", "clean volume of the source", frequency_hz, 0.0)


def channel_track(name: str, frequency_hz: float, tone_dbfs: float) -> Signal:
    """Return the set tone of a channel."""
    return set_tone(signal_name("set", name), f"gain of {name}", frequency_hz, tone_dbfs)


def place_tips(where: str, tip_a: Point, tip_b: Point) -> Steps:
    """Ask for both tips; ``where`` completes the sentence "Put ..."."""
    yield Ask(f"Put {where}.", Act("place_tips", tip_a=tip_a, tip_b=tip_b))


def start_tone(signal: Playable, plan: JobPlan) -> Steps:
    """Start the tone from the vehicle's player, or from levelset's own output.

    A track carries its level in itself; levelset's own output stays `OWN_TONE_DBFS` below it, since
    no output is driven to its last code.
    """
    if plan.tone_from == "levelset":
        yield Play(signal, OWN_TONE_DBFS)
    else:
        yield Ask(
            f"Play the track {signal.name}{_tone_words(signal)} on the vehicle's own player, on "
            "repeat.",
            Act("play_track", signal=signal),
        )


def _tone_words(signal: Playable) -> str:
    """Return what a single tone is: any source of the same tone serves as well."""
    if not isinstance(signal, Signal) or len(signal.components) != 1 or signal.level_dbfs is None:
        return ""
    return f" ({signal.components[0].frequency_hz:g} Hz, {signal.level_dbfs:.0f} dBFS)"


def stop_tone(plan: JobPlan) -> Steps:
    """Stop the tone, whoever plays it."""
    if plan.tone_from == "levelset":
        yield Silence()
    else:
        yield Ask(
            "Stop the track on the vehicle's player and turn the volume down.",
            Act("stop_track"),
        )


def start_engine(facts: Facts) -> Steps:
    """Ask for a running engine, unless it was started since the job was opened."""
    if not facts.engine_runs:
        yield Acknowledge(cautions.ENGINE)
        yield Ask(
            "Start the engine, so that the supply is as it is on the road.", Act("start_engine")
        )


def ask_volume(sentence: str, plan: JobPlan) -> Steps:
    """Ask for the number that the display shows; returns it as a whole number."""
    answer: Answer = yield Ask(
        sentence, Act("tell_volume"), "number", low=0.0, high=float(plan.source.max_volume)
    )
    return round(float(answer.value))


def set_volume(volume: int, why: str = "") -> Steps:
    """Ask for a volume by its number; ``why`` is a full sentence."""
    sentence = f"{why} Turn the volume to {volume}.".lstrip()
    yield Ask(sentence, Act("set_volume", value=float(volume)))


def output_of(reading: TipsReading) -> Reading:
    """Return the reading of the output itself."""
    return reading.output


def tip_a_of(reading: TipsReading) -> Reading:
    """Return the reading of tip A against chassis."""
    return reading.legs[0]


def upper_first(text: str) -> str:
    """Return a text that begins a sentence."""
    return f"{text[:1].upper()}{text[1:]}"


def full_stop(text: str) -> str:
    """Return a text as a whole sentence."""
    return text if text.endswith(".") else f"{text}."


class Patience:
    """Ends a step that leads nowhere, by stream time.

    Parameters
    ----------
    what : str
        What did not come, for the sentence.
    give_up_s : float
        How long it may stay away, s.
    """

    def __init__(self, what: str, give_up_s: float = GIVE_UP_S) -> None:
        self._what = what
        self._give_up_s = give_up_s
        self._since_s: float | None = None
        self._reason = ""

    def wait(self, one: Reading) -> None:
        """Count a reading without progress; raises StepFailed when there were too many."""
        now_s = one.start_s
        void = one.tone.void
        self._reason = "" if void is None else f": {void.reason}"
        if self._since_s is None:
            self._since_s = now_s
        elif now_s - self._since_s > self._give_up_s:
            raise StepFailed(f"{self._what} within {self._give_up_s:.0f} s{self._reason}")

    def progress(self) -> None:
        """Start again."""
        self._since_s = None
        self._reason = ""


def void_guidance(reading: Reading, act: Act, heard: str = "") -> Guidance:
    """Say why a reading is void and what to do; ``heard`` says what plays instead of a tone."""
    void = reading.tone.void
    reason = "" if void is None else void.reason
    return Guidance(heard or reason, act, headline="NO READING")


def settle(
    spec: ToneSpec,
    guidance: Guidance,
    *,
    of: Callable[[TipsReading], Reading],
    again_after_s: float = 0.0,
    give_up_s: float = GIVE_UP_S,
) -> Steps:
    """Listen until the level of one reading is steady and return that reading.

    Parameters
    ----------
    spec : ToneSpec
        What to listen for.
    guidance : Guidance
        What to show meanwhile.
    of : callable
        Picks the reading whose level must be steady.
    again_after_s : float
        How much later it must be seen again, s.
    give_up_s : float
        How long it may stay away, s.

    Returns
    -------
    TipsReading
        The last one.

    Raises
    ------
    StepFailed
        If it does not come in a long time.
    """
    watch = SteadyWatch(again_after_s)
    patience = Patience("No steady reading came", give_up_s)
    what = WhatPlays(spec.output)
    shown, offers = guidance, tuple[Offer, ...]()
    reading: TipsReading | None = None
    while True:
        event: TipsReading | Answer = yield Listen(spec, shown, offers)
        if isinstance(event, Answer):
            if reading is not None and of(reading).tone.void is None:
                return reading
            continue
        reading = event
        one = of(reading)
        watch.add(one)
        if watch.confirmed:
            return reading
        patience.wait(one)
        heard: str = yield from what.look(one)
        shown, offers = guidance, ()
        if one.tone.void is not None:
            shown = void_guidance(one, guidance.act, heard)
        elif watch.moving_for_s(one.start_s) > PATIENCE_S:
            shown = unsteady_guidance(guidance, watch)
            offers = (ACCEPT_MEAN,)


def unsteady_guidance(guidance: Guidance, watch: SteadyWatch) -> Guidance:
    """Say by how much the level moves and why it may."""
    return Guidance(
        f"The level moves by {watch.span_db:.2f} dB: check the contact of the tips, and that "
        "nothing but the tone plays.",
        guidance.act,
        headline="NOT STEADY",
        target_volts_rms=guidance.target_volts_rms,
        target_note=guidance.target_note,
    )
