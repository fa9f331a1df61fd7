"""The pictures under the band: what explains the verdict, side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.tui.renderables.curve import curve_plot, curve_table
from levelset.tui.renderables.plots import period_picture, transfer_picture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from levelset.analysis.result import Picture
    from levelset.procedures.protocol import CurvePoint
    from levelset.tui.renderables.charset import Charset

TABLE_WIDTH = 35
GAP = 3


def picture_lines(
    picture: Picture | None,
    curve: Sequence[CurvePoint],
    width: int,
    height: int,
    charset: Charset,
) -> list[str]:
    """Draw the period and the transfer curve, or the growing curve of a search first.

    Parameters
    ----------
    picture : Picture or None
        Curves of the newest reading.
    curve : sequence of CurvePoint
        Levels captured so far; empty outside a search.
    width, height : int
        Size of the whole area; below three rows nothing is drawn.
    charset : {"braille", "ascii"}
        Character set.

    Returns
    -------
    list of str
        ``height`` lines at most.
    """
    if height < 3:
        return []
    rows = height - 1
    columns: list[tuple[str, list[str], int]] = []
    if curve:
        table = min(TABLE_WIDTH, width)
        rest = width - table - GAP
        columns.append(("captured so far", curve_table(curve, table, rows), table))
        plot = (rest - GAP) // 2 if rest >= 40 else rest
        if plot >= 12:
            columns.append(("level over volume", curve_plot(curve, plot, rows, charset), plot))
        if rest >= 40 and picture is not None:
            drawn = period_picture(picture, plot, rows, charset)
            columns.append(("one period", drawn, plot))
    elif picture is not None:
        half = (width - GAP) // 2
        columns.append(
            (
                "one period, dotted: fitted sine",
                period_picture(picture, half, rows, charset),
                half,
            )
        )
        columns.append(
            (
                "output against input, dotted: straight",
                transfer_picture(picture, half, rows, charset),
                half,
            )
        )
    return _side_by_side(columns, rows)


def _side_by_side(columns: Sequence[tuple[str, list[str], int]], rows: int) -> list[str]:
    if not columns:
        return []
    gap = " " * GAP
    # What is dotted gives way where there is no room to say it.
    titles = [t if len(t) <= width else t.partition(",")[0] for t, _, width in columns]
    widths = [width for _, _, width in columns]
    lines = [gap.join(f"{t[:w]:<{w}}" for t, w in zip(titles, widths, strict=True))]
    for row in range(rows):
        parts = [
            f"{drawn[row] if row < len(drawn) else '':<{width}}" for _, drawn, width in columns
        ]
        lines.append(gap.join(parts).rstrip())
    return lines
