"""Other versions of a job's journal, as synchronised folders make them: told apart, never merged.

A program that synchronises folders keeps both files where two computers wrote: one under the
name, one under a name of its own making. It may also make a second folder. Every such file is
recognised by its first line, whatever it is called.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from levelset.record.customer import CUSTOMER, REPORTS
from levelset.record.journal import HEAD, JOURNAL, Line, decode_head, digest, scan

OWN_NAMES = frozenset({JOURNAL, HEAD, CUSTOMER, "lock", *REPORTS})
LONGEST_HEAD = 1000
LONGEST_FIRST_LINE = 4_000_000
"""Bytes; the first line holds the plan."""


@dataclass(frozen=True, slots=True)
class Version:
    """A journal that begins with the same first line.

    Parameters
    ----------
    place : str
        Its file, or its folder.
    same : int
        Lines that both hold, counted from the first.
    length : int
        Lines it holds.
    own : int
        Lines that the journal it is compared with holds.
    sound : bool
        Whether its own chain holds.
    """

    place: str
    same: int
    length: int
    own: int
    sound: bool

    @property
    def holds_more(self) -> bool:
        """Whether it holds lines that the other journal does not."""
        return self.length > self.same or not self.sound

    def text(self) -> str:
        """Return what it is, as the rest of a sentence."""
        if not self.sound:
            return (
                f"another version of this record, whose own chain does not hold after {self.same}"
            )
        if self.length == self.same == self.own:
            return "the same record again"
        if self.length == self.same:
            return f"an older state of this record, up to line {self.same}"
        if self.own == self.same:
            return f"a newer state of this record: {self.length - self.same} more lines"
        return (
            f"another version of this record: the same up to line {self.same}, then "
            f"{self.length - self.same} other lines"
        )


def versions_inside(folder: Path, lines: Sequence[Line]) -> list[Version]:
    """Return every other journal in the folder of a job.

    Parameters
    ----------
    folder : Path
        Folder of the job.
    lines : sequence of Line
        What its journal holds.
    """
    if not lines:
        return []
    found = []
    for path in other_files(folder):
        if _first_line_digest(path) == lines[0].sha256:
            found.append(_compare(path.name, path, lines))
    return found


def heads_inside(folder: Path, lines: Sequence[Line]) -> list[str]:
    """Return a sentence for each other head file that names a line which is not in the journal."""
    known = {line.sha256 for line in lines}
    found = []
    for path in other_files(folder):
        head = decode_head(path.read_bytes()) if path.stat().st_size < LONGEST_HEAD else None
        if head is not None and head.sha256 not in known:
            found.append(f"{path.name}: names a line {head.seq} that {JOURNAL} does not hold")
    return found


def versions_beside(folder: Path, lines: Sequence[Line]) -> list[Version]:
    """Return the same job in other folders beside this one."""
    if not lines:
        return []
    own = folder.resolve()
    found = []
    try:
        neighbours = sorted(path for path in own.parent.iterdir() if path != own and path.is_dir())
    except OSError:
        return []
    for neighbour in neighbours:
        path = neighbour / JOURNAL
        if not neighbour.name.startswith(".") and _first_line_digest(path) == lines[0].sha256:
            found.append(_compare(f"../{neighbour.name}", path, lines))
    return found


def other_files(folder: Path) -> list[Path]:
    """Return the files of a job's folder that are not its own, by name."""
    with os.scandir(folder) as entries:
        names = [
            entry.name
            for entry in entries
            if entry.name not in OWN_NAMES
            and not entry.name.startswith((".", "set-aside-"))
            and entry.is_file(follow_symlinks=False)
        ]
    return [folder / name for name in sorted(names)]


def clock_set_back(lines: Sequence[Line]) -> str:
    """Return a note where a line is earlier than the one before it, else nothing."""
    back = [
        after.seq for line, after in zip(lines, lines[1:], strict=False) if after.time < line.time
    ]
    if not back:
        return ""
    shown = ", ".join(str(seq) for seq in back[:5]) + (", ..." if len(back) > 5 else "")
    return f"{JOURNAL}: the clock was set back before seq {shown}; lines follow each other by seq"


def _first_line_digest(path: Path) -> str:
    """Return the SHA-256 of the first line; nothing where there is none."""
    try:
        with open(path, "rb") as file:
            line = file.readline(LONGEST_FIRST_LINE)
    except OSError:
        return ""
    return digest(line[:-1]) if line.endswith(b"\n") else ""


def compare_lines(place: str, own: Sequence[str], other: Sequence[str], *, sound: bool) -> Version:
    """Compare two journals by the SHA-256 of their lines.

    Parameters
    ----------
    place : str
        Where the other one is.
    own, other : sequence of str
        SHA-256 of every line.
    sound : bool
        Whether the other one's chain holds.
    """
    same = 0
    for one, two in zip(own, other, strict=False):
        if one != two:
            break
        same += 1
    return Version(place, same, len(other), len(own), sound)


def _compare(place: str, path: Path, lines: Sequence[Line]) -> Version:
    found = scan(path.read_bytes(), None)
    # Without its head file nothing is known of its end, and that is no fault of its chain.
    sound = all(fault.place == HEAD for fault in found.faults)
    own, other = ([line.sha256 for line in some] for some in (lines, found.lines))
    return compare_lines(place, own, other, sound=sound)
