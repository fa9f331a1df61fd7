"""Writing that is on the medium when the function returns, or raises OSError."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

RETRY_DELAYS_S = (0.05, 0.1, 0.2, 0.4) if sys.platform == "win32" else ()
"""Waits between attempts to replace a file; a virus scanner may hold it for a moment."""


def sync(descriptor: int) -> None:
    """Flush a file to the medium.

    On macOS ``fsync`` ends in the drive's cache, so F_FULLFSYNC is asked for first; a file system
    that does not know it gets ``fsync``.
    """
    if sys.platform == "darwin":
        import fcntl

        try:
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
        except OSError:
            os.fsync(descriptor)
    else:
        os.fsync(descriptor)


def sync_folder(folder: Path) -> None:
    """Flush the names in a folder to the medium, where the platform can do that."""
    if sys.platform == "win32":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class ChangedError(OSError):
    """A file is not as its only writer left it."""


def append_line(path: Path, line: bytes, at: int) -> None:
    """Append a line and its line feed in one write, flushed to the medium.

    Parameters
    ----------
    path : Path
        File; made if it is missing and nothing is due to be in it.
    line : bytes
        Line without line feed.
    at : int
        Bytes that must be in the file: what this writer left there.

    Raises
    ------
    ChangedError
        If another number of bytes is there; nothing was written.
    OSError
        If it could not be written whole; part of it may then be at the end of the file.
    ValueError
        If the line contains a line feed.
    """
    if b"\n" in line:
        raise ValueError("a line must not contain a line feed")
    data = line + b"\n"
    flags = os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0)
    descriptor = os.open(path, flags if at else flags | os.O_CREAT, 0o644)
    try:
        if os.fstat(descriptor).st_size != at:
            raise ChangedError(f"another program has changed {path.name}")
        written = os.write(descriptor, data)
        if written != len(data):
            raise OSError(f"only {written} of {len(data)} bytes were written")
        sync(descriptor)
    finally:
        os.close(descriptor)


def write_new(path: Path, data: bytes) -> None:
    """Write a whole file, flushed to the medium; it must not exist."""
    with open(path, "xb") as file:
        file.write(data)
        file.flush()
        sync(file.fileno())


def replace(new: Path, path: Path) -> None:
    """Give a flushed file its final name, replacing what has that name."""
    for delay_s in RETRY_DELAYS_S:
        try:
            os.replace(new, path)
            break
        except PermissionError:
            time.sleep(delay_s)
    else:
        os.replace(new, path)
    sync_folder(path.parent)


def write_whole(path: Path, data: bytes) -> None:
    """Write or replace a file so that it has its old content or its new one, never a part.

    Raises
    ------
    OSError
        If it could not be written; the old content is then still there.
    """
    new = path.with_name(f".{path.name}.{os.getpid()}.new")
    new.unlink(missing_ok=True)
    try:
        write_new(new, data)
        replace(new, path)
    except OSError:
        new.unlink(missing_ok=True)
        raise


def truncate(path: Path, size: int) -> None:
    """Cut a file to its first bytes, flushed to the medium."""
    with open(path, "r+b") as file:
        file.truncate(size)
        file.flush()
        sync(file.fileno())
