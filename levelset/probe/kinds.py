"""The kinds of specification: how samples are read for each, and what is stored of the reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from levelset.probe.dc import read_touch
from levelset.probe.reading import TipsReading, ToneSpec, reading_as_json
from levelset.probe.stretch import read_stretch
from levelset.probe.stretch_reading import StretchReading, StretchSpec, stretch_as_json
from levelset.probe.touch_reading import StepSpec, TouchReading, touch_as_json
from levelset.probe.volts import read_tips

AnySpec = ToneSpec | StepSpec | StretchSpec
AnyReading = TipsReading | TouchReading | StretchReading


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of specification.

    Parameters
    ----------
    line : str
        Kind of its journal line.
    read : callable
        Takes samples of shape (n, channels), frames, specification, calibration or None; returns
        the reading. Verification calls the same function on the stored capture.
    parts : callable
        Takes the reading; returns what is stored of it, one object for every part.
    """

    line: str
    read: Callable[..., Any]
    parts: Callable[[Any], list[dict[str, Any]]]


def _tones(reading: TipsReading) -> list[dict[str, Any]]:
    return [reading_as_json(one) for one in (*reading.legs, reading.pair) if one is not None]


def _touches(reading: TouchReading) -> list[dict[str, Any]]:
    return [touch_as_json(one) for one in (*reading.legs, reading.pair) if one is not None]


def _stretch(reading: StretchReading) -> list[dict[str, Any]]:
    return [stretch_as_json(reading)]


KINDS: dict[type, Kind] = {
    ToneSpec: Kind("reading", read_tips, _tones),
    StepSpec: Kind("touch", read_touch, _touches),
    StretchSpec: Kind("stretch", read_stretch, _stretch),
}


def kind_of(spec: AnySpec) -> Kind:
    """Return how a specification is read and stored."""
    return KINDS[type(spec)]
