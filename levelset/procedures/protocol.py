"""The language between a procedure, its engine and a person: two closed sets.

A procedure is a generator that yields instructions and receives events::

    instruction    answered by
    Acknowledge    Answer("yes")
    Ask            Answer(value)
    Play, Silence  None
    Listen         a reading of the kind that its spec says, or an Answer naming an offer
    Accept         the sequence number of its line in the record
    Compute        what its work returns
    Finish         nothing: it is the last one

Faults are thrown in as exceptions. Stopping closes the generator, whose ``finally`` may not yield.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, Protocol

from levelset.ports.base import Point

if TYPE_CHECKING:
    from levelset.analysis.result import ClippingState
    from levelset.probe.budget import BudgetLine
    from levelset.probe.calibration import Calibration
    from levelset.probe.kinds import AnyReading, AnySpec
    from levelset.probe.known_voltage import ProbeCheck
    from levelset.procedures.cautions import Caution
    from levelset.signals.signal import Playable

OutcomeWord = Literal["accepted", "limited", "failed", "skipped", "aborted"]
Direction = Literal["up", "down", "hold"]
Verb = Literal[
    "place_tips",  # tip_a, tip_b
    "set_volume",  # value: the number to show
    "volume_up_one",
    "volume_down",
    "turn_gain",  # direction, channel; None is the output level of the processor
    "gain_to_minimum",  # channel, as above
    "turn_input",  # direction: the sound card's own control
    "input_to_minimum",
    "lower_input",  # the input sensitivity of the processor or line converter
    "play_track",  # signal
    "stop_track",
    "read_meter",  # red, black: type the AC volts
    "read_dc_meter",  # red, black: type the DC volts
    "tell_volume",  # type the number that the display shows
    "start_engine",
    "rev_engine",  # value: turns a minute, None lets it idle
    "stop_engine",
    "filters_off",  # channel, None for all
    "filters_on",  # channel, None for all
    "connect_loudspeakers",  # channel, None for all
    "disconnect_loudspeakers",  # channel, None for all
    "mute",
    "unmute",
    "inspect",  # item, channel: what the checklist asks for
    "read_ohm_meter",  # channel: type the DC resistance across its loudspeaker wires
    "wait",
]


@dataclass(frozen=True, slots=True)
class Act:
    """What the person is to do, in a form that simulated hands can follow.

    Parameters
    ----------
    verb : Verb
        What to do.
    value : float or None
        Number that belongs to it.
    direction : Direction or None
        Which way to turn.
    channel : str or None
        Amplifier channel it is about.
    tip_a, tip_b, red, black : Point or None
        Where to put tips and meter leads; None leaves a tip, and means chassis for ``black``.
    signal : Playable or None
        Track to play.
    item : str or None
        What to look at, a key of the checklist.
    """

    verb: Verb
    value: float | None = None
    direction: Direction | None = None
    channel: str | None = None
    tip_a: Point | None = None
    tip_b: Point | None = None
    red: Point | None = None
    black: Point | None = None
    signal: Playable | None = None
    item: str | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """One of the answers to a question.

    Parameters
    ----------
    key : str
        The one character that gives it.
    word : str
        Value of the Answer.
    label : str
        What it says on the screen.
    """

    key: str
    word: str
    label: str


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """Show a caution and wait until it is acknowledged."""

    caution: Caution


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask for something that only the person can do or know.

    Parameters
    ----------
    sentence : str
        One full sentence: the action, or the question.
    act : Act
        The same for simulated hands.
    answer : {"done", "number", "yes_no", "choice"}
        What is expected; ``done`` is confirmed by one key, ``choice`` is one of ``choices``.
    unit : str
        Unit of a number.
    low, high : float or None
        Inclusive bounds of a number.
    shows_reading : bool
        Whether the newest reading stays on the screen with the question.
    choices : tuple of Choice
        The answers to a ``choice``; with a ``number`` what may be said in its place.
    """

    sentence: str
    act: Act
    answer: Literal["done", "number", "yes_no", "choice"] = "done"
    unit: str = ""
    low: float | None = None
    high: float | None = None
    shows_reading: bool = False
    choices: tuple[Choice, ...] = ()

    def chosen(self, key: str) -> str | None:
        """Return the word of the choice that a character gives, None where there is none."""
        return next((one.word for one in self.choices if one.key == key), None)


@dataclass(frozen=True, slots=True)
class Play:
    """Play a signal from levelset's own output."""

    signal: Playable
    level_dbfs: float


