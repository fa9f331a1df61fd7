"""Stored values as text for a person, whatever procedure wrote them.

The unit of a number stands at the end of its name in every result, so that steps which this
version of levelset does not know are shown as well as its own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from levelset.quantity import Quantity
from levelset.record.comparison import is_number
from levelset.record.schema import quantity_from

UNITS = {
    "volts_rms_total": "V RMS",
    "volts_rms": "V RMS",
    "v_rms": "V RMS",
    "volts_peak": "V peak",
    "v_peak": "V peak",
    "volts": "V",
    "v": "V",
    "dbfs": "dBFS",
    "db": "dB",
    "hz": "Hz",
    "percent": "%",
    "ppm": "ppm",
    "ohm": "ohm",
    "watts": "W",
    "w": "W",
    "a": "A",
    "ms": "ms",
    "s": "s",
    "fs": "of full scale",
    "mm2": "mm²",
    "c": "°C",
    "m": "m",
}
"""Last words of a name, and the unit they stand for; the longest that fits counts."""

LABELS = {
    "volts_rms": "voltage",
    "volts_rms_total": "voltage with harmonics",
    "volts": "voltage",
    "watts": "computed power",
    "thd_percent": "THD",
    "thd_n_percent": "THD + noise",
    "dc_coupled": "DC coupled",
    "rms": "RMS",
    "a_weighted": "A-weighted",
    "re_1_w_db": "against 1 W",
    "re_clean_maximum_db": "against the clean maximum",
}

HIDDEN = frozenset({"reading", "readings"})
"""Whole readings inside a result: they are lines of their own."""
LONGEST_TABLE = 64
MOST_ON_A_LINE = 8
DEEPEST = 4
MOST_LEVELS = 12
DEEPER = "in the journal"
NOT_KNOWN = "–"
"""None: there is none, or it is not known."""
REFERENCES = ("_seq", "_seqs")
"""Ends of names that point to lines of the journal."""


@dataclass(frozen=True, slots=True)
class Table:
    """A list of alike objects.

    Parameters
    ----------
    heads : tuple of str
        Names of the columns.
    rows : tuple of tuple of str
        Cells.
    left_out : int
        Rows beyond the longest table; they are in the journal.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left_out: int = 0


@dataclass(frozen=True, slots=True)
class Field:
    """One named value: a text, a table, or named values below it.

    Parameters
    ----------
    label : str
        Its name in words.
    text : str
        The value, empty where it has parts.
    table : Table or None
        Where it is a list of objects.
    parts : tuple of Field
        Where it is an object.
    """

    label: str
    text: str = ""
    table: Table | None = None
    parts: tuple[Field, ...] = ()


def label_and_unit(key: str) -> tuple[str, str]:
    """Split a name such as ``set_volts_rms`` into words and unit.

    Returns
    -------
    label : str
        The name in words, without its unit.
    unit : str
        Symbol; empty where the name has none.
    """
    words = key.split("_")
    for count in range(min(3, len(words)), 0, -1):
        tail = "_".join(words[-count:])
        if tail in UNITS:
            head = " ".join(words[:-count])
            return LABELS.get(key, head or LABELS.get(tail, tail)), UNITS[tail]
    return LABELS.get(key, " ".join(words)), ""


def shallow(value: Any, levels: int = MOST_LEVELS) -> Any:
    """Return JSON values without what lies deeper than a page shows.

    Parameters
    ----------
    value : JSON value
        Anything that was read from a file, however deep it is.
    levels : int
        Levels of objects and lists that are kept.
    """
    if isinstance(value, dict):
        return {key: shallow(part, levels - 1) for key, part in value.items()} if levels else DEEPER
    if isinstance(value, list | tuple):
        return [shallow(part, levels - 1) for part in value] if levels else DEEPER
    return value


def fields_of(result: dict[str, Any], depth: int = 0) -> tuple[Field, ...]:
    """Return the values of a result by name; references to lines are left out.

    Parameters
    ----------
    result : dict
        JSON values.
    depth : int
        How deep this one lies in another.
    """
    return tuple(
        _field(key, value, depth)
        for key, value in shallow(result).items()
        if key not in HIDDEN and not key.endswith(REFERENCES)
    )


def _field(key: str, value: object, depth: int) -> Field:
    label, unit = label_and_unit(key)
    if isinstance(value, dict) and quantity_from(value, unit) is None:
        if depth >= DEEPEST or not value:
            return Field(label, DEEPER if value else "none")
        if _are_alike(value):
            return Field(label, table=table_of([{"of": k, **v} for k, v in value.items()]))
        below = value.get("below") is True
        parts = tuple(
            _part(k, v, unit, depth + 1, below=below)
            for k, v in value.items()
            if k not in HIDDEN and k != "below" and not k.endswith(REFERENCES)
        )
        if all(part.text for part in parts) and len(parts) <= MOST_ON_A_LINE:
            # A phone shows a line better than a list in a list.
            return Field(label, "; ".join(f"{part.label} {part.text}" for part in parts))
        return Field(label, parts=parts)
    if isinstance(value, list | tuple) and value and all(_is_row(item) for item in value):
        return Field(label, table=table_of(list(value)))
    return Field(label, value_text(value, unit))


