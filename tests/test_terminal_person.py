"""The plain terminal: a typed line answers what is shown, and nothing else."""

from __future__ import annotations

import io
import time

import pytest

from levelset.analysis.result import Clipping, ToneResult, Void
from levelset.cli.person import TerminalPerson, reading_line
from levelset.probe.path_stage import WAITING
from levelset.probe.reading import Frames, Reading, TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.protocol import (
    Acknowledge,
    Act,
    Ask,
    Guidance,
    Listen,
    Offer,
    View,
)
from levelset.quantity import Quantity

SPEC = ToneSpec(41.0, 0.25, 1.0, "grounded", True)


def view(instruction, reading=None, time_s=0.0):
    return View("gain", "bass", time_s, instruction, reading, "nobody", None, None)


def tips(volts=20.0, void=None):
    tone = ToneResult(
        void=void,
        level_dbfs=None if void else Quantity(-10.0, 0.01, "dB"),
        thd_percent=None if void else Quantity(0.05, 0.01, "%"),
        clipping=None if void else Clipping("clean", "none", None, None, None),
    )
    q = None if void else Quantity(volts, 0.2, "V")
    one = Reading("pair", 0.0, 0.25, tone, q, q)
    return TipsReading(Frames(0, 0, 12000, 48000), SPEC, (one, one), one)


def typed(text, instruction):
    """Return the answers and the printed lines for typed text under one instruction."""
    printed = []
    person = TerminalPerson(io.StringIO(text), printed.append)
    person.see(view(instruction))
    answers = []
    give_up = time.monotonic() + 5.0
    while not person.wants_to_stop() and time.monotonic() < give_up:
        answer = person.answer(view(instruction))
        if answer is not None:
            answers.append(answer.value)
    assert person.wants_to_stop()
    return answers, printed


NUMBER = Ask("What does it read?", Act("read_meter"), "number", unit="V", low=0.1, high=50.0)
LISTEN = Listen(SPEC, Guidance("Turn up.", Act("wait")), (Offer("at_end", "no further"),))


@pytest.mark.parametrize(
    ("text", "instruction", "answers"),
    [
        ("\n", Acknowledge(cautions.PROBE), ["yes"]),
        ("\n", Ask("Put the tips on.", Act("place_tips")), ["done"]),
        ("12,5\n", NUMBER, [12.5]),
        ("lots\n 3.25 \n", NUMBER, [3.25]),
        ("0.01\nnan\n60\n", NUMBER, []),
        ("y\nmaybe\nno\n", Ask("Is it on?", Act("wait"), "yes_no"), ["yes", "no"]),
        ("1\n", LISTEN, ["at_end"]),
        ("2\n0\nx\n\n", LISTEN, []),
    ],
)
def test_a_line_answers_what_is_shown(text, instruction, answers):
    assert typed(text, instruction)[0] == answers


def test_what_is_wrong_is_said():
    assert "'lots' is no number: type one, then press enter." in typed("lots\n", NUMBER)[1]
    assert "60 V is out of range: type 0.1 to 50." in typed("60\n", NUMBER)[1]


def test_a_caution_is_printed_whole():
    printed = typed("", Acknowledge(cautions.LOUDSPEAKER_OFF))[1]
    assert any(cautions.LOUDSPEAKER_OFF.text in line for line in printed)


def test_a_reading_says_volts_state_and_how_far():
    listen = Listen(SPEC, Guidance("Turn up.", Act("wait"), target_volts_rms=22.0))
    line = reading_line(view(listen, tips(20.0)))
    # 20 lg(22 / 20) = 0.83 dB
    assert line == "  20.000 V ± 0.200 V  clean  THD 0.050 %  0.83 dB to go up"


def test_a_void_says_why_and_shows_no_number():
    line = reading_line(view(LISTEN, tips(void=Void("no_tone", "There is no tone: play it."))))
    assert line == "  void: There is no tone: play it."


def test_waiting_for_samples_is_said_though_stream_time_stands_still():
    printed = []
    person = TerminalPerson(io.StringIO(""), printed.append)
    person.see(view(LISTEN, tips(), time_s=3.0))
    person.see(view(LISTEN, tips(volts=21.0), time_s=3.1))
    person.see(view(LISTEN, tips().voided(WAITING), time_s=3.1))
    readings = [line for line in printed if line.startswith("  ") and "enter" not in line]
    assert len(readings) == 2
    assert WAITING.reason in readings[-1]