@dataclass(frozen=True, slots=True)
class Silence:
    """Silence levelset's own output."""


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One captured level of the clean-volume search."""

    volume: int
    volts_rms: float | None
    thd_percent: float | None
    state: ClippingState


@dataclass(frozen=True, slots=True)
class Guidance:
    """What the screen says while it listens: is it clean, how far to go, what next.

    Parameters
    ----------
    sentence : str
        The one primary action, in a full sentence.
    act : Act
        The same for simulated hands.
    headline : str
        Word of the state, such as ``TURN UP`` or ``HOLD STILL``.
    direction : Direction or None
        Which way to turn, where there is a way.
    to_go_db : float or None
        How far, dB; positive is up.
    target_volts_rms : float or None
        Where to go, V.
    target_note : str
        What the target is, such as ``260 W into 2 ohm``.
    remarks : tuple of str
        Further sentences, smaller.
    curve : tuple of CurvePoint
        Levels captured so far.
    mark_dbfs : float or None
        Where the input's own level is to go, dBFS.
    """

    sentence: str
    act: Act
    headline: str = ""
    direction: Direction | None = None
    to_go_db: float | None = None
    target_volts_rms: float | None = None
    target_note: str = ""
    remarks: tuple[str, ...] = ()
    curve: tuple[CurvePoint, ...] = ()
    mark_dbfs: float | None = None


@dataclass(frozen=True, slots=True)
class Offer:
    """Something the person may say while levelset listens.

    Parameters
    ----------
    word : str
        Value of the Answer, such as ``at_end``, ``accept_now``, ``start_again``.
    label : str
        What it says on the screen.
    """

    word: str
    label: str


@dataclass(frozen=True, slots=True)
class Listen:
    """Read one window, non-overlapping with the one before; or follow a touch or stretch.

    Parameters
    ----------
    spec : ToneSpec, StepSpec or StretchSpec
        What to listen for. A tone is read window by window; a touch is looked at several times a
        second, each time as a whole; a stretch says how far it has come until it is whole.
    guidance : Guidance
        What to show meanwhile.
    offers : tuple of Offer
        What the person may say instead.
    """

    spec: AnySpec
    guidance: Guidance
    offers: tuple[Offer, ...] = ()


@dataclass(frozen=True, slots=True)
class Accept:
    """Write a reading with its raw capture to the record.

    Parameters
    ----------
    reading : TipsReading, TouchReading or StretchReading
        A reading that is not void.
    as_what : str
        What it is, such as ``gain`` or ``clean_volume_step``.
    details : dict
        Further facts for the journal (JSON values).
    """

    reading: AnyReading
    as_what: str
    details: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Compute:
    """Do work that takes seconds; the person sees what is done, and may leave meanwhile.

    Parameters
    ----------
    sentence : str
        What is done, in one full sentence.
    work : callable
        Called once, in a thread of its own; what it returns is sent back.
    """

    sentence: str
    work: Callable[[], Any]


@dataclass(frozen=True, slots=True)
class Finish:
    """End of the procedure.

    Parameters
    ----------
    outcome : OutcomeWord
        How it ended.
    sentence : str
        The same for a person, with the reason.
    result : dict
        JSON values; measured numbers as ``{"value": x, "u": u}``.
    calibration : Calibration or None
        A calibration that was made; the engine records it and uses it from then on.
    check : ProbeCheck or None
        A check of the calibration in use; the engine records it.
    """

    outcome: OutcomeWord
    sentence: str
    result: dict[str, Any]
    calibration: Calibration | None = None
    check: ProbeCheck | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What the person said.

    Parameters
    ----------
    value : str or float
        ``"yes"``, ``"no"``, ``"done"``, a number, or the word of a choice or an offer.
    """

    value: str | float


Instruction = Acknowledge | Ask | Play | Silence | Listen | Accept | Compute | Finish
Procedure = Generator[Instruction, Any, None]

ToneFrom = Literal["nobody", "vehicle", "levelset"]


@dataclass(frozen=True, slots=True)
class View:
    """Everything a screen needs at one moment; screens and hands see nothing else.

    Parameters
    ----------
    procedure : str
        Contract name of the procedure, such as ``gain``.
    channel : str or None
        Amplifier channel it is about.
    time_s : float
        Stream time, s.
    instruction : Instruction
        What is in force.
    reading : TipsReading, TouchReading, StretchReading or None
        The newest reading since the procedure listened first.
    tone_from : ToneFrom
        Whose tone is on as far as levelset knows.
    tone_name : str or None
        Its name.
    tone_level_dbfs : float or None
        Its level, dBFS.
    budget : tuple of BudgetLine
        Where the uncertainty of the reading's voltage comes from; empty without volts.
    """

    procedure: str
    channel: str | None
    time_s: float
    instruction: Instruction
    reading: AnyReading | None
    tone_from: ToneFrom
    tone_name: str | None
    tone_level_dbfs: float | None
    budget: tuple[BudgetLine, ...] = ()


class Person(Protocol):
    """Whoever works at the vehicle: a terminal screen, a command line, or simulated hands."""

    def see(self, view: View) -> None:
        """Look at the screen; called when the instruction or the reading changes."""
        ...

    def answer(self, view: View) -> Answer | None:
        """Return an answer if there is one now; called with every block, must not wait."""
        ...

    def wants_to_stop(self) -> bool:
        """Return True once the person wants to leave the procedure."""
        ...


class Recorder(Protocol):
    """Where a procedure's facts go."""

    def append(self, kind: str, data: dict[str, Any]) -> int:
        """Append one line, durably, and return its sequence number."""
        ...

    def store_capture(self, codes: Any, rate_hz: int) -> str:
        """Store raw codes, int32 of shape (frames, channels) within 24 bit; return the SHA-256."""
        ...


class StepFailed(Exception):
    """Raised inside a procedure that cannot go on; the text is one sentence for the person."""
