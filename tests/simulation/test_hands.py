"""Simulated hands on a small procedure, with an independent fit for a reading."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from typing import Any

import numpy as np
import pytest

from levelset.analysis.result import ToneResult
from levelset.ports.base import Point
from levelset.ports.simulated import Demo, open_demo
from levelset.probe.reading import Frames, Reading, TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.protocol import (
    Acknowledge,
    Act,
    Answer,
    Ask,
    Finish,
    Guidance,
    Listen,
    Offer,
    View,
)
from levelset.quantity import Quantity
from levelset.signals.signal import Component, Signal

TONE = Signal("tone", "a test", (Component(97.0, 1.0, 0.0),))
SPEC = ToneSpec(97.0, 0.25, 1.0, "unknown", True)
AT_END = (Offer("at_end", "it does not turn any further"),)
VOLTS_PER_FULL_SCALE = 160.0


class Bench:
    """Carries a procedure out, and keeps what the hands did and when.

    A stand-in for the engine whose reading is numpy's own least squares at a known frequency.
    """

    def __init__(self, demo: Demo) -> None:
        self.demo = demo
        self.answers: list[tuple[str, Answer, float]] = []
        self.turns: list[tuple[float, float]] = []
        self._blocks = demo.port.blocks()
        self._tape: list[np.ndarray] = []
        self._frames = 0
        self._turned = demo.levers.turn_gain
        demo.levers.turn_gain = self._turn  # type: ignore[method-assign]

    def run(self, procedure: Generator[Any, Any, Any]) -> Finish:
        reading: TipsReading | None = None
        instruction = next(procedure)
        while not isinstance(instruction, Finish):
            view = View("test", None, self.now_s, instruction, reading, "vehicle", None, None)
            self.demo.hands.see(view)
            began = self._frames
            event: Any = None
            while event is None:
                assert self.now_s < 600.0, f"no end: {instruction}"
                event = self.demo.hands.answer(view)
                if event is not None:
                    self.answers.append((type(instruction).__name__, event, self.now_s))
                elif isinstance(instruction, Listen) and self._frames - began >= 12_000:
                    event = reading = self._read(began)
                else:
                    self._advance()
            instruction = procedure.send(event)
        return instruction

    @property
    def now_s(self) -> float:
        return self.demo.port.time_s

    def _advance(self) -> None:
        block = next(self._blocks)
        self._tape.append(block.samples)
        self._frames += len(block.samples)

    def _turn(self, channel: str, by_db: float) -> bool:
        self.turns.append((self.now_s, by_db))
        return self._turned(channel, by_db)

    def _read(self, first: int) -> TipsReading:
        samples = np.concatenate(self._tape)[first : first + 12_000]
        angle = 2.0 * np.pi * 97.0 * np.arange(12_000) / 48_000
        columns = np.column_stack((np.ones(12_000), np.cos(angle), np.sin(angle)))
        found, *_ = np.linalg.lstsq(columns, samples[:, 0] - samples[:, 1], rcond=None)
        volts = float(np.hypot(found[1], found[2])) * VOLTS_PER_FULL_SCALE / math.sqrt(2.0)
        one = Reading(
            "pair", first / 48_000, 0.25, ToneResult(None), Quantity(volts, 0.0, "V"), None
        )
        return TipsReading(Frames(0, first, 12_000, 48_000), SPEC, (one,), one)


@pytest.fixture
def bench(tmp_path: Any) -> Callable[[int], Bench]:
    return lambda seed: Bench(open_demo(None, seed=seed, fast=True))


def volts(reading: TipsReading) -> float:
    assert reading.output.volts_rms is not None
    return reading.output.volts_rms.value


def prepare(volume: float = 33.0) -> Generator[Any, Any, None]:
    yield Acknowledge(cautions.PROBE)
    yield Ask("Start the engine.", Act("start_engine"))
    yield Ask("Play.", Act("play_track", signal=TONE))
    yield Ask("Turn the gain down.", Act("gain_to_minimum", channel="bass"))
    yield Ask("Turn the volume.", Act("set_volume", value=volume))
    yield Ask(
        "Put the tips on.",
        Act(
            "place_tips",
            tip_a=Point("channel", "positive", "bass"),
            tip_b=Point("channel", "negative", "bass"),
        ),
    )


def gain(target_v: float, log: list[float]) -> Generator[Any, Any, Any]:
    """Guide to a target; three readings in a row within 0.05 dB end it."""
    yield from prepare()
    guidance = Guidance("Wait.", Act("wait"))
    offers: tuple[Offer, ...] = ()
    inside = 0
    while True:
        event = yield Listen(SPEC, guidance, offers)
        if isinstance(event, Answer):
            yield Finish("limited", str(event.value), {})
        to_go_db = 20.0 * math.log10(target_v / volts(event))
        log.append(to_go_db)
        inside = inside + 1 if abs(to_go_db) < 0.05 else 0
        if inside == 3:
            yield Finish("accepted", "there", {})
        if inside:
            guidance, offers = Guidance("Hands off.", Act("wait"), direction="hold"), ()
            continue
        direction = "up" if to_go_db > 0.0 else "down"
        act = Act("turn_gain", direction=direction, channel="bass")  # type: ignore[arg-type]
        guidance, offers = (
            Guidance("Turn.", act, direction=direction, to_go_db=to_go_db),  # type: ignore[arg-type]
            AT_END,
        )


@pytest.mark.parametrize("seed", range(6))
def test_the_gain_converges(bench: Callable[[int], Bench], seed: int) -> None:
    one, log = bench(seed), list[float]()
    finish = one.run(gain(18.0, log))
    assert finish.outcome == "accepted"
    assert abs(log[-1]) < 0.05
    assert log[0] > 3.0
    assert min(log) > -0.45, "an overshoot stays small"
    kinds = [kind for kind, _, _ in one.answers]
    assert kinds == ["Acknowledge", *["Ask"] * 5]
    assert one.now_s < 60.0


def test_some_hands_overshoot_and_turns_become_finer(bench: Callable[[int], Bench]) -> None:
    overshot, first, last = False, list[float](), list[float]()
    for seed in range(12):
        one, log = bench(seed), list[float]()
        one.run(gain(18.0, log))
        overshot = overshot or min(log) < -0.04
        sizes = [abs(by_db) for _, by_db in one.turns if by_db > -6.0]
        first.append(sizes[0])
        last.append(sizes[-1])
    assert overshot
    assert min(first) > 1.0
    assert np.median(last) < 0.2


def test_no_turn_on_a_stale_reading(bench: Callable[[int], Bench]) -> None:
    """Between two turns there is a whole new window, and a reaction time."""
    one = bench(3)
    one.run(gain(18.0, []))
    guided = [at_s for at_s, by_db in one.turns if by_db > -6.0]
    assert len(guided) >= 3
    assert min(np.diff(guided)) > 0.25 + 0.2 - 0.03


@pytest.mark.parametrize("target_v", [1000.0, 0.001])
def test_the_end_of_the_knob_is_said(bench: Callable[[int], Bench], target_v: float) -> None:
    finish = bench(1).run(gain(target_v, []))
    assert (finish.outcome, finish.sentence) == ("limited", "at_end")


def climb(shown: list[int], last: int) -> Generator[Any, Any, Any]:
    """Wait for every level once; the number wanted goes up after each."""
    yield from prepare(12.0)
    wanted, before = 12, 0.0
    while True:
        act = Act("volume_up_one", value=float(wanted))
        event = yield Listen(SPEC, Guidance("Up.", act), AT_END)
        if isinstance(event, Answer):
            yield Finish("limited", str(event.value), {})
        if volts(event) > before * 1.1 or wanted == 12:
            answer = yield Ask("Which number?", Act("tell_volume"), "number", low=0.0, high=35.0)
            shown.append(answer.value)
            before = max(before, volts(event))
            if answer.value == last:
                yield Finish("accepted", "there", {})
            if answer.value == wanted:
                wanted += 1


def test_the_volume_goes_up_by_one_each_time(bench: Callable[[int], Bench]) -> None:
    shown = list[int]()
    one = bench(2)
    # Straight on the terminals at minimum gain the steps are 1.4 dB until the source clips.
    assert one.run(climb(shown, 20)).outcome == "accepted"
    assert sorted(set(shown)) == list(range(12, 21))
    assert shown == sorted(shown)


def test_the_end_of_the_volume_is_said(bench: Callable[[int], Bench]) -> None:
    def to_the_end() -> Generator[Any, Any, Any]:
        yield from prepare(34.0)
        for wanted in range(35, 40):
            event: Any = None
            for _ in range(8):
                act = Act("volume_up_one", value=float(wanted))
                event = yield Listen(SPEC, Guidance("Up.", act), AT_END)
                if isinstance(event, Answer):
                    yield Finish("limited", str(event.value), {"wanted": wanted})

    finish = bench(2).run(to_the_end())
    assert finish.result == {"wanted": 36}


def test_questions(bench: Callable[[int], Bench]) -> None:
    answers: list[Any] = []

    def ask() -> Generator[Any, Any, Any]:
        yield from prepare(30.0)
        act = Act("read_meter", red=Point("source", "positive"), black=None)
        answers.append((yield Ask("Meter?", act, "number", unit="V")).value)
        answers.append((yield Ask("Sure?", Act("wait"), "yes_no")).value)
        yield Ask("Down by 2.", Act("volume_down", value=2.0))
        answers.append((yield Ask("Number?", Act("tell_volume"), "number")).value)
        yield Ask("Stop.", Act("stop_track"))
        answers.append((yield Ask("Meter?", act, "number", unit="V")).value)
        yield Finish("accepted", "", {})

    one = bench(0)
    one.run(ask())
    # Volume 30 of 35 at 1.4 dB a step, one of two legs, and the meter's tolerance.
    true_v = 9.3 * 10.0 ** (-5 * 1.4 / 20.0) / 2.0
    assert answers[0] == pytest.approx(true_v, abs=0.008 * true_v + 0.035)
    assert answers[1:3] == ["yes", 28.0]
    assert abs(answers[3]) <= 0.03
    assert all(kind == "Ask" for kind, _, _ in one.answers[1:])
    times = [at_s for _, _, at_s in one.answers]
    assert all(later - earlier > 0.3 for earlier, later in zip(times, times[1:], strict=False))
    assert not one.demo.hands.wants_to_stop()


def test_hands_off_means_hands_off(bench: Callable[[int], Bench]) -> None:
    def hold() -> Generator[Any, Any, Any]:
        yield from prepare()
        for act in (Act("wait"), Act("turn_gain", direction="hold", channel="bass")):
            for _ in range(8):
                yield Listen(SPEC, Guidance("Hold.", act, direction="hold", to_go_db=5.0), AT_END)
        yield Finish("accepted", "", {})

    one = bench(0)
    one.run(hold())
    assert all(by_db <= -6.0 for _, by_db in one.turns)


def test_hands_move_every_lever(bench: Callable[[int], Bench]) -> None:
    one = bench(0)
    car = one.demo.port._car
    states: list[tuple[Any, ...]] = []

    def ask() -> Generator[Any, Any, Any]:
        for act in (
            Act("start_engine"),
            Act("rev_engine", value=1600.0),
            Act("rev_engine"),
            Act("filters_off", channel="bass"),
            Act("filters_on"),
            Act("connect_loudspeakers", channel="bass"),
            Act("disconnect_loudspeakers"),
            Act("mute"),
            Act("unmute"),
            Act("stop_engine"),
        ):
            yield Ask("Do it.", act)
            bass = car.amplifier("bass")
            states.append((car.rpm, bass.filters_on, bass.load_connected, car.muted))
        yield Finish("accepted", "", {})

    one.run(ask())
    assert states == [
        (800.0, True, False, False),
        (1600.0, True, False, False),
        (800.0, True, False, False),
        (800.0, False, False, False),
        (800.0, True, False, False),
        (800.0, True, True, False),
        (800.0, True, False, False),
        (800.0, True, False, True),
        (800.0, True, False, False),
        (0.0, True, False, False),
    ]
