"""At which volume a response is read and for how long, with made curves: no car, no samples."""

from __future__ import annotations

import math

import numpy as np

from levelset.analysis.response import Curve, ResponseReading
from levelset.analysis.result import Void
from levelset.probe.reading import Frames
from levelset.probe.stretch import KindReading
from levelset.probe.stretch_reading import StretchReading
from levelset.procedures.facts import Facts, StepResult
from levelset.procedures.protocol import Accept, Answer, Ask, Compute, Finish, Listen
from levelset.procedures.response import response
from levelset.quantity import Quantity
from tests.procedures.test_source import plan

STEP_DB = 1.5
FALL_DB = 24.0
"""The lowest place lies so far below all others."""


class NoisySource:
    """Curves of 31 places whose uncertainty follows from level, noise and time.

    Parameters
    ----------
    u_db : float
        Uncertainty of a place at 0 dB at volume 10 and four seconds, dB.
    void_from_s : float
        Stretches so long or longer are void.
    """

    def __init__(self, u_db, void_from_s=math.inf):
        self._u_db, self._void_from_s = u_db, void_from_s
        self.volume = 0
        self.heard = []
        self.accepted = {}

    def __call__(self, instruction):
        match instruction:
            case Listen(spec=spec) if spec.analysis == "signal_kind":
                return self._done(spec, KindReading("steady", "", may_be_measured=True))
            case Listen(spec=spec):
                self.heard.append((self.volume, round(spec.seconds)))
                if spec.seconds >= self._void_from_s:
                    void = Void("lost", "A tip slipped.")
                    return StretchReading(Frames(0, 0, 1, 48000), spec, "done", 1.0, void)
                return self._done(spec, self._curve(spec.seconds))
            case Ask(act=act):
                if act.verb == "set_volume":
                    self.volume = int(act.value)
                return Answer("done")
            case Accept(reading=reading):
                self.accepted[self.volume] = round(reading.spec.seconds)
                return 17
            case Compute():
                return None, []
        return None

    def _done(self, spec, found):
        return StretchReading(Frames(0, 0, 1, 48000), spec, "done", 1.0, None, found)

    def _curve(self, seconds):
        level_db = np.zeros(31)
        level_db[0] = -FALL_DB
        louder_db = STEP_DB * (self.volume - 10) + 10.0 * math.log10(seconds / 4.0)
        u_db = self._u_db * 10.0 ** (-(level_db + louder_db) / 20.0)
        hz = np.geomspace(20.0, 20_000.0, 31)
        curve = Curve(hz, level_db, u_db, np.zeros(31, dtype=np.bool_))
        percent = Quantity(0.1, 0.05, "%")
        return ResponseReading(None, curve, curve, 3, percent, percent, Quantity(-90.0, 0.5, "dB"))


def read(source, **clean):
    """Read the response of a source that starts at 10 and is clean up to 28; returns the result."""
    result = {"volume": 28, "limited_from": None, "step_db": STEP_DB, "bass_kept_to": None}
    steps = [
        StepResult("output_kind", None, "accepted", "", {"kind": "bridged"}, ()),
        StepResult("clean_volume", None, "accepted", "", result | clean, ()),
    ]
    generator = response(plan(), Facts(object(), steps, engine_runs=True))
    instruction = next(generator)
    while not isinstance(instruction, Finish):
        instruction = generator.send(source(instruction))
    assert instruction.outcome == "accepted"
    return instruction.result


def test_a_quiet_source_is_read_at_two_volumes_in_four_seconds_each():
    source = NoisySource(0.001)
    result = read(source)
    assert source.heard == [(10, 4), (28, 4)]
    assert (result["quiet"]["volume"], result["loud"]["volume"]) == (10, 28)


def test_noise_raises_the_volume_as_far_as_it_must():
    # 0.02 dB are 0.32 dB at the lowest place; 0.25 are 2.1 dB away, two steps.
    source = NoisySource(0.02)
    assert read(source)["quiet"]["volume"] == 12
    assert source.heard == [(10, 4), (12, 4), (28, 4)]


def test_the_volume_stays_where_no_bass_is_withdrawn_and_the_time_becomes_longer():
    source = NoisySource(0.04)
    result = read(source, bass_kept_to=12)
    assert result["quiet"]["volume"] == 12
    # 0.04 dB are 0.63 dB at the lowest place, 0.45 at 12; (0.45 / 0.25)^2 times four seconds.
    assert source.heard == [(10, 4), (12, 4), (12, 14), (28, 4)]
    assert source.accepted == {12: 14, 28: 4}


def test_no_longer_than_sixteen_seconds():
    source = NoisySource(0.5)
    read(source, bass_kept_to=10)
    assert source.heard[:2] == [(10, 4), (10, 16)]
    # At 28 18 steps more, 27 dB: 0.5 dB become 0.35 at the lowest place.
    assert source.heard[2:] == [(28, 4), (28, 8)]


def test_what_is_void_because_it_took_long_leaves_the_shorter_one():
    source = NoisySource(0.5, void_from_s=10.0)
    read(source, bass_kept_to=10)
    assert source.accepted == {10: 4, 28: 8}
