"""The journal: lines that each name the bytes of the line before, and the head that seals them.

Everything is judged on the stored bytes. Nothing is encoded again to be compared, except the head
file, whose one allowed form makes every byte of it count.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import Any

import msgspec

JOURNAL = "journal.jsonl"
HEAD = "head.json"
NO_LINE = "0" * 64
"""What the first line names as the line before."""

_KEYS = ("seq", "time", "kind", "schema", "data", "prev")


class _Stored(msgspec.Struct, forbid_unknown_fields=True):
    seq: int
    time: str
    kind: str
    schema: int
    data: dict[str, Any]
    prev: str


class Head(msgspec.Struct, forbid_unknown_fields=True):
    """What the head file says: the newest line and its SHA-256."""

    seq: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the journal.

    Parameters
    ----------
    seq : int
        Sequence number, from 1.
    time : str
        RFC 3339, UTC.
    kind : str
        What it is; kinds that are not known here are kept.
    schema : int
        Version of the kind's data.
    data : dict
        JSON values.
    prev : str
        SHA-256 of the bytes of the line before, without its line feed.
    sha256 : str
        SHA-256 of this line's own bytes.
    """

    seq: int
    time: str
    kind: str
    schema: int
    data: dict[str, Any]
    prev: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that does not hold, and where.

    Parameters
    ----------
    place : str
        File, and line of it, such as ``journal.jsonl line 17``.
    what : str
        What is wrong there.
    """

    place: str
    what: str

    def __str__(self) -> str:
        return f"{self.place}: {self.what}"


@dataclass(frozen=True, slots=True)
class Scan:
    """What the bytes of a journal and its head hold.

    Parameters
    ----------
    lines : tuple of Line
        Every line that could be read, in file order.
    numbers : tuple of int
        The line number in the file of each of ``lines``, from 1.
    faults : tuple of Fault
        What does not hold.
    torn : bytes
        What follows the last line feed: a line that was never finished.
    sealed : int
        Sequence number in the head file; 0 without one.
    """

    lines: tuple[Line, ...]
    numbers: tuple[int, ...]
    faults: tuple[Fault, ...]
    torn: bytes
    sealed: int

    @property
    def unsealed(self) -> bool:
        """Whether the newest line is not yet in the head file."""
        return bool(self.lines) and self.lines[-1].seq == self.sealed + 1


def digest(data: bytes) -> str:
    """Return the SHA-256 of bytes (FIPS 180-4) in lower-case hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def encode_line(
    seq: int, time: str, kind: str, schema: int, data: dict[str, Any], prev: str
) -> bytes:
    """Return the bytes of a line, without line feed.

    Raises
    ------
    ValueError
        If the data hold something that JSON cannot say, such as NaN or an infinity.
    """
    _require_json(data, "data")
    values = (seq, time, kind, schema, data, prev)
    return msgspec.json.encode(dict(zip(_KEYS, values, strict=True)))


def decode_line(raw: bytes) -> Line:
    """Read one line.

    Raises
    ------
    ValueError
        If it is not a line of a journal; the text says why.
    """
    try:
        stored = msgspec.json.decode(raw, type=_Stored)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise ValueError(str(error)) from error
    return Line(
        stored.seq,
        stored.time,
        stored.kind,
        stored.schema,
        stored.data,
        stored.prev,
        digest(raw),
    )


def encode_head(seq: int, sha256: str) -> bytes:
    """Return the bytes of the head file, its only allowed form."""
    return msgspec.json.encode(Head(seq, sha256)) + b"\n"


def decode_head(raw: bytes) -> Head | None:
    """Return what a head file says; None where it is none."""
    try:
        return msgspec.json.decode(raw, type=Head)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return None


def scan(journal: bytes, head: bytes | None) -> Scan:
    """Walk a journal from its bytes.

    Parameters
    ----------
    journal : bytes
        The whole file.
    head : bytes or None
        The whole head file; None where there is none.

    Returns
    -------
    Scan
        Lines and faults; an unfinished last line is set aside as ``torn``.
    """
    *whole, torn = journal.split(b"\n")
    lines: list[Line] = []
    numbers: list[int] = []
    faults: list[Fault] = []
    for number, raw in enumerate(whole, start=1):
        try:
            line = decode_line(raw)
        except ValueError as error:
            faults.append(_at(number, f"not a line of a journal ({error})"))
            continue
        lines.append(line)
        numbers.append(number)
    if not whole:
        faults.append(Fault(JOURNAL, "holds no whole line"))
    stored, head_faults = _read_head(head, numbers)
    faults += _chain_faults(dict(zip(numbers, lines, strict=True)), stored)
    if stored is not None and numbers and numbers[-1] == len(whole):
        head_faults += _seal_faults(lines, numbers, stored)
    sealed = 0 if stored is None else stored.seq
    return Scan(tuple(lines), tuple(numbers), (*faults, *head_faults), torn, sealed)


