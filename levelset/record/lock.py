"""One writer a job: an operating-system lock that ends with its process."""

from __future__ import annotations

import contextlib
import os
import socket
import sys
from pathlib import Path

from levelset.errors import InputError

LOCK = "lock"
_FAR = 1 << 20
"""Byte that is locked on Windows: far from the text, which others must be able to read."""


class WriterLock:
    """Held while a job is open for writing.

    The lock is the operating system's, on an open file: a process that ends in any way gives it
    up, so a file that was left behind is taken over without asking. The text only serves the
    message.

    Parameters
    ----------
    folder : Path
        Folder of the job.

    Raises
    ------
    InputError
        If another process, or another part of this one, writes to the job.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / LOCK
        while True:
            self._descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
            if not _try_lock(self._descriptor):
                os.close(self._descriptor)
                raise InputError(
                    f"the job is open for writing in {_owner(self._path)}",
                    "finish there first, or look at the job without changing it",
                )
            if _still_named(self._descriptor, self._path):
                break
            os.close(self._descriptor)  # its owner removed it between open and lock
        try:
            os.ftruncate(self._descriptor, 0)
            os.write(self._descriptor, f"{os.getpid()} {socket.gethostname()}\n".encode())
        except OSError:
            self.release()
            raise

    def release(self) -> None:
        """Give the job free; harmless when that was done."""
        if self._descriptor < 0:
            return
        if sys.platform == "win32":
            os.close(self._descriptor)
            with contextlib.suppress(OSError):  # somebody else may have it open already
                self._path.unlink()
        else:
            with contextlib.suppress(OSError):  # what is left behind is taken over
                self._path.unlink()
            os.close(self._descriptor)
        self._descriptor = -1


def _owner(path: Path) -> str:
    try:
        pid, host = path.read_text(encoding="utf-8").split()
    except (OSError, ValueError):
        return "another process"
    if host != socket.gethostname():
        return f"process {pid} on {host}"
    return "this levelset already" if int(pid) == os.getpid() else f"process {pid}"


if sys.platform == "win32":
    import msvcrt

    def _try_lock(descriptor: int) -> bool:
        os.lseek(descriptor, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(descriptor, 0, os.SEEK_SET)
        return True

    def _still_named(descriptor: int, path: Path) -> bool:  # noqa: ARG001
        return True

else:
    import fcntl

    def _try_lock(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _still_named(descriptor: int, path: Path) -> bool:
        try:
            return os.path.samestat(os.fstat(descriptor), path.stat())
        except FileNotFoundError:
            return False
