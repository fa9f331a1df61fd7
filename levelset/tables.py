"""Strict reading of one TOML table: every fault names the key and what to do."""

from __future__ import annotations

import difflib
import math
from typing import Any

from levelset.errors import UsageError

_SHOWN = 40


class Table:
    """One table of a file, whose keys are taken one by one.

    Parameters
    ----------
    name : str
        As an error names it, such as ``[amplifier 1]``.
    values : object
        What the file holds there.
    """

    def __init__(self, name: str, values: object) -> None:
        if not isinstance(values, dict):
            raise UsageError(f"{name} is not a table", f"write {name} on a line of its own")
        self.name = name
        self._values: dict[str, Any] = values
        self._known: set[str] = set()

    def error(self, key: str, what: str, todo: str) -> UsageError:
        """Return the error for a key."""
        return UsageError(f"{self.name} {key} {what}", todo)

    def has(self, key: str) -> bool:
        """Tell whether an optional key is there; from then on it counts as known."""
        self._known.add(key)
        return key in self._values

    def number(self, key: str, low: float, high: float) -> float:
        """Return a finite number from ``low`` to ``high``."""
        return self._number(key, self._take(key), low, high)

    def integer(self, key: str, low: int, high: int) -> int:
        """Return a whole number from ``low`` to ``high``."""
        value = self._take(key)
        if isinstance(value, bool) or not isinstance(value, int):
            todo = f"give a whole number from {low} to {high}"
            raise self.error(key, f"is {_shown(value)}, not a whole number", todo)
        self._number(key, value, low, high)
        return value

    def word(self, key: str, *words: str) -> str:
        """Return one of the words."""
        value = self._take(key)
        if not isinstance(value, str) or value not in words:
            todo = "write one of " + ", ".join(f'"{word}"' for word in words)
            raise self.error(key, f"is {_shown(value)}", todo)
        return value

    def text(self, key: str, longest: int) -> str:
        """Return a printable text that is neither blank nor longer than ``longest``."""
        value = self._take(key)
        todo = f"give a printable text of 1 to {longest} characters"
        if not isinstance(value, str):
            raise self.error(key, f"is {_shown(value)}, not a text", todo)
        if not (0 < len(value) <= longest and value.isprintable() and value.strip() == value):
            raise self.error(key, f"is {_shown(value)}", todo)
        return value

    def flag(self, key: str) -> bool:
        """Return true or false."""
        value = self._take(key)
        if not isinstance(value, bool):
            raise self.error(key, f"is {_shown(value)}", "write true or false")
        return value

    def numbers(self, key: str, fewest: int, most: int, low: float, high: float) -> list[float]:
        """Return a list of numbers, each from ``low`` to ``high``."""
        values = self._list(key, fewest, most)
        return [self._number(f"{key}[{n}]", v, low, high) for n, v in enumerate(values, 1)]

    def span(self, key: str, low: float, high: float) -> tuple[float, float]:
        """Return two numbers, the lower first."""
        first, second = self.numbers(key, 2, 2, low, high)
        if not first < second:
            todo = "give the lower number first, and two different ones"
            raise self.error(key, f"is [{first:g}, {second:g}]", todo)
        return first, second

    def pairs(
        self, key: str, most: int, first: tuple[float, float], second: tuple[float, float]
    ) -> list[tuple[float, float]]:
        """Return a list of pairs of numbers, each number within its limits."""
        return [(row[0], row[1]) for row in self.rows(key, most, (first, second))]

    def rows(
        self, key: str, most: int, limits: tuple[tuple[float, float], ...], *, fewest: int = 1
    ) -> list[tuple[float, ...]]:
        """Return a list of rows of numbers, each number within the limits of its column."""
        count = {2: "two", 3: "three"}.get(len(limits), str(len(limits)))
        found = []
        for n, row in enumerate(self._list(key, fewest, most), 1):
            place = f"{key}[{n}]"
            if not isinstance(row, list) or len(row) != len(limits):
                raise self.error(place, f"is {_shown(row)}", f"give {count} numbers in brackets")
            found.append(
                tuple(
                    self._number(f"{place}[{m}]", value, *limit)
                    for m, (value, limit) in enumerate(zip(row, limits, strict=True), 1)
                )
            )
        return found

    def texts(self, key: str, most: int, longest: int) -> list[str]:
        """Return a list of printable texts."""
        values = self._list(key, 0, most)
        return [
            Table(self.name, {f"{key}[{n}]": value}).text(f"{key}[{n}]", longest)
            for n, value in enumerate(values, 1)
        ]

    def table(self, key: str) -> Table:
        """Return a table inside this one."""
        return Table(f"{self.name} {key}", self._take(key))

    def optional(self, key: str, low: float, high: float) -> float | None:
        """Return a number from ``low`` to ``high``, None where the key is left out."""
        return self.number(key, low, high) if self.has(key) else None

    def off_or_number(self, key: str, low: float, high: float) -> float | None:
        """Return a number from ``low`` to ``high``, None where the key is 0 or left out."""
        if not self.has(key):
            return None
        value = self._values[key]
        off = isinstance(value, int | float) and not isinstance(value, bool) and value == 0
        return None if off else self.number(key, low, high)

    def tables(self, key: str, most: int) -> list[Table]:
        """Return a list of tables, [[key]] in TOML."""
        return [
            Table(f"{self.name} {key} {n}", value)
            for n, value in enumerate(self._list(key, 0, most), 1)
        ]

    def refuse_unknown(self) -> None:
        """Refuse every key that was not asked for."""
        for key in self._values:
            if key not in self._known:
                near = difflib.get_close_matches(key, sorted(self._known), 1)
                todo = f"did you mean {near[0]}?" if near else "remove it"
                raise self.error(key[:_SHOWN], "is unknown", todo)

    def expect(self, *keys: str) -> None:
        """Refuse unknown keys, then name the first missing one of ``keys``."""
        self._known.update(keys)
        self.refuse_unknown()
        for key in keys:
            self._take(key)

    def _take(self, key: str) -> Any:
        self._known.add(key)
        if key not in self._values:
            raise self.error(key, "is missing", f"add it to {self.name}")
        return self._values[key]

    def _list(self, key: str, fewest: int, most: int) -> list[Any]:
        value = self._take(key)
        if not isinstance(value, list) or not fewest <= len(value) <= most:
            count = f"{fewest}" if fewest == most else f"{fewest} to {most}"
            raise self.error(key, f"is {_shown(value)}", f"give {count} entries in brackets")
        return value

    def _number(self, place: str, value: object, low: float, high: float) -> float:
        todo = f"give a number from {low:g} to {high:g}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(place, f"is {_shown(value)}, not a number", todo)
        # The comparison also holds for integers too large for a float.
        if isinstance(value, float) and not math.isfinite(value) or not low <= value <= high:
            raise self.error(place, f"is {_shown(value)}, out of range", todo)
        return float(value)


def _shown(value: object) -> str:
    """Return a short form of any value; a huge integer has no decimal form."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) >= 10**_SHOWN:
        return "a huge integer"
    text = repr(value)
    return text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
