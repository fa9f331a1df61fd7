"""What a step says against the stretch that it names."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from levelset.record.comparison import is_number

if TYPE_CHECKING:
    from levelset.record.journal import Line


def stretch_step_difference(result: object, by_seq: Mapping[int, Line]) -> str:
    """Return what differs between a step's result and the stretches that it names, else nothing.

    Every object with a ``stretch_seq`` must agree with what was found in that stretch in all keys
    that both have.
    """
    if isinstance(result, list):
        return next(filter(None, (stretch_step_difference(one, by_seq) for one in result)), "")
    if not isinstance(result, dict):
        return ""
    seq = result.get("stretch_seq")
    if is_number(seq):
        found = _found(by_seq.get(int(seq)))
        if found is None:
            return f"result names seq {seq}, which is no stretch"
        for key, value in result.items():
            if key in found and found[key] != value:
                return f"result.{key} is not what the stretch it names (seq {seq}) says"
    return next(filter(None, (stretch_step_difference(v, by_seq) for v in result.values())), "")


def _found(line: Line | None) -> dict[str, Any] | None:
    if line is None or line.kind != "stretch":
        return None
    readings = line.data.get("readings")
    first = readings[0] if isinstance(readings, list) and readings else None
    found = first.get("found") if isinstance(first, dict) else None
    return found if isinstance(found, dict) else None