def _part(key: str, value: object, unit: str, depth: int, *, below: bool) -> Field:
    """Return a part of an object; one without a unit of its own has that of the object."""
    found = _field(key, value, depth)
    own = label_and_unit(key)[1]
    quantity = quantity_from(value, own or unit)
    if quantity is not None:
        # Only an upper limit: the value itself is nowhere to be read as one.
        text = upper_limit_text(quantity) if below else quantity_text(quantity)
        return Field(found.label, text)
    if found.text and unit and not own and is_number(value):
        return Field(found.label, value_text(value, unit))
    return found


def table_of(rows: list[dict[str, Any]]) -> Table:
    """Return a list of objects as a table; columns in the order in which they first appear."""
    keys = list(dict.fromkeys(key for row in rows for key in row if key not in HIDDEN))
    keys = [key for key in keys if not key.endswith(REFERENCES)]
    heads = []
    for key in keys:
        label, unit = label_and_unit(key)
        heads.append(f"{label}, {unit}" if unit else label)
    cells = tuple(
        tuple(_cell(row[key], label_and_unit(key)[1]) if key in row else "" for key in keys)
        for row in rows[:LONGEST_TABLE]
    )
    return Table(tuple(heads), cells, max(0, len(rows) - LONGEST_TABLE))


def value_text(value: object, unit: str) -> str:
    """Return a JSON value as text with its unit.

    Parameters
    ----------
    value : JSON value
        Quantities are ``{"value": x, "u": u}``.
    unit : str
        Symbol; empty for none.
    """
    quantity = quantity_from(value, unit)
    if quantity is not None:
        return quantity_text(quantity)
    if value is None:
        return NOT_KNOWN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if is_number(value):
        symbol, _, extra = unit.partition(" ")
        return _exact(float(value), symbol, extra)
    if isinstance(value, str):
        # Words of the record are keys such as cannot_tell; what a person typed stays as it is.
        return value.replace("_", " ") if re.fullmatch(r"[a-z]+(_[a-z0-9]+)+", value) else value
    if isinstance(value, list | tuple):
        return ", ".join(value_text(item, unit) for item in value) or "none"
    if isinstance(value, dict):
        below = value.get("below") is True
        parts = (
            _part(name, part, unit, DEEPEST - 2, below=below)
            for name, part in value.items()
            if name != "below" and name not in HIDDEN and not name.endswith(REFERENCES)
        )
        return "; ".join(f"{part.label} {part.text or _flat(part)}" for part in parts)
    return str(value)


def _flat(field: Field) -> str:
    return ", ".join(f"{part.label} {part.text}" for part in field.parts) or DEEPER


def quantity_text(quantity: Quantity) -> str:
    """Return value and uncertainty; RMS volts below 1 V in mV like plain ones.

    A value that is exact by its nature has no uncertainty and is shown without one.
    """
    symbol, _, extra = quantity.unit.partition(" ")
    if quantity.u == 0.0:
        return _exact(quantity.value, symbol, extra)
    text = Quantity(quantity.value, quantity.u, symbol if extra else quantity.unit).text()
    return f"{text} {extra}".rstrip()


def upper_limit_text(quantity: Quantity) -> str:
    """Return a value that is only known to be an upper limit."""
    symbol, _, extra = quantity.unit.partition(" ")
    return f"below {_exact(quantity.value, symbol, extra)}"


def _exact(value: float, symbol: str, extra: str) -> str:
    if symbol == "V" and 0.0 < abs(value) < 1.0:
        value, symbol = 1e3 * value, "mV"
    return " ".join(part for part in (_number(value, symbol), symbol, extra) if part)


def _cell(value: object, unit: str) -> str:
    """Return a value for a column whose head names the unit."""
    quantity = quantity_from(value, "")
    if quantity is not None:
        return quantity.text()
    if is_number(value):
        return _number(float(value), unit)
    return value_text(value, "")


def _number(value: float, unit: str) -> str:
    if unit.startswith("dB"):
        return f"{round(value, 2) + 0.0:.2f}"
    return f"{value:.4g}" if abs(value) < 1e4 else f"{value:.6g}"


def _are_alike(value: dict[str, Any]) -> bool:
    """Return whether an object holds objects with the same names, such as one for each channel."""
    parts = list(value.values())
    return all(_is_row(part) and len(part) > 1 and part.keys() == parts[0].keys() for part in parts)


def _is_row(item: object) -> bool:
    return isinstance(item, dict) and quantity_from(item, "") is None
