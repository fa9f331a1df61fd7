"""Damages a job in every way that a medium, a program or a person can, and looks for the answer.

Run ``python tests/record/record_damage.py 10000`` for a long campaign.
"""

from __future__ import annotations

import random
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from record_jobs import build_job, read_stand_in

from levelset.record.verification import verify_job

JOURNAL = "journal.jsonl"
Places = tuple[str, ...]
"""What a report may call the damaged place; one of them must occur in its first fault."""


def _line_of(data: bytes, position: int) -> int:
    return data[:position].count(b"\n") + 1


def _flip(data: bytes, position: int, chance: random.Random) -> bytes:
    changed = bytearray(data)
    changed[position] ^= chance.randrange(1, 256)
    return bytes(changed)


def _lines_named(*numbers: int) -> Places:
    return tuple(f"{JOURNAL} line {number}:" for number in numbers)


def flip_journal(job: Path, chance: random.Random) -> Places:
    data = (job / JOURNAL).read_bytes()
    position = chance.randrange(len(data))
    (job / JOURNAL).write_bytes(_flip(data, position, chance))
    number = _line_of(data, position)
    # Without its line feed the newest line does not count, so the one before it is the last.
    return _lines_named(number, number - 1) if position == len(data) - 1 else _lines_named(number)


def flip_head(job: Path, chance: random.Random) -> Places:
    data = (job / "head.json").read_bytes()
    (job / "head.json").write_bytes(_flip(data, chance.randrange(len(data)), chance))
    return ("head.json",)


def flip_capture(job: Path, chance: random.Random) -> Places:
    path = chance.choice(sorted((job / "captures").iterdir()))
    data = path.read_bytes()
    path.write_bytes(_flip(data, chance.randrange(len(data)), chance))
    return (f"captures/{path.name}: altered",)


def lose_line(job: Path, chance: random.Random) -> Places:
    lines = (job / JOURNAL).read_bytes().splitlines(keepends=True)
    lost = chance.randrange(len(lines))
    (job / JOURNAL).write_bytes(b"".join(lines[:lost] + lines[lost + 1 :]))
    return _lines_named(lost if lost == len(lines) - 1 else lost + 1)


def swap_lines(job: Path, chance: random.Random) -> Places:
    lines = (job / JOURNAL).read_bytes().splitlines(keepends=True)
    one, other = sorted(chance.sample(range(len(lines)), 2))
    lines[one], lines[other] = lines[other], lines[one]
    (job / JOURNAL).write_bytes(b"".join(lines))
    return _lines_named(one + 1)


def repeat_line(job: Path, chance: random.Random) -> Places:
    lines = (job / JOURNAL).read_bytes().splitlines(keepends=True)
    again, where = chance.randrange(len(lines)), chance.randrange(len(lines) + 1)
    lines.insert(where, lines[again])
    (job / JOURNAL).write_bytes(b"".join(lines))
    # A line repeated right before itself cannot be told from one repeated right after itself.
    return _lines_named(where + 1, where + 2) if where == again else _lines_named(where + 1)


def cut_journal(job: Path, chance: random.Random) -> Places:
    data = (job / JOURNAL).read_bytes()
    size = chance.randrange(len(data))
    (job / JOURNAL).write_bytes(data[:size])
    whole = data[:size].count(b"\n")
    return _lines_named(whole) if whole else (f"{JOURNAL}: holds no whole line",)


def cut_head(job: Path, chance: random.Random) -> Places:
    data = (job / "head.json").read_bytes()
    (job / "head.json").write_bytes(data[: chance.randrange(len(data))])
    return ("head.json",)


def cut_capture(job: Path, chance: random.Random) -> Places:
    path = chance.choice(sorted((job / "captures").iterdir()))
    data = path.read_bytes()
    path.write_bytes(data[: chance.randrange(len(data))])
    return (f"captures/{path.name}: altered",)


def remove_capture(job: Path, chance: random.Random) -> Places:
    path = chance.choice(sorted((job / "captures").iterdir()))
    path.unlink()
    return (f"captures/{path.name}: missing",)


def exchange_captures(job: Path, chance: random.Random) -> Places:
    one, other = chance.sample(sorted((job / "captures").iterdir()), 2)
    data = one.read_bytes()
    one.write_bytes(other.read_bytes())
    other.write_bytes(data)
    return tuple(f"captures/{path.name}: altered" for path in (one, other))


def remove_head(job: Path, chance: random.Random) -> Places:
    (job / "head.json").unlink()
    return ("head.json: missing",)


DAMAGES: tuple[Callable[[Path, random.Random], Places], ...] = (
    flip_journal,
    flip_journal,
    flip_journal,
    flip_head,
    flip_capture,
    lose_line,
    swap_lines,
    repeat_line,
    cut_journal,
    cut_head,
    cut_capture,
    remove_capture,
    exchange_captures,
    remove_head,
)


def campaign(count: int, seed: int, folder: Path) -> tuple[Counter[str], list[str]]:
    """Damage a job ``count`` times; return what was done and what was not found or misplaced."""
    chance = random.Random(seed)
    whole = build_job(folder)
    before = verify_job(whole, read=read_stand_in)
    assert before.ok, before.first_fault
    damaged = folder / "damaged"
    done: Counter[str] = Counter()
    missed = []
    for number in range(count):
        damage = chance.choice(DAMAGES)
        shutil.copytree(whole, damaged)
        places = damage(damaged, chance)
        done[damage.__name__] += 1
        answer = verify_job(damaged, read=read_stand_in)
        if answer.ok or not any(place in str(answer.first_fault) for place in places):
            missed.append(f"{number} {damage.__name__} at {places}: {answer.first_fault}")
        shutil.rmtree(damaged)
    return done, missed


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        kinds, not_found = campaign(int(sys.argv[1]), 20310504, Path(name))
    rows = [f"{kind}: {times}" for kind, times in sorted(kinds.items())]
    rows += [*not_found, f"{sum(kinds.values())} damages, {len(not_found)} not found or not placed"]
    sys.stdout.write("\n".join(rows) + "\n")
    sys.exit(bool(not_found))
