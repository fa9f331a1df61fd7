"""A sound server that stands still for a while ends nothing but a tone of levelset's own."""

from __future__ import annotations

import contextlib
import itertools
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from types import ModuleType
from typing import Any

import pytest

from levelset.ports.live import LivePort, open_live
from levelset.probe.path_stage import WAITING
from levelset.probe.reading import Reading, TipsReading, ToneSpec
from levelset.procedures.engine import Engine
from levelset.procedures.protocol import Act, Finish, Guidance, Listen, Play, Procedure, View
from levelset.recordings.live import follow, watch
from levelset.signals.signal import Component, Signal
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.paperwork import job_plan

pytestmark = pytest.mark.outside

RATE_HZ = 48_000
STILL_S = 2.0
TONE = Signal("tone", "a test", (Component(997.0, 1.0, 0.0),))
TONE_HZ = {"vehicle": 227.3, "levelset": 997.0}


class Onlooker:
    """Looks at every glimpse; never answers."""

    def __init__(self) -> None:
        self.glimpses: list[TipsReading] = []

    def see(self, view: View) -> None: ...

    def answer(self, view: View) -> None: ...

    def wants_to_stop(self) -> bool:
        return False

    def glimpse(self, view: View) -> None:
        assert isinstance(view.reading, TipsReading)
        self.glimpses.append(view.reading)


class Record:
    def __init__(self) -> None:
        self.lines: list[tuple[str, Any]] = []

    def append(self, kind: str, data: Any) -> int:
        self.lines.append((kind, data))
        return len(self.lines)

    def store_capture(self, codes: Any, rate_hz: int) -> str:
        raise AssertionError("nothing is accepted here")


@contextlib.contextmanager
def standing_still(server: Any) -> Iterator[None]:
    """Stop the server, and let it go on after a while."""
    process = server.process.pid
    os.kill(process, signal.SIGSTOP)
    timer = threading.Timer(STILL_S, os.kill, (process, signal.SIGCONT))
    timer.start()
    try:
        yield
    finally:
        timer.join()


@pytest.fixture
def vehicle(server: Any, live: ModuleType, beside: Callable[[str], ModuleType]) -> Iterator[None]:
    with beside("test_live_tampered").player(server, live.SINKS[0]):
        yield


@pytest.mark.parametrize("updates_hz", [None, 10.0])
def test_watch_says_it_and_goes_on(server: Any, vehicle: None, updates_hz: float | None) -> None:
    port = open_live("pulse", output=None, rate_hz=RATE_HZ, channels=2)
    readings = watch(port, None, 1.0) if updates_hz is None else follow(port, None, 1.0, updates_hz)
    good: Callable[[Reading], bool] = lambda one: one.tone.void is None  # noqa: E731
    try:
        until_s = time.perf_counter() + 20.0
        while not good(next(readings)):
            assert time.perf_counter() < until_s
        said: list[Reading] = []
        with standing_still(server):
            while not any(map(is_wait, said)) or not all(map(good, said[-8:])):
                said.append(next(readings))
                assert time.perf_counter() < until_s
    finally:
        port.close()
    # Once for both channels, each time that nothing comes.
    waits = [len(list(row)) for wait, row in itertools.groupby(said, is_wait) if wait]
    assert set(waits) == {2}


def is_wait(reading: Reading) -> bool:
    return reading.tone.void is WAITING


def step(port: LivePort, tone: str, person: Onlooker, server: Any, stops: list[str]) -> Any:
    """Run a step in the middle of which the server stands still, if `stops` says so."""
    spec = ToneSpec(TONE_HZ[tone], 0.25, 1.0, "unknown", live=True)

    def listening() -> Procedure:
        if tone == "levelset":
            yield Play(TONE, -20.0)
        heard = 0
        for _ in range(100):
            reading = yield Listen(spec, Guidance("Listen.", Act("wait")))
            heard += reading.legs[0].tone.void is None
            if heard > 1 and stops:
                stops.clear()
                heard = 0
                stack.enter_context(standing_still(server))
            elif heard >= 6:
                break
        yield Finish("accepted", f"{heard} readings.", {})

    plan = job_plan(load_demo_car())
    with contextlib.ExitStack() as stack:
        return Engine(port, Record(), person, plan).run("listening", None, listening())


def test_a_step_waits_and_goes_on(server: Any, vehicle: None) -> None:
    port, person = open_live("pulse", output=None, rate_hz=RATE_HZ, channels=2), Onlooker()
    try:
        found = step(port, "vehicle", person, server, ["in the middle"])
        assert port.stream >= 1
    finally:
        port.close()
    assert (found.outcome, found.sentence) == ("accepted", "6 readings.")
    # The screen has said it meanwhile.
    shown = [reading.output.tone.void for reading in person.glimpses]
    assert WAITING in shown
    assert shown[-1] is not WAITING


def test_the_own_tone_ends_and_the_next_step_goes_on(server: Any) -> None:
    port, person = open_live("pulse", output="pulse", rate_hz=RATE_HZ, channels=2), Onlooker()
    try:
        failed = step(port, "levelset", person, server, ["in the middle"])
        assert failed.outcome == "failed"
        assert failed.sentence.startswith("The tone was stopped"), failed.sentence
        assert not port.sounding
        # A busy machine may end it once more.
        again = [step(port, "levelset", person, server, []) for _ in range(2)]
        assert "accepted" in [one.outcome for one in again], again
    finally:
        port.close()
