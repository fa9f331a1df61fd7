"""The engine keeps the tone, the record and the person in step, however a procedure ends."""

from __future__ import annotations

from threading import Event

import numpy as np
import pytest

from levelset.analysis.result import Void
from levelset.errors import DeviceError
from levelset.ports.base import Block, PortInfo
from levelset.probe.reading import Frames, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.engine import Engine
from levelset.procedures.protocol import (
    Acknowledge,
    Act,
    Answer,
    Ask,
    Compute,
    Finish,
    Guidance,
    Listen,
    Play,
    StepFailed,
)
from levelset.procedures.tape import Tape, codes_from_samples
from levelset.signals.tones import set_tone

TONE = set_tone("set-test", "a test", 41.0, -20.0)


class FakePort:
    """Silence in, and a note of what was asked to play."""

    info = PortInfo("fake", 48000, 2, True)

    def __init__(self, blocks=200):
        self.playing = None
        self.renewed = 0
        self._count = blocks

    def blocks(self):
        for i in range(self._count):
            yield Block(np.zeros((480, 2)), 0, 480 * i, 48000, 0.01 * i, frozenset())

    def path_void(self, stream, first_frame, frames):
        return None

    def play(self, signal, level_dbfs):
        self.playing = (signal.name, level_dbfs)

    def renew(self):
        self.renewed += 1

    def silence(self):
        self.playing = None

    def close(self):
        self.silence()


class FakePerson:
    """Says yes to everything until told to stop."""

    def __init__(self, stop_after=None, answers=True):
        self.views = []
        self.calls = 0
        self._stop_after = stop_after
        self._answers = answers

    def see(self, view):
        self.views.append(view)

    def answer(self, view):
        self.calls += 1
        return Answer("yes") if self._answers else None

    def wants_to_stop(self):
        return self._stop_after is not None and self.calls >= self._stop_after


class FakeRecorder:
    def __init__(self):
        self.lines = []

    def append(self, kind, data):
        self.lines.append((kind, data))
        return len(self.lines) - 1

    def store_capture(self, codes, rate_hz):
        return "0" * 64


@pytest.fixture
def recorder():
    return FakeRecorder()


def run(procedure, recorder, port=None, person=None):
    port, person = port or FakePort(), person or FakePerson()
    engine = Engine(port, recorder, person, plan=None)
    return port, person, engine.run("test", None, procedure)


def playing(then):
    def procedure():
        yield Play(TONE, -20.0)
        yield Acknowledge(cautions.HEARING)
        yield from then()

    return procedure()


def succeeds():
    yield Finish("accepted", "Done.", {})


def fails():
    raise StepFailed("It did not work.")
    yield


def breaks():
    raise ZeroDivisionError
    yield


def test_tone_ends_on_success(recorder):
    port, person, step = run(playing(succeeds), recorder)
    assert (step.outcome, port.playing) == ("accepted", None)
    assert port.renewed > 0
    assert person.views[0].tone_from == "levelset"
    assert person.views[0].tone_name == "set-test"
    assert person.views[0].tone_level_dbfs == -20.0
    assert recorder.lines[-2] == ("tone", {"from": "nobody", "name": None, "level_dbfs": None})


def test_tone_ends_on_failure(recorder):
    port, _, step = run(playing(fails), recorder)
    assert (step.outcome, step.sentence, port.playing) == ("failed", "It did not work.", None)


def test_tone_ends_on_a_fault_of_the_program(recorder):
    port = FakePort()
    with pytest.raises(ZeroDivisionError):
        run(playing(breaks), recorder, port)
    assert port.playing is None
    assert recorder.lines[-1][1]["outcome"] == "aborted"


def test_tone_ends_when_the_person_stops(recorder):
    port, _, step = run(playing(succeeds), recorder, person=FakePerson(3, answers=False))
    assert (step.outcome, port.playing) == ("aborted", None)


def test_tone_ends_when_the_program_is_left(recorder):
    class Leaves(FakePerson):
        def answer(self, view):
            raise KeyboardInterrupt

    port = FakePort()
    with pytest.raises(KeyboardInterrupt):
        run(playing(succeeds), recorder, port, Leaves())
    assert port.playing is None


def computing(work):
    def procedure():
        found = yield Compute("It takes a while.", work)
        yield Finish("accepted", str(found), {})

    return procedure()


def test_slow_work_is_said_and_its_result_comes_back(recorder):
    _, person, step = run(computing(lambda: 42), recorder)
    assert (step.outcome, step.sentence) == ("accepted", "42")
    assert isinstance(person.views[0].instruction, Compute)


def test_a_fault_in_slow_work_is_no_result(recorder):
    with pytest.raises(ZeroDivisionError):
        run(computing(lambda: 1 / 0), recorder)
    assert recorder.lines[-1][1]["outcome"] == "aborted"


def test_a_person_may_leave_while_slow_work_goes_on(recorder):
    ends = Event()
    _, _, step = run(computing(ends.wait), recorder, person=FakePerson(stop_after=0))
    assert step.outcome == "aborted"
    ends.set()


def test_levelsets_tone_is_kept_alive_while_slow_work_goes_on(recorder):
    port = FakePort()

    def renewed_by_now():
        while port.renewed < 3:
            pass
        return port.playing

    def procedure():
        yield Play(TONE, -20.0)
        found = yield Compute("It takes a while.", renewed_by_now)
        yield Finish("accepted", found[0], {})

    _, _, step = run(procedure(), recorder, port=port)
    assert (step.outcome, step.sentence, port.playing) == ("accepted", "set-test", None)


