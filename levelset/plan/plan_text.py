"""Changes in the text of a plan file that leave its comments and its order as they are."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from levelset.errors import UsageError
from levelset.plan.plan_keys import table_of, value_names

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

    from levelset.plan.templates import Template


NO_LABEL = ("name", "amplifier", "match", "tone_from", "limit_percent", "margin_db")
"""Keys whose values stand on no label and in no manual: there is nothing to confirm."""


def text_from_template(template: Template) -> str:
    """Return the text of a new plan, every value of it waiting for confirmation."""
    names = value_names(tomllib.loads(template.text))
    waits = [one for one in names if one == "vehicle" or one.rsplit(".", 1)[-1] not in NO_LABEL]
    return _with_waiting(template.text, waits)


def with_value(text: str, key: str, typed: str) -> str:
    """Return the text with one value changed; a value that was typed is confirmed.

    Parameters
    ----------
    text : str
        A plan file.
    key : str
        Name of the value, such as ``channel.bass.load``.
    typed : str
        As it stands in TOML; the quotes of a text may be left out.

    Raises
    ------
    UsageError
        If there is no such value or what was typed is none.
    """
    document = _parsed(text)
    table, last = table_of(document, key)
    value = _value(typed, table[last], key)
    table[last] = value
    keys = [one for one in waiting(document) if one != key]
    if last == "name" and key.count(".") >= 2:
        # Tables of a list are named by their name: what waits in this one takes the new name.
        old = key.removesuffix("name")
        new = f"{key.split('.', 1)[0]}.{value}."
        keys = [new + one.removeprefix(old) if one.startswith(old) else one for one in keys]
    return _with_waiting(document.as_string(), keys)


def confirmed(text: str, keys: Iterable[str] | None = None) -> str:
    """Return the text with values confirmed as they are; None confirms all.

    Raises
    ------
    UsageError
        If a value does not wait for confirmation.
    """
    left = list(waiting(_parsed(text)))
    for key in list(left) if keys is None else keys:
        if key not in left:
            raise UsageError(
                f"{key!r:.80} does not wait for confirmation", "see levelset plan show"
            )
        left.remove(key)
    return _with_waiting(text, left)


def waiting(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the values of a parsed plan that wait for confirmation."""
    found = document.get("unconfirmed", ())
    return tuple(str(one) for one in found) if isinstance(found, list) else ()


def shown_value(value: object) -> str:
    """Return a value as it stands in one line of TOML, a text without its quotes."""
    import tomlkit

    if isinstance(value, Mapping):
        table = tomlkit.inline_table()
        table.update(value)
        return table.as_string()
    return value if isinstance(value, str) else str(tomlkit.item(value).as_string())


def _with_waiting(text: str, keys: Iterable[str]) -> str:
    import tomlkit

    rows = tomlkit.array()
    rows.extend(list(keys))
    document = _parsed(text)
    if not rows:
        document.pop("unconfirmed", None)
        return document.as_string()
    if "unconfirmed" in document:
        document["unconfirmed"] = rows.multiline(True)
        return document.as_string()
    # Keys of the file itself stand above its first table.
    lines = text.splitlines(keepends=True)
    first = next((n for n, line in enumerate(lines) if line.startswith("[")), len(lines))
    list_text = f"unconfirmed = {rows.multiline(True).as_string()}\n\n"
    return "".join([*lines[:first], list_text, *lines[first:]])


def _parsed(text: str) -> TOMLDocument:
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        return tomlkit.parse(text)
    except TOMLKitError as fault:
        raise UsageError(f"the plan is not TOML: {fault}", "correct that place") from None


def _value(typed: str, before: object, key: str) -> Any:
    """Return what was typed as a TOML value; a text where a text stood."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    typed = typed.strip()
    if isinstance(before, str) and not typed.startswith(('"', "'")):
        return typed
    try:
        return tomlkit.value(typed)
    except TOMLKitError:
        raise UsageError(
            f"{key} cannot be {typed!r:.40}", f"write it as in {shown_value(before)}"
        ) from None
