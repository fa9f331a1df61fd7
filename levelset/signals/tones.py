"""Tones and silence, named by their purpose."""

from __future__ import annotations

import re

from levelset.errors import UsageError
from levelset.limits import require_between
from levelset.signals.signal import Component, Signal
from levelset.units import ratio_from_db

LEVEL_DBFS = (-120.0, 0.0)
"""A full-scale sine is 0 dBFS (AES17); nothing is louder."""
FREQUENCY_HZ = (5.0, 20_000.0)
_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*\Z")


def set_tone(name: str, purpose: str, frequency_hz: float, level_dbfs: float) -> Signal:
    """Return one steady sine.

    Parameters
    ----------
    name : str
        Name by purpose, such as ``set-bass``: small letters, digits and single hyphens.
    purpose : str
        One line: what it is for.
    frequency_hz : float
        Frequency, 5 to 20000 Hz.
    level_dbfs : float
        Level, -120 to 0 dBFS.

    Returns
    -------
    Signal
        Its peak is 10**(level / 20), never above full scale.

    Raises
    ------
    UsageError
        If the name is not of that form or a number is out of range.
    """
    if _NAME.match(name) is None:
        raise UsageError(
            f"signal name {name!r:.40} is not usable",
            "use small letters and digits with single hyphens, such as set-bass",
        )
    require_between(frequency_hz, "frequency", *FREQUENCY_HZ, "Hz")
    require_between(level_dbfs, "level", *LEVEL_DBFS, "dBFS")
    return Signal(name, purpose, (Component(frequency_hz, ratio_from_db(level_dbfs), 0.0),))


def silence() -> Signal:
    """Return nothing at all, as a signal."""
    return Signal("silence", "no signal: for the noise floor", ())


def signal_name(prefix: str, subject: str) -> str:
    """Return a signal's name from a verb and what it is for, such as a channel's name.

    Parameters
    ----------
    prefix : str
        What it does: ``set``, ``check``.
    subject : str
        Free text; letters beyond a to z and everything but digits become hyphens.

    Returns
    -------
    str
        ``set-front-left`` for ``set`` and ``Front left``; the prefix alone where nothing is left.
    """
    return re.sub(r"[^a-z0-9]+", "-", f"{prefix} {subject}".lower()).strip("-")
