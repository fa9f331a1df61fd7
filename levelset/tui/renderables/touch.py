"""A touch as it builds: volts of each tip, how long contact has held, or why it does not count."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.tui.renderables.wording import plus_minus, volts_parts

if TYPE_CHECKING:
    from levelset.probe.touch_reading import TipTouch, TouchReading

WORDS = {
    "not_quiet": "TIPS OFF, HOLD STILL",
    "quiet": "READY FOR THE TOUCH",
    "building": "KEEP HOLDING",
    "done": "READ",
}


def touch_word(reading: TouchReading) -> str:
    """Return how far the touch has come."""
    share = f" {100.0 * reading.progress:.0f} %"
    return WORDS[reading.state] + (share if reading.state in ("not_quiet", "building") else "")


def touch_number(reading: TouchReading) -> tuple[str, str, str]:
    """Return number, unit and uncertainty of tip A; before there is one, how far the touch is."""
    volts = reading.legs[0].volts if reading.legs else None
    if volts is None and reading.void is None and reading.state in ("not_quiet", "building"):
        return f"{100.0 * reading.progress:.0f}", "%", ""
    if volts is None:
        return "--.--", "V", ""
    number, unit = volts_parts(volts.value)
    return number, unit, plus_minus(volts, unit)


def touch_line(reading: TouchReading) -> str:
    """Return what each tip reads against chassis, and what stands across the pair."""
    parts = [f"tip {name} {_volts(leg)}" for name, leg in zip("AB", reading.legs, strict=False)]
    if reading.pair is not None:
        parts.append(f"across {_volts(reading.pair)}")
    return f"DC against chassis: {', '.join(parts)}" if parts else ""


def touch_bar(reading: TouchReading, width: int) -> str:
    """Draw how long contact has held of the time that it has to."""
    cells = max(width - 2, 4)
    filled = round(min(reading.progress, 1.0) * cells) if reading.state != "quiet" else 0
    return f"├{'▇' * filled}{'▁' * (cells - filled)}┤"[:width]


def _volts(tip: TipTouch) -> str:
    if tip.volts is None:
        return "no reading"
    number, unit = volts_parts(tip.volts.value)
    return f"{number} {unit} {plus_minus(tip.volts, unit)}"
