"""A job on disk: one folder, readable without levelset, that only grows."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from levelset.errors import DamageError, InputError
from levelset.plan.job import JobPlan
from levelset.probe.calibration import Calibration
from levelset.record import durable
from levelset.record.audio_files import write_capture
from levelset.record.folder import (
    CAPTURES,
    folder_name,
    new_folder,
    not_readable,
    not_writable,
    read_scan,
    require_job,
    unused,
)
from levelset.record.journal import (
    HEAD,
    JOURNAL,
    NO_LINE,
    Line,
    Scan,
    decode_line,
    digest,
    encode_head,
    encode_line,
    scan,
)
from levelset.record.lock import WriterLock
from levelset.record.schema import (
    JobData,
    ReadingData,
    StepData,
    check_data,
    check_version,
    from_data,
    job_data,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def now_utc() -> datetime:
    """Return the wall clock; only the record looks at it."""
    return datetime.now(UTC)


class Job:
    """The record of one vehicle; ``create`` or ``open`` makes one.

    It is a ``Recorder``: procedures append lines and store captures. One process writes at a
    time, its threads one after the other. After a write that failed nothing more is written until
    the job is opened again, so that a half-written line can only be the last one.

    Parameters
    ----------
    path : Path
        Folder of the job.
    found : Scan
        What its journal and head hold.
    lock : WriterLock or None
        Held while open for writing.
    clock : callable
        Returns the time for new lines, aware.
    """

    def __init__(
        self, path: Path, found: Scan, lock: WriterLock | None, clock: Callable[[], datetime]
    ) -> None:
        self.path = path
        self.notes: list[str] = []
        """What a person should know about how the job was found."""
        self.torn = bool(found.torn)
        """Whether an unfinished line stands at the end of the journal."""
        self._found = found
        self._lines: list[Line] = list(found.lines)
        self._lock = lock
        self._clock = clock
        self._broken = ""
        self._interrupted = False
        self._size = 0
        self._turn = threading.RLock()

    # Making and opening

    @classmethod
    def create(
        cls,
        folder_parent: Path,
        title: str,
        plan: JobPlan,
        when: datetime | None = None,
        *,
        clock: Callable[[], datetime] = now_utc,
    ) -> Job:
        """Make a new job in its own new folder, open for writing.

        Parameters
        ----------
        folder_parent : Path
            Folder that holds the jobs; made if it is missing.
        title : str
            What a person calls the job.
        plan : JobPlan
            What is known before measuring.
        when : datetime or None
            Time of creation, aware; its date begins the folder's name. None asks the clock
            and takes the local date.
        clock : callable
            Time of later lines.

        Raises
        ------
        InputError
            If the folder cannot be written.
        ValueError
            If ``when`` is naive.
        """
        first = job_data(title, plan)
        check_data("job", first)
        created = clock().astimezone() if when is None else when
        _utc_text(created)
        try:
            folder_parent.mkdir(parents=True, exist_ok=True)
            path = new_folder(folder_parent, f"{created:%Y-%m-%d}-{folder_name(title)}".strip("-"))
        except OSError as error:
            raise not_writable(folder_parent, error) from error
        try:
            lock = WriterLock(path)
        except OSError as error:
            with contextlib.suppress(OSError):
                path.rmdir()
            raise not_writable(folder_parent, error) from error
        job = cls(path, scan(b"", None), lock, lambda: created)
        try:
            job.append("job", first)
        except InputError:
            job.close()
            with contextlib.suppress(OSError):
                for name in (JOURNAL, HEAD):
                    (path / name).unlink(missing_ok=True)
                path.rmdir()
            raise
        job._clock = clock
        return job

    @classmethod
    def open(cls, path: Path, writable: bool, *, clock: Callable[[], datetime] = now_utc) -> Job:
        """Open the job in a folder.

        A job that is only looked at may be damaged: what can be read is there, and ``faults``
        says what does not hold. A damaged job is never written to. An unfinished last line is
        moved to a file of its own before anything is appended.

        Raises
        ------
        InputError
            If there is no job in the folder, a newer levelset is needed, somebody else writes to
            it, or it cannot be read or written.
        DamageError
            If it is damaged and was to be written to, or has no readable first line.
        """
        require_job(path)
        try:
            lock = WriterLock(path) if writable else None
        except OSError as error:
            raise not_writable(path, error) from error
        try:
            job = cls(path, read_scan(path), lock, clock)
            job._require_readable()
            if writable:
                job._take_up()
        except OSError as error:
            if lock is None:
                raise not_readable(path, error) from error
            lock.release()
            raise not_writable(path, error) from error
        except BaseException:
            if lock is not None:
                lock.release()
            raise
        return job

    def close(self) -> None:
        """Give the job free for other writers; harmless when closed."""
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _require_readable(self) -> None:
        for line in self._lines:
            check_version(line.kind, line.schema)
        if not self._lines or self._lines[0].kind != "job":
            where = self._found.faults[0] if self._found.faults else f"{JOURNAL} line 1: not a job"
            raise DamageError(f"{self.path}: {where}", "restore the folder from a copy")

    def _take_up(self) -> None:
        if self._found.faults:
            raise DamageError(
                f"{self.path}: the record is damaged, {self._found.faults[0]}",
                "nothing is added to a damaged record: restore it from a copy, or start a new job",
            )
        if self._found.torn:
            aside = unused(self.path, f"set-aside-after-line-{self.newest.seq}", ".txt")
            durable.write_new(aside, self._found.torn)
            durable.sync_folder(self.path)
            journal = self.path / JOURNAL
            durable.truncate(journal, journal.stat().st_size - len(self._found.torn))
            self.torn = False
            self.notes.append(
                f"The last line had not been finished ({len(self._found.torn)} bytes); "
                f"it was moved to {aside.name}. Everything accepted before it is there."
            )
        if self._found.unsealed:
            self._seal()
        for left in self.path.rglob(".*.new"):
            left.unlink()
        self._size = (self.path / JOURNAL).stat().st_size

    # Writing

    def append(self, kind: str, data: dict[str, Any]) -> int:
        """Append one line, flushed to the medium, and return its sequence number.

        Raises
        ------
        ValueError
            If the data are not what the kind holds; nothing was written.
        InputError
            If it could not be written; the job is then read-only until it is opened again.
        """
        version = check_data(kind, data)
        with self._turn:
            self._require_writable()
            seq = len(self._lines) + 1
            prev = self._lines[-1].sha256 if self._lines else NO_LINE
            raw = encode_line(seq, _utc_text(self._clock()), kind, version, data, prev)
            with _Guard(self):
                durable.append_line(self.path / JOURNAL, raw, self._size)
                self._size += len(raw) + 1
                self._lines.append(decode_line(raw))
                self._seal()
        return seq

    def store_capture(self, codes: NDArray[np.int32], rate_hz: int) -> str:
        """Store raw codes as a file that is named by its own SHA-256, and return that.

        Parameters
        ----------
        codes : ndarray of int32, shape (frames, channels)
            24-bit codes of all channels.
        rate_hz : int
            The input's own rate, Hz.

        Raises
        ------
        InputError
            If it could not be written; the job is then read-only until it is opened again.
        """
        with self._turn:
            self._require_writable()
            folder = self.path / CAPTURES
            new = folder / f".{os.getpid()}.new"
            with _Guard(self):
                self._require_folder(folder)
                write_capture(new, codes, rate_hz)
                with open(new, "r+b") as file:
                    sha256 = digest(file.read())
                    durable.sync(file.fileno())
                durable.replace(new, folder / f"{sha256}.flac")
        return sha256

    def store_file(self, folder_name: str, name: str, data: bytes) -> None:
        """Store bytes whole under a name in a folder of the job; what is there already stays.

        Raises
        ------
        InputError
            If it could not be written; the job is then read-only until it is opened again.
        """
        with self._turn:
            self._require_writable()
            path = self.path / folder_name / name
            with _Guard(self):
                self._require_folder(path.parent)
                durable.write_whole(path, data)

    def remove_file(self, folder_name: str, name: str) -> None:
        """Remove a file of the job that a line has said is gone.

        Raises
        ------
        InputError
            If it could not be removed.
        """
        with self._turn:
            self._require_writable()
            with _Guard(self):
                (self.path / folder_name / name).unlink(missing_ok=True)

    def _require_folder(self, folder: Path) -> None:
        """Make a folder of the job where it is missing."""
        if not folder.is_dir():
            folder.mkdir()
            durable.sync_folder(self.path)

    def _seal(self) -> None:
        newest = self._lines[-1]
        durable.write_whole(self.path / HEAD, encode_head(newest.seq, newest.sha256))

    def _require_writable(self) -> None:
        if self._broken:
            raise InputError(
                f"{self.path}: the record is closed after a failed write ({self._broken})",
                "make room or restore access, then open the job again",
            )
        if self._lock is None:
            raise InputError(f"{self.path}: the job is open for looking only", "open it to write")
        if self._interrupted:
            # Ctrl-C inside a write: what is on disk says whether the line got there.
            with _Guard(self):
                self._found = read_scan(self.path)
                self._lines = list(self._found.lines)
                self._take_up()
            self._interrupted = False

    # Reading

    @property
    def faults(self) -> tuple[str, ...]:
        """What did not hold when the job was opened, each with its place."""
        return tuple(str(fault) for fault in self._found.faults)

    @property
    def newest(self) -> Line:
        """The newest line."""
        return self._lines[-1]

    def lines(self) -> tuple[Line, ...]:
        """Return every line that could be read, in order."""
        return tuple(self._lines)

    def head(self) -> JobData:
        """Return the first line: title, versions and plan."""
        return from_data(self._lines[0].data, JobData, f"{JOURNAL} line 1")

    def plan(self) -> JobPlan:
        """Return the plan."""
        return self.head().plan

    def calibrations(self) -> list[tuple[int, Calibration]]:
        """Return every calibration with its sequence number, oldest first."""
        return [
            (line.seq, from_data(line.data, Calibration, _place(line)))
            for line in self._of_kind("calibration")
        ]

    def readings(self) -> list[tuple[int, ReadingData]]:
        """Return every accepted reading with its sequence number, oldest first."""
        return [
            (line.seq, from_data(line.data, ReadingData, _place(line)))
            for line in self._of_kind("reading")
        ]

    def steps(self, before_seq: int | None = None) -> list[StepData]:
        """Return how every procedure ended, oldest first; also only those before a line."""
        return [
            from_data(line.data, StepData, _place(line))
            for line in self._of_kind("step")
            if before_seq is None or line.seq < before_seq
        ]

    def _of_kind(self, kind: str) -> Iterator[Line]:
        return (line for line in self._lines if line.kind == kind)


class _Guard:
    """Makes a job read-only when a write fails, and wary when one was interrupted."""

    def __init__(self, job: Job) -> None:
        self._job = job

    def __enter__(self) -> None:
        pass

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if isinstance(error, OSError):
            self._job._broken = error.strerror or str(error)  # noqa: SLF001
            raise not_writable(self._job.path, error) from error
        if error is not None:
            self._job._interrupted = True  # noqa: SLF001


def _utc_text(when: datetime) -> str:
    if when.tzinfo is None:
        raise ValueError("a time in the record needs its offset from UTC")
    return when.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _place(line: Line) -> str:
    return f"{JOURNAL} seq {line.seq}"
