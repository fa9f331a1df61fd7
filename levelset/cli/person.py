"""The person at a plain terminal: instructions as lines, answers typed and confirmed by enter."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable
from typing import TextIO

from levelset.probe.path_stage import WAITING
from levelset.probe.reading import TipsReading
from levelset.probe.stretch_reading import StretchReading
from levelset.probe.touch_reading import TouchReading
from levelset.procedures.protocol import (
    Acknowledge,
    Answer,
    Ask,
    Compute,
    Finish,
    Instruction,
    Listen,
    View,
)
from levelset.units import db_from_ratio

SHOW_EVERY_S = 1.0
"""Between two lines of readings, s of stream time."""


class TerminalPerson:
    """`levelset.procedures.protocol.Person` who reads lines and types lines.

    A line that is typed belongs to the instruction that is shown when it is read: enter alone
    confirms, a number answers a number, and the number of an offer takes it.

    Parameters
    ----------
    read_from : file
        Where lines are typed.
    write : callable
        Prints one line.
    """

    def __init__(self, read_from: TextIO, write: Callable[[str], None]) -> None:
        self._write = write
        self._typed: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._shown: Instruction | None = None
        self._sentence = ""
        self._shown_at_s = float("-inf")
        self._ended = False
        threading.Thread(target=self._read, args=(read_from,), daemon=True).start()

    def see(self, view: View) -> None:
        """Print what is new."""
        instruction = view.instruction
        if isinstance(instruction, Listen):
            self._see_listening(view, instruction)
        elif instruction is not self._shown:
            for line in _lines(instruction):
                self._write(line)
        self._shown = instruction

    def answer(self, view: View) -> Answer | None:
        """Return what was typed, if it answers the instruction."""
        try:
            line = self._typed.get_nowait()
        except queue.Empty:
            return None
        if line is None:
            self._ended = True
            return None
        answer = _answer(view.instruction, line.strip())
        if isinstance(answer, str):
            self._write(answer)
            return None
        return answer

    def wants_to_stop(self) -> bool:
        """Return True when nothing more can be typed."""
        return self._ended

    def _read(self, read_from: TextIO) -> None:
        for line in read_from:
            self._typed.put(line)
        self._typed.put(None)

    def _see_listening(self, view: View, listen: Listen) -> None:
        guidance = listen.guidance
        if guidance.sentence != self._sentence:
            self._sentence = guidance.sentence
            self._write(guidance.sentence)
            for number, offer in enumerate(listen.offers, 1):
                self._write(f"  {number} + enter: {offer.label}")
        # While nothing comes, stream time stands still.
        if view.time_s - self._shown_at_s < SHOW_EVERY_S and not _waits(view):
            return
        self._shown_at_s = view.time_s
        line = reading_line(view)
        if line:
            self._write(line)


def reading_line(view: View) -> str:
    """Return the newest reading, how far to go and which way; empty without a reading."""
    reading = view.reading
    if reading is None:
        return ""
    if isinstance(reading, TouchReading):
        return _touch_line(reading)
    if isinstance(reading, StretchReading):
        return _stretch_line(reading)
    one = reading.output
    tone = one.tone
    if tone.void is not None:
        one = reading.legs[0]
        tone = one.tone
    if tone.void is not None:
        return f"  void: {tone.void.reason}"
    if one.volts_rms is not None:
        text = f"  {one.volts_rms.value:.3f} V ± {one.volts_rms.u:.3f} V"
    elif tone.level_dbfs is not None:
        text = f"  {tone.level_dbfs.value:.2f} dBFS"
    else:
        return ""
    if tone.clipping is not None:
        text += f"  {tone.clipping.state.replace('_', ' ')}"
    if tone.thd_percent is not None:
        text += f"  THD {tone.thd_percent.value:.3f} %"
    listen = view.instruction
    if isinstance(listen, Listen) and listen.guidance.mark_dbfs is not None:
        to_go_db = listen.guidance.to_go_db or 0.0
        text += f"  mark {listen.guidance.mark_dbfs:.1f} dBFS, {to_go_db:+.1f} dB to go"
    if isinstance(listen, Listen):
        target_v = listen.guidance.target_volts_rms
        if target_v is not None and one.volts_rms is not None:
            to_go_db = db_from_ratio(target_v / one.volts_rms.value)
            text += f"  {abs(to_go_db):.2f} dB to go {'up' if to_go_db > 0 else 'down'}"
    return text


def _waits(view: View) -> bool:
    reading = view.reading
    return isinstance(reading, TipsReading) and reading.output.tone.void is WAITING


def _touch_line(reading: TouchReading) -> str:
    if reading.void is not None:
        return f"  void: {reading.void.reason}"
    known = [
        f"{name} {one.volts.value:.4f} V ± {one.volts.u:.4f} V"
        for name, one in zip(("tip A", "tip B"), reading.legs, strict=False)
        if one.volts is not None
    ]
    return (
        f"  {reading.state.replace('_', ' ')} {100.0 * reading.progress:.0f} %  {', '.join(known)}"
    )


def _stretch_line(reading: StretchReading) -> str:
    if reading.void is not None:
        return f"  void: {reading.void.reason}"
    seconds = reading.frames.count / reading.frames.rate_hz
    return f"  recording: {seconds:.0f} of {reading.spec.seconds:.0f} s"


def _lines(instruction: Instruction) -> list[str]:
    match instruction:
        case Acknowledge(caution):
            return ["", f"CAUTION: {caution.title}", caution.text, "  enter: read and done"]
        case Ask():
            return ["", instruction.sentence, f"  {_wanted(instruction)}"]
        case Compute():
            return ["", instruction.sentence]
        case Finish():
            return ["", f"{instruction.outcome}: {instruction.sentence}"]
    return []


def _wanted(ask: Ask) -> str:
    """Return how a question is answered."""
    choices = ", ".join(f"{one.key} {one.label}" for one in ask.choices)
    match ask.answer:
        case "done":
            return "enter: done"
        case "yes_no":
            return "y or n, then enter"
        case "choice":
            return f"{choices}; then enter"
        case "number":
            return f"a number {ask.unit}, enter" + (f"; or {choices}" if choices else "")


def _answer(instruction: Instruction, line: str) -> Answer | str | None:
    """Return the answer that a typed line is, a sentence that says what is wrong, or nothing."""
    match instruction:
        case Acknowledge():
            return Answer("yes")
        case Ask(answer="done"):
            return Answer("done")
        case Ask(answer="yes_no"):
            word = {"y": "yes", "yes": "yes", "n": "no", "no": "no"}.get(line.lower())
            return Answer(word) if word else "Type y or n, then press enter."
        case Ask() if (word := instruction.chosen(line.lower())) is not None:
            return Answer(word)
        case Ask(answer="choice"):
            return f"{line!r:.20} is none of them: {_wanted(instruction)}."
        case Ask():
            return _number(instruction, line)
        case Listen(offers=offers) if line.isdigit() and 1 <= int(line) <= len(offers):
            return Answer(offers[int(line) - 1].word)
    return None


def _number(ask: Ask, line: str) -> Answer | str:
    try:
        value = float(line.replace(",", "."))
    except ValueError:
        return f"{line!r} is no number: type one, then press enter."
    low = float("-inf") if ask.low is None else ask.low
    high = float("inf") if ask.high is None else ask.high
    if not low <= value <= high:
        return f"{value:g} {ask.unit} is out of range: type {low:g} to {high:g}."
    return Answer(value)


def terminal_person(write: Callable[[str], None]) -> TerminalPerson:
    """Return the person at this process's own terminal."""
    return TerminalPerson(sys.stdin, write)
