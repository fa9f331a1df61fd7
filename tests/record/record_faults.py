"""Ends or hinders a whole job at every write, and looks whether everything acknowledged is there.

A job of the first version is written again, line by line and capture by capture, by a process of
its own that says what was acknowledged. Every call that changes the medium counts; at one of them

- ``kill`` ends the process there: before the call, in the middle of what it writes, or after it;
- ``full`` and ``readonly`` let this call and all later ones fail;
- ``gone`` moves the whole folder away.

Then the job is verified with the real analysis, opened, written to and verified again. The calls
of the library that writes FLAC are not seen; the file that it wrote is cut in half instead.

Run ``python tests/record/record_faults.py 500`` for a long campaign.
"""

from __future__ import annotations

import errno
import hashlib
import os
import random
import shutil
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

FIRST = Path(__file__).parent / "jobs" / "first-version"
CALLS = ("open", "write", "fsync", "replace", "mkdir", "ftruncate", "unlink")
ERRORS = {"full": errno.ENOSPC, "readonly": errno.EROFS}
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT


class Fault:
    """Counts calls that change the medium and does its harm at one of them."""

    def __init__(self, kind: str, at: int, part: str, job: Path) -> None:
        self.count = 0
        self._kind, self._at, self._part, self._job = kind, at, part, job

    def install(self) -> None:
        from levelset.record import durable
        from levelset.record import job as job_module

        for name in CALLS:
            setattr(os, name, self._wrapped(name, getattr(os, name)))
        write_capture = job_module.write_capture

        def capture(path: Path, codes: Any, rate_hz: int) -> None:
            write_capture(path, codes, rate_hz)
            self._due(lambda: os.truncate(path, path.stat().st_size // 2))
            self._over()

        job_module.write_capture = capture
        write_new = durable.write_new

        def whole(path: Path, data: bytes) -> None:
            self._due(lambda: path.write_bytes(data[: len(data) // 2]))
            write_new(path, data)
            self._over()

        durable.write_new = whole

    def _wrapped(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*values: Any, **named: Any) -> Any:
            if name == "open" and not values[1] & WRITING:
                return real(*values, **named)
            half = None
            if name == "write":
                half = lambda: real(values[0], values[1][: len(values[1]) // 2])  # noqa: E731
            self._due(half)
            done = real(*values, **named)
            self._over()
            return done

        return call

    def _over(self) -> None:
        if self._kind == "kill" and self.count >= self._at and self._part == "after":
            os.kill(os.getpid(), signal.SIGKILL)

    def _due(self, half: Callable[[], Any] | None) -> None:
        self.count += 1
        if self.count < self._at:
            return
        if self._kind in ERRORS:
            error = ERRORS[self._kind]
            raise OSError(error, os.strerror(error))
        if self.count > self._at:
            return
        if self._kind == "gone":
            self._job.rename(self._job.with_name(f"{self._job.name}-away"))
        elif self._kind == "kill" and self._part != "after":
            if self._part == "half" and half is not None:
                half()
            os.kill(os.getpid(), signal.SIGKILL)


def write_again(parent: Path, kind: str, at: int, part: str, said: int) -> None:
    """Write the stored job again; say every acknowledged seq, at last the number of calls."""
    from levelset.errors import InputError
    from levelset.plan.job import JobPlan
    from levelset.record import schema
    from levelset.record.audio_files import read_capture
    from levelset.record.job import Job
    from levelset.record.journal import decode_line

    lines = [decode_line(raw) for raw in (FIRST / "journal.jsonl").read_bytes().splitlines()]
    captures = {
        line.seq: read_capture(FIRST / "captures" / f"{line.data['capture']}.flac")
        for line in lines
        if "capture" in line.data
    }
    plan = schema.from_data(lines[0].data["plan"], JobPlan, "plan")
    schema.ANALYSIS_VERSION = lines[0].data["analysis"]  # whose numbers these are
    tell = os.write
    with Job.create(parent, "job", plan) as job:
        tell(said, b"1\n")
        fault = Fault(kind, at, part, job.path)
        fault.install()
        try:
            for line in lines[1:]:
                if line.seq in captures:
                    codes, rate_hz = captures[line.seq]
                    assert job.store_capture(codes, rate_hz) == line.data["capture"]
                tell(said, f"{job.append(line.kind, line.data)}\n".encode())
        except InputError as error:
            if "cannot be written" not in error.what:
                raise
            try:  # the job takes nothing more
                job.append("note", {"text": "after it", "about": None})
            except InputError:
                tell(said, b"refused\n")
    tell(said, f"calls: {fault.count}\n".encode())


def child(parent: Path, kind: str, at: int, part: str) -> list[str]:
    """Run `write_again` in a process of its own; return the lines it said."""
    reader, writer = os.pipe()
    process = os.fork()
    if process == 0:
        os.close(reader)
        try:
            write_again(parent, kind, at, part, writer)
        except BaseException:
            import traceback

            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as said:
        words = said.read().decode().splitlines()
    _, status = os.waitpid(process, 0)
    killed = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
    if kind == "kill" and not killed or kind != "kill" and status:
        words.append(f"fault: ended with status {status}")
    return words


def judge(job: Path, words: list[str], kind: str) -> str:
    """Return what does not hold of a job after its fault, else nothing."""
    from levelset.errors import LevelsetError
    from levelset.record.job import Job
    from levelset.record.journal import decode_line
    from levelset.record.verification import verify_job

    stored = (FIRST / "journal.jsonl").read_bytes().splitlines()
    odd = [word for word in words if word.startswith("fault")]
    if odd:
        return odd[0]
    if kind != "kill" and "refused" not in words and f"{len(stored)}" not in words:
        return f"after the fault it went on: {words[-1]}"
    promised = max(int(word) for word in words if word.isdigit())
    try:
        before = verify_job(job)
        if not before.ok:
            return f"does not hold: {before.first_fault}"
        with Job.open(job, writable=True) as again:
            if again.newest.seq not in (promised, promised + 1):
                return f"{promised} acknowledged, {again.newest.seq} there"
            for line, raw in zip(again.lines()[1:], stored[1:], strict=False):
                if line.data != decode_line(raw).data:
                    return f"line {line.seq} is another one"
            again.append("note", {"text": "goes on", "about": None})
        after = verify_job(job)
    except LevelsetError as error:
        return f"cannot be opened: {error}"
    left = [str(path) for path in job.rglob(".*.new")]
    if not after.ok or left:
        return f"does not hold after going on: {after.first_fault} {left}"
    return ""


def remembered(read: Callable[..., Any]) -> Callable[..., Any]:
    """Return an analysis that does the same samples once only."""
    known: dict[tuple[str, ...], Any] = {}

    def again(samples: Any, *rest: Any) -> Any:
        key = (hashlib.sha256(samples.tobytes()).hexdigest(), *map(repr, rest))
        if key not in known:
            known[key] = read(samples, *rest)
        return known[key]

    return again


def campaign(count: int, seed: int, folder: Path) -> tuple[Counter[str], list[str]]:
    """Do ``count`` faults, spread evenly over all calls; return what was done and what failed."""
    words = child(folder / "whole", "none", 10**9, "")
    calls = int(words[-1].removeprefix("calls: "))
    chance = random.Random(seed)
    done: Counter[str] = Counter({"calls in the whole job": calls})
    failed = []
    for number in range(count):
        kind = "kill" if number % 8 < 5 else ("full", "readonly", "gone")[number % 8 - 5]
        part = chance.choice(("before", "half", "after")) if kind == "kill" else ""
        at = 1 + number * calls // count + chance.randrange(max(1, calls // count))
        parent = folder / "jobs"
        words = child(parent, kind, at, part)
        (job,) = parent.iterdir()
        what = judge(job, words, kind)
        done[f"{kind} {part}".strip()] += 1
        if what:
            failed.append(f"{kind} {part} at call {at}: {what}")
        shutil.rmtree(parent)
    return done, failed


def main(count: int) -> int:
    from levelset.probe import dc, volts

    dc.read_touch = remembered(dc.read_touch)
    volts.read_tips = remembered(volts.read_tips)
    with tempfile.TemporaryDirectory() as name:
        done, failed = campaign(count, 20310504, Path(name))
    rows = [f"{kind}: {times}" for kind, times in sorted(done.items())]
    rows += [*failed, f"{count} faults, {len(failed)} after which something did not hold"]
    sys.stdout.write("\n".join(rows) + "\n")
    return bool(failed)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
