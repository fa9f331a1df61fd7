"""Two character sets: Unicode with braille, and plain ASCII for consoles without them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

Charset = Literal["braille", "ascii"]

_ASCII = str.maketrans(
    {
        "█": "#",
        "▇": "#",
        "▁": "_",
        "▄": "#",
        "▀": "#",
        "▲": "^",
        "▼": "v",
        "◆": "*",
        "═": "=",
        "▚": "%",
        "≈": "~",
        "╳": "X",
        "░": ".",
        "─": "-",
        "│": "|",
        "┼": "+",
        "├": "|",
        "┤": "|",
        "└": "+",
        "·": "-",
        "±": "~",
        "…": ".",
        "→": ">",
        "←": "<",
        "↑": "^",
        "↓": "v",
        "²": "2",
        "°": " ",
    }
)


def suited_charset(encoding: str | None, environ: Mapping[str, str]) -> Charset:
    """Return the character set that a terminal can be expected to show.

    Parameters
    ----------
    encoding : str or None
        Encoding of the terminal's output.
    environ : mapping
        Environment; the text console of Linux (``TERM=linux``) has no braille.

    Returns
    -------
    {"braille", "ascii"}
    """
    unicode = encoding is not None and encoding.lower().replace("-", "").startswith("utf")
    return "braille" if unicode and environ.get("TERM") != "linux" else "ascii"


def in_charset(lines: Iterable[str], charset: Charset) -> list[str]:
    """Return the lines in the character set, each character for one character."""
    if charset == "braille":
        return list(lines)
    return ["".join(c if c.isascii() else "?" for c in line.translate(_ASCII)) for line in lines]
