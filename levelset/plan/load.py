"""Net load of a wiring in textbook notation."""

from __future__ import annotations

import re

from levelset.errors import UsageError

MIN_LOAD_OHM = 0.1
MAX_LOAD_OHM = 10_000.0
MAX_DEPTH = 50

_TOKEN = re.compile(r"[ \t]*(?:(?P<number>(?:[0-9]+\.?[0-9]*|\.[0-9]+))|(?P<sign>\|\||[+()]))")
_TODO = "write 4, 4+4 (series), 4||4 (parallel) or brackets, in ohm"


def net_load_ohm(text: str) -> float:
    """Return the resistance of a load such as ``4``, ``4+4``, ``4||4`` or ``(4+4)||(4+4)``.

    ``+`` is series, ``||`` is parallel and binds tighter, as in textbooks. The parser keeps its
    own stack, so depth and length of the text cannot exhaust Python's.

    Parameters
    ----------
    text : str
        The wiring; decimal point, blanks allowed, at most 50 brackets deep.

    Returns
    -------
    float
        Net load, 0.1 to 10000 ohm.

    Raises
    ------
    UsageError
        If it cannot be read, or an element or the result is out of range; names the place.

    Notes
    -----
    Series: R1 + R2. Parallel: R1 R2 / (R1 + R2) (Kirchhoff's laws; any circuit textbook).
    """
    if not isinstance(text, str):
        raise UsageError(f"load is not a text: {text!r:.40}", _TODO)
    # One level of brackets is (series sum so far, parallel group so far); the stack holds the
    # levels around the current one.
    outer: list[tuple[float, float | None]] = []
    series, group = 0.0, None
    needs_value = True
    at, end = 0, len(text.rstrip())
    while at < end:
        match = _TOKEN.match(text, at)
        if match is None:
            raise _unreadable(text, at)
        number, sign = match["number"], match["sign"]
        place = match.end() - len(number or sign)
        at = match.end()
        if needs_value != (number is not None or sign == "("):
            raise _misplaced(text, place, needs_value)
        if number is not None:
            value = float(number)
            if not MIN_LOAD_OHM <= value <= MAX_LOAD_OHM:
                raise UsageError(
                    f"load of {value:g} ohm at {_where(text, place)} is out of range",
                    f"every element must be {MIN_LOAD_OHM:g} to {MAX_LOAD_OHM:g} ohm",
                )
            group = _parallel(group, value)
            needs_value = False
        elif sign == "(":
            if len(outer) == MAX_DEPTH:
                raise UsageError(
                    f"load has more than {MAX_DEPTH} brackets inside each other "
                    f"at {_where(text, place)}",
                    "write the wiring with fewer brackets",
                )
            outer.append((series, group))
            series, group = 0.0, None
        elif sign == ")":
            if not outer:
                raise UsageError(
                    f"load has a bracket too many at {_where(text, place)}", "remove the bracket"
                )
            assert group is not None
            value = series + group
            series, group = outer.pop()
            group = _parallel(group, value)
        else:
            needs_value = True
            if sign == "+":
                assert group is not None
                series, group = series + group, None
    if needs_value or group is None:
        raise UsageError(f"load ends too early at {_where(text, end)}", _TODO)
    if outer:
        raise UsageError(
            f"load has {len(outer)} open bracket(s) at {_where(text, end)}", "close every bracket"
        )
    total = series + group
    if not MIN_LOAD_OHM <= total <= MAX_LOAD_OHM:
        raise UsageError(
            f"net load of {total:g} ohm is out of range",
            f"the whole wiring must be {MIN_LOAD_OHM:g} to {MAX_LOAD_OHM:g} ohm",
        )
    return total


def load_of_coils(coil_ohm: float, coils: int, wiring: str) -> str:
    """Return equal voice coils and their wiring in the notation of `net_load_ohm`.

    Parameters
    ----------
    coil_ohm : float
        Each coil, ohm.
    coils : int
        Number of coils on the channel.
    wiring : {"single", "parallel", "series", "series_parallel"}
        ``series_parallel``: pairs in series, the pairs in parallel.

    Raises
    ------
    UsageError
        If the number of coils does not fit the wiring.
    """
    one = f"{coil_ohm:g}"
    if wiring == "parallel":
        return "||".join([one] * coils)
    if wiring == "series":
        return "+".join([one] * coils)
    if wiring == "series_parallel" and coils >= 4 and coils % 2 == 0:
        return "||".join([f"({one}+{one})"] * (coils // 2))
    if wiring == "single" and coils == 1:
        return one
    raise UsageError(
        f"{coils} coils do not fit the wiring {wiring!r}",
        "single takes one coil, series_parallel an even number from 4",
    )


def coils_of(text: str) -> tuple[float, ...]:
    """Return the resistances that a load is made of, ohm, in the order in which they stand."""
    net_load_ohm(text)
    return tuple(float(match["number"]) for match in _TOKEN.finditer(text) if match["number"])


def _parallel(group: float | None, value: float) -> float:
    return value if group is None else group * value / (group + value)


def _where(text: str, place: int) -> str:
    """Name a place: its number from 1 and what stands there."""
    shown = text[place : place + 12].strip()
    rest = repr(shown) if shown else "the end"
    return f"character {place + 1} ({rest})"


def _misplaced(text: str, place: int, needs_value: bool) -> UsageError:
    missing = "a number" if needs_value else "+ or ||"
    return UsageError(f"load needs {missing} at {_where(text, place)}", _TODO)


def _unreadable(text: str, at: int) -> UsageError:
    place = at + len(text[at:]) - len(text[at:].lstrip(" \t"))
    character = text[place : place + 1]
    todo = {
        "-": "a load cannot be negative; " + _TODO,
        "|": "parallel is written with two bars, as in 4||4",
        ",": "use a point for decimals, as in 2.7",
    }.get(character, _TODO)
    return UsageError(f"load cannot be read at {_where(text, place)}", todo)
