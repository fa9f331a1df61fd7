"""Two character sets: Unicode with braille, and plain ASCII for consoles without them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

Charset = Literal["braille", "ascii"]

PLAIN_TERMINALS = ("linux", "dumb", "ansi", "vt100", "vt102", "vt220")
PLAIN_LOCALES = ("C", "POSIX")
COERCED = ("C.UTF-8", "C.utf8", "UTF-8")

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
        Environment: a terminal such as the text console of Linux (``TERM=linux``) has no
        braille, and who sets the locale to C wants plain characters.

    Returns
    -------
    {"braille", "ascii"}
    """
    unicode = encoding is not None and encoding.lower().replace("-", "").startswith("utf")
    plain = environ.get("TERM") in PLAIN_TERMINALS or _plain_locale(environ)
    return "braille" if unicode and not plain else "ascii"


def _plain_locale(environ: Mapping[str, str]) -> bool:
    # Where the locale is C, Python itself sets LC_CTYPE to one of UTF-8 and encodes so (PEP 538,
    # PEP 540): what the person said is in the others.
    if not environ.get("LC_ALL") and environ.get("LC_CTYPE", "") not in ("", *COERCED):
        return environ["LC_CTYPE"] in PLAIN_LOCALES
    return (environ.get("LC_ALL") or environ.get("LANG")) in PLAIN_LOCALES


def in_charset(lines: Iterable[str], charset: Charset) -> list[str]:
    """Return the lines in the character set, each character for one character."""
    if charset == "braille":
        return list(lines)
    # A tilde before a number would read as "about".
    plain = (line.replace("± ", "+-").translate(_ASCII) for line in lines)
    return ["".join(c if c.isascii() else "?" for c in line) for line in plain]
