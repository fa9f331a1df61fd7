"""Reading a TOML file that is to be checked strictly, with one error for each way it can be bad."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from levelset.errors import InputError, UsageError

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

LARGEST_FILE_BYTES = 1_000_000

T = TypeVar("T")


def read_checked(
    path: Path | Traversable, shown: str, what: str, check: Callable[[dict[str, Any]], T]
) -> T:
    """Read a TOML file and return what a check makes of it.

    Parameters
    ----------
    path : Path
        The file.
    shown : str
        How errors name it.
    what : str
        What it is, such as ``car file``.
    check : callable
        Turns the document into a value; raises UsageError naming the key.

    Raises
    ------
    InputError
        If the file cannot be read.
    UsageError
        If it is no TOML, or the check refuses it.
    """
    document = _document(path, f"{what} {shown}")
    try:
        return check(document)
    except UsageError as fault:
        raise UsageError(f"{what} {shown}: {fault.what}", fault.todo) from None


def _document(path: Path | Traversable, name: str) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE_BYTES + 1)
    except (OSError, ValueError) as fault:
        reason = fault.strerror if isinstance(fault, OSError) else "not a file name"
        raise InputError(
            f"{name} cannot be read ({reason})", "give the path of a readable TOML file"
        ) from None
    if len(data) > LARGEST_FILE_BYTES:
        raise UsageError(f"{name} is larger than {LARGEST_FILE_BYTES} bytes", "give a smaller file")
    try:
        # A file written by an editor that marks its encoding is still TOML.
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise UsageError(f"{name} is not UTF-8 text", "save it as UTF-8") from None
    except RecursionError:
        raise UsageError(f"{name} has brackets nested too deep", "remove the brackets") from None
    except ValueError as fault:
        raise UsageError(f"{name} is not TOML: {fault}", "correct that place") from None
