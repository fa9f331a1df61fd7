"""Which of the readings of one window is shown large, and the others beside it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from levelset.probe.reading import Frames
from levelset.probe.stretch_reading import StretchReading, StretchSpec
from levelset.probe.touch_reading import TouchReading
from levelset.procedures.protocol import Listen
from levelset.tui.renderables.touch import touch_line
from levelset.tui.renderables.wording import volts

if TYPE_CHECKING:
    from levelset.probe.kinds import AnyReading, AnySpec
    from levelset.probe.reading import Reading, TipsReading
    from levelset.procedures.protocol import View

CLEARLY = 1.06
"""Ratio, 0.5 dB, from which a second tip is shown: of tips that read alike the first one stays."""
QUIET = ("silent_input", "no_tone")


def current(view: View, before: AnyReading | None) -> View:
    """Return the view without a reading of something else than what is listened to now.

    The volts of the tap must not stand beside an instruction about the amplifier.

    Parameters
    ----------
    view : View
        What the engine shows.
    before : TipsReading, TouchReading, StretchReading or None
        The reading that was there when the person was last asked to do something.
    """
    instruction, reading = view.instruction, view.reading
    if not isinstance(instruction, Listen):
        return view
    if reading is not None and reading is not before and reading.spec == instruction.spec:
        return view
    begins = _nothing_yet(instruction.spec)
    return view if reading is begins is None else replace(view, reading=begins, budget=())


def _nothing_yet(spec: AnySpec) -> AnyReading | None:
    """Return what is shown before the first reading: of a stretch, that it begins."""
    if isinstance(spec, StretchSpec):
        return StretchReading(Frames(0, 0, 0, 1), spec, "recording", 0.0)
    return None


def shown_reading(tips: TipsReading) -> Reading:
    """Return the output's reading; before the kind of output is known, a leg's.

    One tip alone never stands for the output: ``legs_line`` names the tip that is shown.
    """
    if tips.spec.output != "unknown":
        return tips.output
    trusted = [leg for leg in tips.legs if leg.tone.void is None] or [tips.legs[0]]
    largest = max(trusted, key=_amplitude)
    return largest if _amplitude(largest) > CLEARLY * _amplitude(trusted[0]) else trusted[0]


def legs_line(tips: AnyReading) -> str:
    """Return what each tip reads against chassis."""
    if isinstance(tips, TouchReading):
        return touch_line(tips)
    if isinstance(tips, StretchReading):
        return ""
    shown = shown_reading(tips)
    parts = []
    for name, leg in zip(("tip A", "tip B"), tips.legs, strict=False):
        if leg.tone.void is not None:
            text = "no tone" if leg.tone.void.code in QUIET else "no reading"
        elif leg.volts_rms is not None:
            text = volts(leg.volts_rms.value)
        elif leg.tone.level_dbfs is not None:
            text = f"{leg.tone.level_dbfs.value:.2f} dBFS"
        else:
            text = "no reading"
        parts.append(f"{name} {text}{' (shown)' if leg is shown and len(tips.legs) > 1 else ''}")
    return f"against chassis: {', '.join(parts)}"


def _amplitude(reading: Reading) -> float:
    return 0.0 if reading.tone.amplitude_fs is None else reading.tone.amplitude_fs.value
