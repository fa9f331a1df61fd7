"""A stored reading against the same reading computed again."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, TypeGuard


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far numbers may be apart.

    Parameters
    ----------
    relative : float
        Part of the number, where it has an uncertainty or not.
    of_u : float
        Part of its 95 % uncertainty.
    relative_without_u : float
        Part of a number that has no uncertainty.
    same_form : bool
        Whether both must hold the same fields and equally many harmonics.
    u_ratio : float
        How far an uncertainty may be from the one stated now, as a ratio; 1 where it is a number
        like any other. Another analysis may have learnt to state it better.
    """

    relative: float
    of_u: float
    relative_without_u: float
    same_form: bool
    u_ratio: float = 1.0

    def holds(self, stored: float, fresh: float, u: float) -> bool:
        """Return whether two numbers agree; ``u`` is 0 where there is no uncertainty."""
        relative = self.relative if u else self.relative_without_u
        return math.isclose(stored, fresh, rel_tol=relative, abs_tol=u * self.of_u)

    def u_holds(self, stored: float, fresh: float) -> bool:
        """Return whether two uncertainties agree."""
        if self.u_ratio == 1.0:
            return self.holds(stored, fresh, stored)
        low, high = sorted((stored, fresh))
        return high <= self.u_ratio * low


SAME_ANALYSIS = Tolerance(1e-6, 1 / 100, 1e-6, same_form=True)
OTHER_ANALYSIS = Tolerance(1e-6, 1 / 10, 1e-3, same_form=False, u_ratio=3.0)

_WORDS = frozenset({"void_reason"})
"""Sentences for a person: the code beside them is what is compared."""


def difference(
    stored: object, fresh: object, tolerance: Tolerance, where: str, u: float = 0.0
) -> str:
    """Return what differs first, with its path, else nothing.

    Parameters
    ----------
    stored, fresh : JSON values
        Numbers are compared within the tolerance, everything else must be equal. Harmonics have
        no uncertainty of their own; the one of the THD applies.
    tolerance : Tolerance
        How far numbers may be apart.
    where : str
        Path of these values.
    u : float
        Uncertainty that applies to numbers here.
    """
    if isinstance(stored, dict) and isinstance(fresh, dict):
        return _of_objects(stored, fresh, tolerance, where, u)
    if isinstance(stored, list) and isinstance(fresh, list):
        if len(stored) != len(fresh) and tolerance.same_form:
            return f"{where} has {len(stored)} entries, not {len(fresh)}"
        for index, (one, other) in enumerate(zip(stored, fresh, strict=False)):
            found = difference(one, other, tolerance, f"{where}[{index}]", u)
            if found:
                return found
        return ""
    if is_number(stored) and is_number(fresh):
        holds = tolerance.holds(float(stored), float(fresh), u)
        return "" if holds else f"{where} is {stored}, not {fresh}"
    return "" if stored == fresh else f"{where} is {stored!r}, not {fresh!r}"


def _of_objects(
    stored: dict[str, Any], fresh: dict[str, Any], tolerance: Tolerance, where: str, u: float
) -> str:
    if tolerance.same_form and stored.keys() != fresh.keys():
        return f"{where}.{min(stored.keys() ^ fresh.keys())} is on one side only"
    own_u = stored.get("u")
    u = float(own_u) if is_number(own_u) else u
    for key, value in stored.items():
        if key in _WORDS or key not in fresh:
            continue
        if key == "u" and is_number(value) and is_number(fresh[key]):
            if not tolerance.u_holds(float(value), float(fresh[key])):
                return f"{where}.u is {value}, not {fresh[key]}"
            continue
        applies = _uncertainty(stored.get("thd_percent")) if key == "harmonics_percent" else u
        found = difference(value, fresh[key], tolerance, f"{where}.{key}", applies)
        if found:
            return found
    return ""


def _uncertainty(quantity: object) -> float:
    u = quantity.get("u") if isinstance(quantity, dict) else None
    return float(u) if is_number(u) else 0.0


def is_number(value: object) -> TypeGuard[int | float]:
    """Return whether a JSON value is a number; true and false are none."""
    return isinstance(value, int | float) and not isinstance(value, bool)