def _at(number: int, what: str) -> Fault:
    return Fault(f"{JOURNAL} line {number}", what)


def _chain_faults(lines: dict[int, Line], head: Head | None) -> list[Fault]:
    """Compare the order of the lines, and each line with what the next one says about it.

    Where a link is broken, one of its two lines was altered. If the later one is confirmed by its
    own successor (the newest line: by the head) it is the earlier one; in a row of broken links
    only the last is so sure.
    """
    sure: list[tuple[int, str]] = []
    doubtful: list[tuple[int, str]] = []
    if 1 in lines and lines[1].prev != NO_LINE:
        sure.append((1, "altered: the first line names a line before it"))
    if 1 in lines and lines[1].seq != 1:
        sure.append((1, _out_of_order(lines[1].seq, 1)))
    broken = set()
    for number, line in lines.items():
        after = lines.get(number + 1)
        if after is None:
            continue
        if after.seq != line.seq + 1:
            sure.append((number + 1, _out_of_order(after.seq, line.seq + 1)))
        elif after.prev != line.sha256:
            broken.add(number)
    last = max(lines, default=0)
    if head and lines and head.seq == lines[last].seq and head.sha256 != lines[last].sha256:
        broken.add(last)
    for number in sorted(broken):
        if number + 1 in broken:
            doubtful.append((number, f"cannot be confirmed: line {number + 1} is altered"))
        elif number == last:
            sure.append((number, f"altered, or {HEAD} is: it names other bytes"))
        else:
            sure.append((number, f"altered: line {number + 1} names other bytes"))
    return [_at(number, what) for number, what in (*sorted(sure), *sorted(doubtful))]


def _out_of_order(seq: int, due: int) -> str:
    return f"holds seq {seq} where {due} is due: a line is lost, repeated or moved"


def _read_head(head: bytes | None, numbers: list[int]) -> tuple[Head | None, list[Fault]]:
    if head is None:
        if len(numbers) < 2:
            return None, []
        return None, [Fault(HEAD, "missing: nothing says which line is the newest")]
    try:
        stored = msgspec.json.decode(head, type=Head)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        return None, [Fault(HEAD, f"altered: not a head ({error})")]
    if encode_head(stored.seq, stored.sha256) != head:
        return None, [Fault(HEAD, "altered: not in the form in which it is written")]
    return stored, []


def _seal_faults(lines: list[Line], numbers: list[int], head: Head) -> list[Fault]:
    """Compare the head with where the journal ends; the newest line's bytes are compared above."""
    newest = lines[-1]
    if head.seq > newest.seq:
        what = f"ends with seq {newest.seq}, {HEAD} has sealed seq {head.seq}: lines are lost"
        return [_at(numbers[-1], what)]
    if head.seq < newest.seq - 1:
        what = f"names seq {head.seq}, more than one line behind seq {newest.seq} of {JOURNAL}"
        return [Fault(HEAD, what)]
    if head.seq == newest.seq - 1 and head.sha256 != newest.prev:
        return [Fault(HEAD, f"altered: line {numbers[-1]} of {JOURNAL} names other bytes")]
    return []


def _require_json(value: object, where: str) -> None:
    """Refuse what JSON cannot hold; the encoder alone would write NaN as null."""
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{where} is {value}, which a record cannot hold")
    elif isinstance(value, dict):
        for key, item in value.items():
            if not isinstance(key, str):
                raise ValueError(f"{where} has a key that is not text: {key!r}")
            _require_json(item, f"{where}.{key}")
    elif isinstance(value, list | tuple):
        for index, item in enumerate(value):
            _require_json(item, f"{where}[{index}]")
    elif not (value is None or isinstance(value, str | int)):
        raise ValueError(f"{where} is a {type(value).__name__}, which a record cannot hold")
