"""The folder of a job: its name, its files and their bytes at one moment."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

from levelset.errors import InputError
from levelset.record import durable
from levelset.record.journal import HEAD, JOURNAL, Scan, scan

CAPTURES = "captures"
LONGEST_NAME = 48
"""Characters of a title that go into a folder's name; Windows limits whole paths to 260."""


def read_scan(path: Path) -> Scan:
    """Read journal and head of a job as they were at one moment, and walk them."""
    head = _read_head(path)
    while True:
        journal = (path / JOURNAL).read_bytes()
        head_after = _read_head(path)
        if head == head_after:
            return scan(journal, head)
        head = head_after  # a writer was faster


def is_sha256(text: str) -> bool:
    """Tell whether a text is a SHA-256 as the record writes it: 64 lower-case hex digits."""
    return re.fullmatch(r"[0-9a-f]{64}", text) is not None


def folder_name(title: str) -> str:
    """Return a title as part of a folder's name that every platform accepts."""
    plain = unicodedata.normalize("NFC", title)
    words = re.findall(r"[^\W_]+", plain)
    return "-".join(words)[:LONGEST_NAME].strip("-")


def require_job(path: Path) -> None:
    """Raise InputError if there is no job in the folder."""
    todo = "`levelset job list` shows the jobs that are there"
    try:
        if not path.exists():
            raise InputError(f"{path}: no such job folder", todo)
        if not path.is_dir() or not (path / JOURNAL).is_file():
            raise InputError(f"{path}: not a job, it has no {JOURNAL}", todo)
    except OSError as error:
        raise InputError(f"{path}: {error.strerror or error}", todo) from error


def _read_head(path: Path) -> bytes | None:
    try:
        return (path / HEAD).read_bytes()
    except FileNotFoundError:
        return None


def new_folder(parent: Path, name: str) -> Path:
    """Make a folder of this name, or of this name with a number."""
    number = 1
    while True:
        path = parent / (name if number == 1 else f"{name}-{number}")
        try:
            path.mkdir()
        except FileExistsError:
            number += 1
            continue
        durable.sync_folder(parent)
        return path


def unused(folder: Path, stem: str, suffix: str) -> Path:
    """Return a path in the folder that does not exist."""
    number = 1
    while True:
        path = folder / (f"{stem}{suffix}" if number == 1 else f"{stem}-{number}{suffix}")
        if not path.exists():
            return path
        number += 1


def not_readable(path: Path, error: OSError) -> InputError:
    """Map an error of the operating system on reading."""
    return InputError(f"{path}: cannot be read ({error.strerror or error})", "restore access to it")


def not_writable(path: Path, error: OSError) -> InputError:
    """Map an error of the operating system on writing."""
    return InputError(
        f"{path}: cannot be written ({error.strerror or error})",
        "make room or restore access, then open the job again; what was accepted before is kept",
    )
