"""A bar that is to be turned up to a mark, readable from the other end of a vehicle."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.tui.renderables.which import shown_reading

if TYPE_CHECKING:
    from levelset.probe.reading import TipsReading

BELOW_DB, ABOVE_DB = 18.0, 6.0
"""How much of the scale is drawn on either side of the mark, dB."""
ENDS = 2
"""Characters that the ends of the bar take."""


def mark_scale(mark_dbfs: float, width: int) -> str:
    """Return the line above the bar: its ends, and the mark with its level."""
    column = _column(mark_dbfs, mark_dbfs, width)
    left, right = f"{mark_dbfs - BELOW_DB:.0f}", f"{mark_dbfs + ABOVE_DB:.0f} dBFS"
    mark = f"MARK {mark_dbfs:.1f} ▼"
    line = f"{left:<{max(column - len(mark) + 1, 0)}}{mark}"
    return f"{line}{right:>{max(width - len(line), 0)}}"[:width]


def mark_lines(tips: TipsReading | None, mark_dbfs: float, width: int, height: int) -> list[str]:
    """Draw the bar.

    Parameters
    ----------
    tips : TipsReading or None
        The newest reading; void or None leaves the bar empty.
    mark_dbfs : float
        The mark, dBFS.
    width, height : int
        Size.

    Returns
    -------
    list of str
        ``height`` equal lines: ``▇`` up to the mark, ``┃`` the mark, ``█`` beyond it.
    """
    tone = None if tips is None else shown_reading(tips).tone
    level = None if tone is None or tone.void is not None else tone.level_dbfs
    column = _column(mark_dbfs, mark_dbfs, width)
    filled = 0
    if level is not None:
        filled = _column(level.value, mark_dbfs, width)
        # Short of the mark never looks like there, however near.
        filled = max(filled, column + 2) if level.value > mark_dbfs else min(filled, column)
    elif tone is not None and tone.void is not None and tone.void.code == "input_overload":
        filled = width - ENDS + 1
    cells = ["▁"] * (width - ENDS)
    for index in range(len(cells)):
        if index + 1 < filled:
            cells[index] = "▇" if index + 1 < column else "█"
    cells[column - 1] = "┃"
    return [f"├{''.join(cells)}┤"] * height


def _column(level_dbfs: float, mark_dbfs: float, width: int) -> int:
    """Return the column of a level, from 1 to the last within the ends."""
    share = (level_dbfs - mark_dbfs + BELOW_DB) / (BELOW_DB + ABOVE_DB)
    cells = width - ENDS
    return min(max(1 + round(share * (cells - 1)), 1), cells)
