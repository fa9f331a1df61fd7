"""Which stage clips: source, input stage or output stage, from readings before and behind a gain.

A stage in front of a gain knob keeps the shape of its tops while the knob moves, and the voltage of
a flat top moves with the gain. A stage behind the knob changes its shape, and its flat top stays at
one voltage. A filter between a stage and the tips takes its harmonics away: then nothing is said of
that stage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from levelset.quantity import Quantity

Stage = Literal["interface", "probe", "source", "processor", "input_stage", "output_stage"]

MOVED_DB = 1.0
"""The knob has moved when the fundamental differs by this much, dB."""

SAME_THD = 0.06
"""Relative difference of THD up to which a shape counts as the same, besides its uncertainty."""

SAME_HARMONICS = 0.12
"""The same for all harmonics together, as a part of their size."""

CHANGED_THD = 0.75
"""A THD below this part of the other is another shape."""

SAME_FLAT = 0.03
"""Relative difference of two flat tops up to which they stand at one voltage."""

STANDS_OUT = 2.0
"""Distortion behind a stage that counts as its own is this many times that in front of it."""

COMPARED = 20
"""Harmonics that are compared: the second to this one."""

WORDS: dict[Stage, str] = {
    "interface": "the interface's own input",
    "probe": "the probe",
    "source": "the source",
    "processor": "the processor before the amplifier",
    "input_stage": "the input stage",
    "output_stage": "the output stage",
}

REMEDY: dict[Stage, str] = {
    "interface": "turn the interface's input down; this says nothing about the vehicle",
    "probe": "take a probe for higher voltages",
    "source": "turn the volume down",
    "processor": "turn its output level down, or the volume where its input clips; the gain knob "
    "does not help",
    "input_stage": "lower the source's output, pad the input, or set its input switch to a higher "
    "level; the gain knob does not help",
    "output_stage": "turn the gain down",
}


@dataclass(frozen=True, slots=True)
class Seen:
    """What a reading says about clipping.

    Parameters
    ----------
    void : str or None
        Code of a void; the rest then does not count.
    clipped : bool
        Surely over the limit, or flat.
    clean : bool
        Surely within it.
    volts_rms : Quantity or None
        Fundamental, V.
    thd_percent : Quantity or None
        All harmonics over the fundamental, %.
    harmonics_percent : tuple of float
        From the second one on, %.
    flat_v : Quantity or None
        Voltage of the lower one of the flat tops, V; None where they have no edges.
    halves : str
        Which halves are cut.
    """

    void: str | None
    clipped: bool
    clean: bool
    volts_rms: Quantity | None
    thd_percent: Quantity | None
    harmonics_percent: tuple[float, ...]
    flat_v: Quantity | None
    halves: str


@dataclass(frozen=True, slots=True)
class StageVerdict:
    """Who clips.

    Parameters
    ----------
    stages : tuple of Stage
        Stages that surely clip, the one to be put right first; empty for none or not known.
    undecided : str or None
        Why it cannot be told, one sentence; None where it can.
    limit_v : Quantity or None
        Voltage of the flat top where it was read, V.
    halves : str
        Which halves are cut.
    sentence : str
        For a person, with what to do.
    """

    stages: tuple[Stage, ...]
    undecided: str | None
    limit_v: Quantity | None
    halves: str
    sentence: str


def who_clipped(
    tap: Seen | None,
    one: Seen,
    other: Seen,
    *,
    filters_off: bool,
    beside: Seen | None = None,
    processor: Seen | None = None,
) -> StageVerdict:
    """Return the stage that clips.

    Parameters
    ----------
    tap : Seen or None
        The source's tap at the volume in use; None where it was not read.
    one, other : Seen
        The same output at two positions of its gain knob, in any order.
    filters_off : bool
        Whether no filter stands between the source and this output.
    beside : Seen or None
        Output of another channel that the same source feeds, through an amplifier of its own.
    processor : Seen or None
        Output of what stands between the tap and the amplifier; None where nothing does.
    """
    all_seen = (tap, processor, one, other)
    for seen in all_seen:
        if seen is not None and seen.void in ("input_overload", "probe_limit"):
            return _named("interface" if seen.void == "input_overload" else "probe", None)
    if any(seen is not None and seen.void is not None for seen in all_seen):
        return _undecided("A reading is void: repeat it.")
    if tap is not None and tap.clipped:
        return _named("source", tap)
    if processor is not None:
        if processor.clipped:
            return _named("processor", processor)
        tap = processor
    low, high = sorted((one, other), key=lambda seen: _size(seen.volts_rms))
    if not high.clipped and not low.clipped:
        return _nothing(tap, low, high, filters_off=filters_off)
    return _behind_the_tap(tap, low, high, beside)


def _nothing(tap: Seen | None, low: Seen, high: Seen, *, filters_off: bool) -> StageVerdict:
    if not filters_off:
        hidden = "Input stage" if tap is not None else "Source"
        return _undecided(f"{hidden} hidden by a filter: switch filters off, or read before them.")
    if not (low.clean and high.clean):
        return _undecided("Too close to the limit to call: raise the level by a decibel.")
    return StageVerdict((), None, None, "none", "Nothing clips at these positions.")


def _behind_the_tap(tap: Seen | None, low: Seen, high: Seen, beside: Seen | None) -> StageVerdict:
    same = _same_shape(low, high)
    flat = _flat_moved(low, high)
    if flat == "moved" and low.clipped:
        # What is flat below the other flat top was cut before the knob.
        first = _before_the_knob(tap, low, beside)
        if first.undecided is not None or same:
            return first
        return _named(first.stages[0], low, also="output_stage")
    if flat == "stayed" and not (same and not _moved(low, high)):
        return _named("output_stage", high)
    if low.clean and _fell(low, high):
        # From clipped to clean is a change of shape, however little the knob has moved.
        return _named("output_stage", high)
    if not _moved(low, high):
        return _undecided("The gain hardly moved: turn it further.")
    if same:
        return _before_the_knob(tap, low, beside)
    if high.clipped and _fell(low, high):
        return _named("output_stage", high)
    return _undecided("The shape changed too little to tell: turn the gain further.")


def _before_the_knob(tap: Seen | None, low: Seen, beside: Seen | None) -> StageVerdict:
    """Tell source and input stage apart: what is cut before the knob is one of them."""
    if tap is None:
        if beside is None or beside.void is not None:
            return _undecided("Source or input stage: read the tap, or another channel.")
        if beside.clipped and _same_shape(low, beside):
            return _named("source", low)
        return _named("input_stage", low) if beside.clean else _undecided("Read the tap.")
    if not _stands_out(low, tap):
        return _undecided("The distortions of source and amplifier add up: neither clips by far.")
    return _named("input_stage", low)


def _named(stage: Stage, seen: Seen | None, also: Stage | None = None) -> StageVerdict:
    stages = (stage,) if also is None else (stage, also)
    words = " and ".join(WORDS[one] for one in stages)
    flat = None if seen is None else seen.flat_v
    at = "" if flat is None else f" (flat at {flat.value:.2f} V peak between the tips)"
    halves = "none" if seen is None else seen.halves
    which = f", {halves} half only" if halves in ("upper", "lower") else ""
    verb = "clip" if also else "clips"
    sentence = f"{words[0].upper()}{words[1:]} {verb}{which}{at}: {REMEDY[stage]}."
    return StageVerdict(stages, None, flat, halves, sentence)


def _undecided(why: str) -> StageVerdict:
    return StageVerdict((), why, None, "none", why)


def _same_shape(a: Seen, b: Seen) -> bool:
    if a.thd_percent is None or b.thd_percent is None:
        return False
    larger = max(a.thd_percent.value, b.thd_percent.value)
    allowed = SAME_THD * larger + a.thd_percent.u + b.thd_percent.u
    if abs(a.thd_percent.value - b.thd_percent.value) > allowed:
        return False
    pairs = list(zip(a.harmonics_percent, b.harmonics_percent, strict=False))[: COMPARED - 1]
    apart = math.hypot(*(x - y for x, y in pairs))
    return apart <= SAME_HARMONICS * larger + a.thd_percent.u + b.thd_percent.u


def _fell(low: Seen, high: Seen) -> bool:
    """Tell whether the distortion is surely less at the lower gain."""
    if low.thd_percent is None or high.thd_percent is None:
        return False
    return low.thd_percent.high < CHANGED_THD * high.thd_percent.low


def _flat_moved(low: Seen, high: Seen) -> Literal["moved", "stayed", "unknown"]:
    if low.flat_v is None or high.flat_v is None:
        return "unknown"
    u = math.hypot(low.flat_v.u, high.flat_v.u)
    below = high.flat_v.value - low.flat_v.value
    if abs(below) <= SAME_FLAT * high.flat_v.value + u:
        return "stayed"
    return "moved" if below > 0.0 else "unknown"


def _moved(low: Seen, high: Seen) -> bool:
    smaller, larger = _size(low.volts_rms), _size(high.volts_rms)
    return smaller > 0.0 and 20.0 * math.log10(larger / smaller) >= MOVED_DB


def _stands_out(behind: Seen, before: Seen) -> bool:
    if behind.flat_v is not None and before.flat_v is None:
        return True
    if behind.thd_percent is None or before.thd_percent is None:
        return False
    return behind.thd_percent.low > STANDS_OUT * before.thd_percent.high


def _size(volts: Quantity | None) -> float:
    return 0.0 if volts is None else volts.value