def test_a_lost_input_is_thrown_into_the_procedure_and_recorded(recorder):
    cleaned = []

    def procedure():
        try:
            yield Ask("Wait.", Act("wait"))
        finally:
            cleaned.append(True)

    with pytest.raises(DeviceError):
        run(procedure(), recorder, FakePort(5), FakePerson(answers=False))
    assert cleaned == [True]
    kind, data = recorder.lines[-1]
    assert (kind, data["outcome"]) == ("step", "failed")
    assert "The input has ended" in data["sentence"]


def test_the_vehicles_tone_is_named_when_a_step_does_not_succeed(recorder):
    def procedure():
        yield Ask("Play the track.", Act("play_track", signal=TONE))
        raise StepFailed("No.")

    _, person, step = run(procedure(), recorder)
    assert "stop it there" in step.sentence
    assert person.views[-1].tone_from == "vehicle"


def test_cautions_and_numbers_are_recorded(recorder):
    class Types(FakePerson):
        def answer(self, view):
            return Answer(12.5) if isinstance(view.instruction, Ask) else Answer("yes")

    got = []

    def procedure():
        yield Acknowledge(cautions.TOUCH)
        answer = yield Ask("How many?", Act("read_meter"), "number", unit="V")
        got.append(answer.value)
        yield Finish("accepted", "Done.", {})

    _, _, step = run(procedure(), recorder, person=Types())
    assert got == [12.5]
    assert step.cautions == ("touch_voltage",)
    kinds = [kind for kind, _ in recorder.lines]
    assert kinds == ["caution", "answer", "step"]
    assert recorder.lines[1][1]["value"] == 12.5


def block(first, count=100, stream=0):
    values = np.arange(first, first + count, dtype=float)[:, None] / 2**23
    return Block(values, stream, first, 1000, first / 1000, frozenset())


def test_tape_cuts_exactly_the_frames():
    tape = Tape()
    for first in range(0, 1000, 100):
        tape.add(block(first))
    cut = tape.cut(Frames(0, 250, 300, 1000))
    assert np.array_equal(codes_from_samples(cut)[:, 0], np.arange(250, 550))


def test_tape_forgets_what_is_older_than_it_keeps():
    tape = Tape()
    for first in range(0, 40000, 100):
        tape.add(block(first))
    assert tape.end - tape.start <= 30100
    with pytest.raises(LookupError):
        tape.cut(Frames(0, 100, 10, 1000))


@pytest.mark.parametrize("after", [block(200, stream=1), block(250)], ids=["stream", "gap"])
def test_tape_never_joins_what_does_not_belong_together(after):
    tape = Tape()
    tape.add(block(0))
    tape.add(block(100))
    tape.add(after)
    assert tape.start == after.first_frame
    with pytest.raises(LookupError):
        tape.cut(Frames(0, 150, 100, 1000))


def test_samples_that_are_no_codes_are_refused():
    with pytest.raises(ValueError, match="not exact"):
        codes_from_samples(np.array([[0.1]]))
    assert codes_from_samples(np.array([[1.0, -1.0]])).tolist() == [[2**23 - 1, -(2**23)]]


class RampPort(FakePort):
    """A tone on tip A whose level rises by 12 dB a second, as when a knob is turned."""

    def blocks(self):
        for i in range(self._count):
            t = (480 * i + np.arange(480)) / 48000
            a = 0.05 * 10.0 ** (12.0 * t / 20.0) * np.sin(2.0 * np.pi * 94.0 * t)
            samples = np.rint(np.stack([a, 0.0 * a], axis=1) * 2**23) / 2**23
            yield Block(samples, 0, 480 * i, 48000, 0.01 * i, frozenset())


def test_the_digits_follow_a_knob_that_turns(recorder):
    readings = []

    def procedure():
        spec = ToneSpec(94.0, 0.25, 1.0, "grounded", True)
        for _ in range(4):
            readings.append((yield Listen(spec, Guidance("Turn.", Act("wait")))))
        yield Finish("accepted", "Done.", {})

    run(procedure(), recorder, RampPort(), FakePerson(answers=False))
    for number, reading in enumerate(readings):
        assert reading.legs[0].tone.void is None
        end_s = 0.25 * (number + 1)
        assert (reading.frames.first + reading.frames.count) / 48000 == pytest.approx(end_s)
        level = reading.legs[0].tone.level_dbfs.value
        newest = 20.0 * np.log10(0.05) + 12.0 * (end_s - 0.025)
        assert level == pytest.approx(newest, abs=0.1)


class DoubtfulPort(RampPort):
    """A path that lost input in its second quarter of a second."""

    def path_void(self, stream, first_frame, frames):
        lost = first_frame < 13000 < first_frame + frames
        return Void("drop_out", "Input was lost: repeat the reading.") if lost else None


def test_what_the_path_lost_is_void_without_a_number(recorder):
    readings = []

    def procedure():
        spec = ToneSpec(94.0, 0.25, 1.0, "grounded", True)
        for _ in range(3):
            readings.append((yield Listen(spec, Guidance("Wait.", Act("wait")))))
        yield Finish("accepted", "Done.", {})

    run(procedure(), recorder, DoubtfulPort(), FakePerson(answers=False))
    voids = [reading.legs[0].tone.void for reading in readings]
    assert [void and void.code for void in voids] == [None, "drop_out", None]
    assert readings[1].legs[0].tone.level_dbfs is None
    assert readings[1].output.tone.void is voids[1]
