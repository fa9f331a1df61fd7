"""A list of many jobs in a moment: what was read of a journal is kept until the journal changes.

The index is a file beside the calibrations. It holds nothing that is not in the journals, no
personal data, and can be removed at any time. A job is read again when size, time or number of
its files is another one.
"""

from __future__ import annotations

import contextlib
import os
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec

import levelset
from levelset.errors import InputError, LevelsetError
from levelset.record import durable
from levelset.record.folder import read_scan
from levelset.record.journal import HEAD, JOURNAL
from levelset.record.summary import JobRow, summary_or_fault
from levelset.record.versions import Version, compare_lines

INDEX = "job-index.json"
_FORM = 1
"""Raised whenever a row is made in another way."""

Stamp = tuple[tuple[str, int, int, int], ...]
"""Name, size, time of change (ns) and number of every file at the top of a job's folder."""


class _Entry(msgspec.Struct, array_like=True):
    stamp: Stamp
    row: JobRow


class _Index(msgspec.Struct):
    made_by: str
    folders: dict[str, dict[str, _Entry]]


def list_rows(folder: Path, index: Path) -> list[JobRow]:
    """Return every job in a folder, in no order; damaged ones are there with the reason.

    Parameters
    ----------
    folder : Path
        Folder of jobs. One that does not exist holds none.
    index : Path
        File of the index, made if it is missing; one that cannot be written is done without.

    Raises
    ------
    InputError
        If the folder cannot be read.
    """
    try:
        with os.scandir(folder) as found:
            jobs = [e.name for e in found if not e.name.startswith(".") and e.is_dir()]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise InputError(f"{folder}: {error.strerror or error}", "check the folder") from error
    whole = _read(index)
    known = whole.folders.get(str(folder.absolute()), {})
    entries = {}
    for name in jobs:
        stamp = _stamp(folder / name)
        entry = known.get(name)
        if entry is None or entry.stamp != stamp:
            entry = _Entry(stamp, _row(folder / name))
        entries[name] = entry
    if entries != known:
        whole.folders[str(folder.absolute())] = entries
        with contextlib.suppress(OSError):
            index.parent.mkdir(parents=True, exist_ok=True)
            durable.write_whole(index, msgspec.json.encode(whole, enc_hook=str))
    rows = [replace(entry.row, path=folder / name) for name, entry in entries.items()]
    return _with_copies(rows)


def _read(index: Path) -> _Index:
    made_by = f"{levelset.__version__} {_FORM}"
    try:
        whole = msgspec.json.decode(index.read_bytes(), type=_Index, dec_hook=_path)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError):
        return _Index(made_by, {})
    return whole if whole.made_by == made_by else _Index(made_by, {})


def _path(kind: type[Any], value: object) -> Path:
    if kind is not Path:
        raise NotImplementedError(kind)
    return Path(str(value))


def _stamp(job: Path) -> Stamp:
    found = []
    try:
        with os.scandir(job) as entries:
            for entry in entries:
                if entry.name in (JOURNAL, HEAD) or ".json" in entry.name:
                    about = entry.stat()
                    found.append((entry.name, about.st_size, about.st_mtime_ns, about.st_ino))
    except OSError:
        return ()
    return tuple(sorted(found))


def _row(path: Path) -> JobRow:
    summary = summary_or_fault(path, beside=False)
    return JobRow(**{name: getattr(summary, name) for name in JobRow.__dataclass_fields__})


def _with_copies(rows: list[JobRow]) -> list[JobRow]:
    """Say of jobs that begin with the same line how they differ."""
    same: dict[str, list[JobRow]] = defaultdict(list)
    for row in rows:
        if row.first_sha256:
            same[row.first_sha256].append(row)
    copies = {
        one.path: tuple(
            f"../{other.path.name}: {_compared(one, other).text()}"
            for other in group
            if other is not one
        )
        for group in same.values()
        if len(group) > 1
        for one in group
    }
    return [
        replace(row, versions=row.versions + copies[row.path]) if row.path in copies else row
        for row in rows
    ]


def _compared(one: JobRow, other: JobRow) -> Version:
    lines: list[Sequence[str]] = []
    for row in (one, other):
        try:
            lines.append([line.sha256 for line in read_scan(row.path).lines])
        except (OSError, LevelsetError):
            lines.append([])
    return compare_lines(other.path.name, lines[0], lines[1], sound=other.fault is None)
