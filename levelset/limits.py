"""One way to refuse a number that cannot be."""

from __future__ import annotations

import math

from levelset.errors import UsageError


def require_between(value: object, what: str, low: float, high: float, unit: str) -> float:
    """Return a number within inclusive limits.

    Parameters
    ----------
    value : object
        Anything that came from a person or a file.
    what : str
        Name of the quantity, as the sentence of the error begins.
    low, high : float
        Inclusive limits.
    unit : str
        Unit of value and limits.

    Returns
    -------
    float
        The value.

    Raises
    ------
    UsageError
        If it is no finite number or lies outside the limits; names value, limits and unit.
    """
    limits = f"{low:g} to {high:g} {unit}".rstrip()
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(f"{what} is not a number: {value!r:.40}", f"give a number, {limits}")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not low <= number <= high:
        shown = f"{number:g} {unit}".rstrip()
        raise UsageError(f"{what} of {shown} is out of range", f"give {limits}")
    return number
