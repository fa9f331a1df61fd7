"""Names of the values in a plan file, such as ``source.max_volume`` or ``channel.bass.load``."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from levelset.errors import UsageError

LEFT_OUT = ("unconfirmed",)
"""Keys that are no values of the vehicle."""


def value_at(document: Mapping[str, Any], key: str) -> Any:
    """Return a value by its name.

    Parameters
    ----------
    document : mapping
        A parsed plan file.
    key : str
        ``table.key``; tables of a list are named by their own name: ``channel.bass.load``.

    Raises
    ------
    UsageError
        If there is no such value.
    """
    table, last = table_of(document, key)
    return table[last]


def table_of(document: Mapping[str, Any], key: str) -> tuple[Any, str]:
    """Return the table that holds a value, and the value's key in it; raises UsageError."""
    for name, table, last in _values(document):
        if name == key:
            return table, last
    raise UsageError(f"the plan has no value {key!r:.80}", "name one that levelset plan show lists")


def value_names(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the name of every value in the order of the file."""
    return tuple(name for name, _, _ in _values(document))


def _values(document: Mapping[str, Any]) -> Iterator[tuple[str, Any, str]]:
    for key, value in document.items():
        if key in LEFT_OUT:
            continue
        if isinstance(value, Mapping):
            yield from ((f"{key}.{last}", value, last) for last in value)
        elif _is_tables(value):
            for number, table in enumerate(value, 1):
                name = f"{key}.{table.get('name', number)}"
                yield from ((f"{name}.{last}", table, last) for last in table)
        else:
            yield key, document, key


def _is_tables(value: object) -> bool:
    return (
        isinstance(value, Sequence)
        and not isinstance(value, str)
        and len(value) > 0
        and all(isinstance(entry, Mapping) for entry in value)
    )
