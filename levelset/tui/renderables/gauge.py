"""The large number, which way to turn, how far, and where to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.probe.stretch_reading import StretchReading
from levelset.probe.touch_reading import TouchReading
from levelset.tui.renderables.digits import ROWS, arrow, digits
from levelset.tui.renderables.stretch import stretch_number
from levelset.tui.renderables.touch import touch_number
from levelset.tui.renderables.which import shown_reading
from levelset.tui.renderables.wording import db, plus_minus, volts, volts_parts, wrapped

if TYPE_CHECKING:
    from levelset.probe.kinds import AnyReading
    from levelset.procedures.protocol import Guidance

WORDS = {"up": "TURN UP", "down": "TURN DOWN", "hold": "HOLD"}
MARKS = {"up": "▲", "down": "▼", "hold": "═"}


def shown_number(reading: AnyReading | None) -> tuple[str, str, str]:
    """Return number, unit and uncertainty of the output: volts, or dBFS without a calibration.

    A reading that is void shows dashes: no number that cannot be trusted.
    """
    if isinstance(reading, TouchReading):
        return touch_number(reading)
    if isinstance(reading, StretchReading):
        return stretch_number(reading)
    shown = None if reading is None else shown_reading(reading)
    if shown is None or shown.tone.void is not None:
        return "--.--", "V", ""
    volts_rms = shown.volts_rms
    if volts_rms is not None:
        number, unit = volts_parts(volts_rms.value)
        return number, unit, plus_minus(volts_rms, unit)
    level = shown.tone.level_dbfs
    if level is None:
        return "--.--", "V", ""
    return f"{level.value:.2f}", "dBFS", "not calibrated: no volts"


def gauge_height(width: int, height: int) -> int:
    """Return how many rows the gauge takes on a screen of this size."""
    return ROWS * _scale(width, height)


def gauge_lines(
    reading: AnyReading | None, guidance: Guidance, width: int, screen_height: int
) -> list[str]:
    """Draw number, arrow and the words beside them.

    Parameters
    ----------
    reading : TipsReading, TouchReading, StretchReading or None
        The newest reading.
    guidance : Guidance
        How far to go.
    width, screen_height : int
        Width of the gauge and height of the whole screen; a large screen gets double size.

    Returns
    -------
    list of str
        ``gauge_height(...)`` lines.
    """
    scale = _scale(width, screen_height)
    number, unit, uncertainty = shown_number(reading)
    left = digits(number, scale)
    pointer = arrow(guidance.direction, scale) if guidance.direction is not None else None
    if pointer is not None and len(left[0]) + len(unit) + len(pointer[0]) + 26 > width:
        pointer = None
    rows = ROWS * scale
    # A large screen has room to say how far in digits, above the words.
    far = (
        digits(db(abs(guidance.to_go_db)).removesuffix(" dB"))
        if scale > 1 and guidance.to_go_db and guidance.direction != "hold"
        else []
    )
    beside = words_beside(guidance, uncertainty)
    lines = []
    column = len(left[0]) + 1 + len(unit) + 2
    room = width - column - (0 if pointer is None else len(pointer[0]) + 2)
    flowing = [part for text in beside for part in wrapped(text, room)]
    if far and len(far[0]) + 3 <= room:
        far[-1] += " dB"
        flowing = [*far, *flowing]
    if len(flowing) > rows and uncertainty and len(uncertainty) <= room:
        # How sure it is goes before the rest of a remark.
        flowing[rows - 1] = uncertainty
    flowing = flowing[:rows]
    start = (rows - len(flowing)) // 2 if scale > 1 else 0
    for row in range(rows):
        middle = "" if pointer is None else pointer[row] + "  "
        text = flowing[row - start] if 0 <= row - start < len(flowing) else ""
        mark = unit if row == rows - 1 else " " * len(unit)
        lines.append(f"{left[row]} {mark}  {middle}{text}"[:width].rstrip())
    return lines


def words_beside(guidance: Guidance, uncertainty: str) -> list[str]:
    """Return the words beside the number: what to do, how far, where to, how sure."""
    words = []
    direction = guidance.direction
    headline = guidance.headline or ("" if direction is None else WORDS[direction])
    if headline:
        words.append(headline if direction is None else f"{MARKS[direction]} {headline}")
    if guidance.to_go_db is not None and direction != "hold":
        over = guidance.to_go_db < 0.0
        words.append(f"{db(abs(guidance.to_go_db))} {'too much' if over else 'to go'}")
    if guidance.target_volts_rms is not None:
        words.append(f"target {volts(guidance.target_volts_rms)}")
    if guidance.target_note:
        words.append(guidance.target_note)
    if uncertainty:
        words.append(uncertainty)
    return words


def _scale(width: int, height: int) -> int:
    return 2 if width >= 110 and height >= 36 else 1
