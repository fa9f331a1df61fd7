"""Digits of five rows that can be read from the other end of a vehicle."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from levelset.procedures.protocol import Direction

ROWS = 5

_FONT = {
    "0": ("██████", "██  ██", "██  ██", "██  ██", "██████"),
    "1": ("  ██  ", "████  ", "  ██  ", "  ██  ", "██████"),
    "2": ("██████", "    ██", "██████", "██    ", "██████"),
    "3": ("██████", "    ██", " █████", "    ██", "██████"),
    "4": ("██  ██", "██  ██", "██████", "    ██", "    ██"),
    "5": ("██████", "██    ", "██████", "    ██", "██████"),
    "6": ("██████", "██    ", "██████", "██  ██", "██████"),
    "7": ("██████", "    ██", "   ██ ", "  ██  ", "  ██  "),
    "8": ("██████", "██  ██", "██████", "██  ██", "██████"),
    "9": ("██████", "██  ██", "██████", "    ██", "██████"),
    ".": ("  ", "  ", "  ", "  ", "██"),
    "-": ("    ", "    ", "████", "    ", "    "),
    " ": ("   ", "   ", "   ", "   ", "   "),
}

_ARROWS = {
    "up": ("    █    ", "  █████  ", "█████████", "   ███   ", "   ███   "),
    "down": ("   ███   ", "   ███   ", "█████████", "  █████  ", "    █    "),
    "hold": ("         ", "█████████", "         ", "█████████", "         "),
}


def digits(text: str, scale: int = 1) -> list[str]:
    """Draw a number.

    Parameters
    ----------
    text : str
        Digits, point, minus and spaces; any other character is left out.
    scale : int
        1 gives five rows, 2 ten rows of double width.

    Returns
    -------
    list of str
        ``ROWS * scale`` lines of equal length.
    """
    glyphs = [_FONT[c] for c in text if c in _FONT]
    return _scaled([" ".join(glyph[row] for glyph in glyphs) for row in range(ROWS)], scale)


def arrow(direction: Direction | None, scale: int = 1) -> list[str]:
    """Draw a large arrow up or down, two bars for hold, nothing without a direction."""
    blank = (" " * 9,) * ROWS
    return _scaled(list(blank if direction is None else _ARROWS[direction]), scale)


def _scaled(lines: list[str], scale: int) -> list[str]:
    return ["".join(c * scale for c in line) for line in lines for _ in range(scale)]
