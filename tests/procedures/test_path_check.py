"""The path check by a loop of our own making, whose way back can be spoilt."""

from __future__ import annotations

import math

import numpy as np
import pytest

from levelset.analysis.result import Void
from levelset.ports.base import Block, PortInfo
from levelset.ports.simulated import open_demo
from levelset.procedures import path_check
from levelset.procedures.catalogue import run_step
from levelset.procedures.engine import Engine
from levelset.procedures.protocol import Acknowledge, Answer, Ask
from levelset.record.job import Job
from levelset.record.verification import verify_job
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.paperwork import job_plan

RATE_HZ = 48_000
FRAMES = 1024
DELAY = 9_000
"""Frames that the way there and back takes."""


class Loop:
    """Output led back into the input: fades like a port, delays, adds noise, and may spoil it.

    `spoil` is given all that has been played so far of one block, shape (frames, 2), and the
    frame at which it begins.
    """

    def __init__(self, spoil=None, can_play=True, void=None):
        self.info = PortInfo("loop", RATE_HZ, 2, can_play)
        self.played = []
        self._spoil = spoil or (lambda block, first: block)
        self._void = void
        self._order = None
        self._gain = 0.0
        self._frame = 0
        self._late = np.zeros((DELAY, 2))
        self._rng = np.random.default_rng(2)
        self.renewed = 0

    def play(self, signal, level_dbfs):
        self.played.append((signal.name, level_dbfs, signal.outputs))
        if self._order is None or self._order[0] != signal:
            self._gain = 0.0
        self._order = (signal, 10.0 ** (level_dbfs / 20.0))
        self.renewed = self._frame

    def renew(self):
        self.renewed = self._frame

    def silence(self):
        self._order = None

    close = silence

    def path_void(self, stream, first_frame, frames):
        return self._void

    def blocks(self):
        while True:
            out = np.zeros((FRAMES, 2))
            if self._order is not None:
                assert self._frame - self.renewed < 0.3 * RATE_HZ, "the lease ran out"
                signal, wanted = self._order
                step = wanted / RATE_HZ if wanted > self._gain else -1.0 / RATE_HZ
                gain = self._gain + step * np.arange(1, FRAMES + 1)
                gain = np.minimum(gain, wanted) if step > 0 else np.maximum(gain, wanted)
                self._gain = gain[-1]
                wave = gain * signal.at((self._frame + np.arange(FRAMES)) / RATE_HZ)
                for output in signal.outputs or (0, 1):
                    out[:, output] = wave
            line = np.concatenate((self._late, out))
            back, self._late = line[:FRAMES], line[FRAMES:]
            heard = self._spoil(back + self._rng.normal(0, 2e-5, back.shape), self._frame)
            codes = np.rint(np.clip(heard, -1, 1 - 2**-23) * 2**23) / 2**23
            first, self._frame = self._frame, self._frame + FRAMES
            yield Block(codes, 0, first, RATE_HZ, first / RATE_HZ, frozenset())


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    """Shorten the stretches.

    Stream time stands still while a window is read, for this port does not wait for anybody.
    """
    monkeypatch.setattr(path_check, "STRETCH_S", 1.0)
    monkeypatch.setattr(path_check, "LONG_S", 2.0)
    monkeypatch.setattr(path_check, "SPARE_S", 0.25)
    monkeypatch.setattr(Engine, "_meanwhile", lambda self, work: work())


class Reader:
    """A person who confirms whatever is shown."""

    def __init__(self):
        self.seen = []

    def see(self, view):
        self.seen.append(view.instruction)

    def answer(self, view):
        match view.instruction:
            case Acknowledge():
                return Answer("yes")
            case Ask():
                return Answer("done")
        return None

    def wants_to_stop(self):
        return False


def check(tmp_path, loop):
    plan = job_plan(load_demo_car())
    person = Reader()
    with Job.create(tmp_path, "invented", plan) as job:
        step = run_step(Engine(loop, job, person, plan), loop.info, "path_check", None)
        path = job.path
    assert verify_job(path).ok
    with Job.open(path, writable=False) as job:
        assert [s.procedure for s in job.steps()] == ["path_check"]
        assert job.steps()[0].result == step.result
    return step, person


def codes(step):
    return [finding["code"] for finding in step.result["findings"]]


def test_invented_car_has_no_way_back():
    info = open_demo(None, seed=1, fast=True).port.info
    assert next(path_check.path_check(None, None, info, None)).outcome == "skipped"


def test_a_clean_loop_is_trusted_and_the_result_is_in_the_record(tmp_path):
    loop = Loop()
    step, person = check(tmp_path, loop)
    assert step.outcome == "accepted", step
    assert step.cautions == ("loop",)
    assert [(name, level) for name, level, _ in loop.played] == [
        ("path-check", -20.0),
        ("path-check", -10.0),
        ("path-check", -20.0),
        ("path-check-left", -20.0),
    ]
    assert loop.played[-1][2] == (0,)
    assert loop._order is None, "the tone was left on"
    first = step.result["channels"][0]
    assert first["trusted_percent"] == 0.1
    # White noise of 2e-5 over half the rate, of which 20 kHz are counted.
    expected_db = 20 * math.log10(2e-5 * math.sqrt(2.0 * 20_000 / (RATE_HZ / 2)))
    assert first["noise_dbfs"] == pytest.approx(expected_db, abs=0.3)
    assert abs(first["tracking_db"]["value"]) < 0.005
    assert "DC: by touch" in step.sentence
    asked = [i.sentence for i in person.seen if isinstance(i, Ask)]
    assert len(asked) == 1
    assert "loudspeakers" in asked[0]


class Gate:
    """Lets only what is louder than -15 dBFS through."""

    def __call__(self, block, first):
        return block * (np.abs(block).max() > 10.0 ** (-15.0 / 20.0))


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (Gate(), "noise_gate"),
        (lambda block, first: block.mean(axis=1, keepdims=True) * (1.0, 1.0), "mono_sum"),
        (lambda block, first: block * (first // FRAMES != 330), "block_zeroed"),
    ],
    ids=["gate", "mono", "zeroed"],
)
def test_a_spoilt_loop_fails_and_says_why(tmp_path, spoil, code):
    step, _ = check(tmp_path, Loop(spoil))
    assert step.outcome == "failed"
    assert codes(step)[0] == code
    assert "cannot be trusted" in step.sentence


def test_codes_finer_than_the_converters_are_not_trusted(tmp_path):
    void = Void("processed", "Finer than 24 bits: repeat the reading.")
    step, _ = check(tmp_path, Loop(void=void))
    assert step.outcome == "failed"
    assert step.result["port_notes"]["processed"].startswith("Finer than 24 bits")


def test_without_a_cable_it_ends_with_what_to_do(tmp_path):
    loop = Loop(lambda block, first: block * 0.0)
    step, _ = check(tmp_path, loop)
    assert step.outcome == "failed"
    assert step.sentence.startswith("Nothing of the tone came back: check cable")
    assert loop._order is None


def test_without_an_output_nothing_is_played(tmp_path):
    loop = Loop(can_play=False)
    step, _ = check(tmp_path, loop)
    assert step.outcome == "failed"
    assert "--output" in step.sentence
    assert loop.played == []
