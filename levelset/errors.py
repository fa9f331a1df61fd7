"""Every error a person can meet, as one tree.

::

    LevelsetError               what happened, what to do, exit status
    |-- UsageError       2      a wrong option, expression, car or plan file
    |-- InputError       3      an unreadable or unusable file or job
    |   `-- DamageError  3      a record that does not hold
    |-- DeviceError      4      the sound device went away or misbehaves
    |   `-- ToneEnded    4      levelset's own tone was ended for safety; the rest can go on
    `-- Interrupted      130    the person stopped it

Errors of other libraries are mapped to this tree where the library is called.
"""

from __future__ import annotations


class LevelsetError(Exception):
    """An error with a remedy.

    Parameters
    ----------
    what : str
        What happened, with the number and its limit where there is one.
    todo : str
        What the person can do about it.
    """

    exit_status = 1

    def __init__(self, what: str, todo: str) -> None:
        super().__init__(f"{what} - {todo}")
        self.what = what
        self.todo = todo

    def line(self) -> str:
        """Return the one line for the terminal, control characters removed."""
        text = f"levelset: error: {self.what} - {self.todo}"
        return "".join(c if c.isprintable() else " " for c in text)


class UsageError(LevelsetError):
    """Wrong usage, also a car or plan file with a bad field."""

    exit_status = 2


class InputError(LevelsetError):
    """A file or job that cannot be read or used."""

    exit_status = 3


class DamageError(InputError):
    """A record that does not hold."""


class DeviceError(LevelsetError):
    """The sound device is missing, went away or cannot be trusted."""

    exit_status = 4


class ToneEnded(DeviceError):
    """The tone was ended for safety's sake; only the step that needed it is spoilt."""


class Interrupted(LevelsetError):
    """The person stopped the work."""

    exit_status = 130
