"""Between two readings a screen shows the newest window; nobody else is told."""

from __future__ import annotations

import numpy as np
import pytest

from levelset.analysis.result import Void
from levelset.ports.base import Block, PortInfo
from levelset.probe.path_stage import WAITING
from levelset.probe.reading import Frames, ToneSpec
from levelset.probe.tips_meter import TipsMeter
from levelset.probe.volts import read_tips
from levelset.procedures.engine import Engine
from levelset.procedures.protocol import Act, Answer, Finish, Guidance, Listen

RATE_HZ, FRAMES = 48_000, 480
TONE_HZ = 94.0
SPEC = ToneSpec(TONE_HZ, 0.5, 1.0, "bridged", True)


def tips(seconds: float, over: float = 0.0) -> np.ndarray:
    """Both legs of a bridged output whose level rises by 3 dB a second, on whole 24-bit codes."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    level = 0.1 * 10.0 ** (3.0 * time_s / 20.0)
    a = level * np.sin(2.0 * np.pi * TONE_HZ * time_s)
    a += 1e-5 * np.random.default_rng(3).standard_normal(a.size)
    if over:
        a = np.clip(a, -over, over)
    return np.rint(np.column_stack((a, -a)) * 2**23) / 2**23


class RisingPort:
    info = PortInfo("made", RATE_HZ, 2, False)

    def __init__(self, samples: np.ndarray) -> None:
        self._samples = samples
        self.void: Void | None = None

    def blocks(self):
        for first in range(0, len(self._samples) - FRAMES + 1, FRAMES):
            part = self._samples[first : first + FRAMES]
            yield Block(part, 0, first, RATE_HZ, first / RATE_HZ, frozenset())

    def path_void(self, stream, first_frame, frames):
        return self.void

    def play(self, signal, level_dbfs): ...

    def renew(self): ...

    def silence(self): ...

    def close(self): ...


class NoRecord:
    def append(self, kind, data):
        return 0

    def store_capture(self, codes, rate_hz):
        return "0" * 64


class Person:
    """Sees readings; never answers."""

    def __init__(self) -> None:
        self.seen = []

    def see(self, view):
        self.seen.append(view)

    def answer(self, view) -> Answer | None:
        return None

    def wants_to_stop(self) -> bool:
        return False


class Looking(Person):
    """Sees glimpses as well."""

    def __init__(self) -> None:
        super().__init__()
        self.glimpses = []

    def glimpse(self, view):
        self.glimpses.append(view)


def listening(times: int, got: list):
    for _ in range(times):
        got.append((yield Listen(SPEC, Guidance("Listen.", Act("wait")))))
    yield Finish("accepted", "Done.", {})


def run(person, port, times=3):
    got: list = []
    Engine(port, NoRecord(), person, plan=None).run("gain", None, listening(times, got))
    return got


def test_glimpses_come_between_readings_and_follow_the_level():
    person = Looking()
    got = run(person, RisingPort(tips(2.0)))
    assert len(got) == 3
    # Ten a second, less what a reading shows at the same time.
    assert 9 <= len(person.glimpses) <= 15
    levels = [view.reading.output.tone.amplitude_fs.value for view in person.glimpses[1:]]
    assert all(one < two for one, two in zip(levels, levels[1:], strict=False))
    for view in person.glimpses[1:]:
        frames = view.reading.frames
        centre_s = (frames.first + 0.5 * frames.count) / RATE_HZ
        wanted = 0.2 * 10.0 ** (3.0 * centre_s / 20.0)
        assert view.reading.output.tone.amplitude_fs.value == pytest.approx(wanted, rel=1e-3)
        assert isinstance(view.instruction, Listen)


def test_readings_are_the_same_whoever_looks():
    looking, blind = Looking(), Person()
    mine, theirs = run(looking, RisingPort(tips(2.0))), run(blind, RisingPort(tips(2.0)))
    for one, two in zip(mine, theirs, strict=True):
        assert one.frames == two.frames
        assert one.output.tone.amplitude_fs == two.output.tone.amplitude_fs
    assert [view.reading for view in looking.seen if view.reading is None] == [
        view.reading for view in blind.seen if view.reading is None
    ]


def test_clipping_is_shown_before_the_reading_that_ends_the_step():
    person = Looking()
    got = run(person, RisingPort(tips(2.0, over=0.13)))
    states = [
        (view.time_s, view.reading.output.tone.clipping)
        for view in person.glimpses
        if view.reading.output.tone.clipping is not None
    ]
    onset_s = 20.0 / 3.0 * np.log10(1.3)
    said_s = [
        view.reading.frames.first + view.reading.frames.count
        for view in person.glimpses
        if view.reading.output.tone.clipping is not None
        and view.reading.output.tone.clipping.state == "hard_clipping"
    ]
    assert states
    assert onset_s < said_s[0] / RATE_HZ < onset_s + 0.3
    assert len(got) == 3


def test_what_the_path_says_makes_a_glimpse_void():
    person, port = Looking(), RisingPort(tips(1.2))
    port.void = Void("drop_out", "Frames are missing.")
    run(person, port, times=2)
    assert person.glimpses
    for view in person.glimpses:
        assert view.reading.output.tone.void.code == "drop_out"
        assert view.reading.output.tone.amplitude_fs is None


@pytest.mark.parametrize(
    ("output", "scale_b"), [("bridged", -1.0), ("bridged", -0.2), ("grounded", 0.0)]
)
def test_the_meter_judges_the_kind_of_output_as_a_reading_does(output, scale_b):
    rng = np.random.default_rng(5)
    time_s = np.arange(RATE_HZ) / RATE_HZ
    a = 0.2 * np.sin(2.0 * np.pi * TONE_HZ * time_s)
    x = np.column_stack((a, scale_b * a)) + 1e-5 * rng.standard_normal((RATE_HZ, 2))
    spec = ToneSpec(TONE_HZ, 0.25, 1.0, output, True)
    meter = TipsMeter(RATE_HZ, 2, spec, None, 10.0)
    found = None
    for first in range(0, RATE_HZ, FRAMES):
        found = meter.push(x[first : first + FRAMES], 0, first) or found
    frames = found.frames
    assert frames == Frames(0, frames.first, round(0.25 * RATE_HZ), RATE_HZ)
    alone = read_tips(x[frames.first : frames.first + frames.count], frames, spec, None)
    for mine, theirs in zip((found.pair, *found.legs), (alone.pair, *alone.legs), strict=True):
        if theirs.tone.void is not None:
            assert mine.tone.void.code == theirs.tone.void.code
        else:
            one, two = mine.tone.amplitude_fs, theirs.tone.amplitude_fs
            assert abs(one.value - two.value) < 0.25 * two.u


class PausingPort(RisingPort):
    """Nothing comes for three looks, twice."""

    def blocks(self):
        for n, block in enumerate(super().blocks()):
            if n in (70, 120):
                yield from [
                    Block(np.zeros((0, 2)), 0, block.first_frame, RATE_HZ, 0.0, frozenset())
                ] * 3
            yield block


def test_a_pause_is_said_once_to_who_does_not_look_all_the_time():
    person = Person()
    run(person, PausingPort(tips(2.0)))
    waits = [view for view in person.seen if view.reading and view.reading.output.tone.void]
    assert [view.reading.output.tone.void for view in waits] == [WAITING, WAITING]


def test_who_takes_over_is_the_one_who_is_shown_glimpses():
    blind, looking = Person(), Looking()
    engine = Engine(RisingPort(tips(2.0)), NoRecord(), blind, plan=None)
    engine.run("gain", None, listening(1, []))
    engine.person = looking
    engine.run("gain", None, listening(3, []))
    assert len(looking.glimpses) >= 9
