"""How long a search over many jobs takes, without an index and with one.

Run ``python -m tests.benchmarks.bench_job_list [JOBS]``.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

from levelset.record.customer import write_customer
from levelset.record.journal import NO_LINE, decode_line, digest, encode_head, encode_line
from levelset.record.search import Wanted, find_jobs
from levelset.record.store import list_jobs

FIRST = Path(__file__).parents[1] / "record" / "jobs" / "first-version"


def another(number: int, parent: Path) -> None:
    """Write the stored job again as one of another day and another vehicle, a chain of its own."""
    job = parent / f"2030-01-01-invented-{number}"
    job.mkdir()
    prev, out = NO_LINE, []
    for raw in (FIRST / "journal.jsonl").read_bytes().splitlines():
        line = decode_line(raw)
        data = line.data
        if line.seq == 1:
            data["plan"]["vehicle"] = f"invented vehicle {number}"
        out.append(encode_line(line.seq, line.time, line.kind, line.schema, data, prev))
        prev = digest(out[-1])
    (job / "journal.jsonl").write_bytes(b"\n".join(out) + b"\n")
    (job / "head.json").write_bytes(encode_head(len(out), prev))
    write_customer(job, {"name": f"Invented person {number}"})


def timed(what: str, wanted: Wanted, folder: Path) -> None:
    begin, cpu = time.perf_counter(), time.process_time()
    found = find_jobs(list_jobs(folder), wanted)
    took, used = time.perf_counter() - begin, time.process_time() - cpu
    print(f"{what:<34} {took:6.2f} s, {used:6.2f} s of CPU, {len(found)} found")


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        os.environ["LEVELSET_HOME"] = name
        folder = Path(name) / "jobs"
        folder.mkdir()
        for number in range(count):
            another(number, folder)
        timed("without index", Wanted(), folder)
        timed("with index, all", Wanted(), folder)
        timed("with index, words", Wanted(words=("invented", "vehicle 17")), folder)
        timed("with index, customer", Wanted(customer="person 170"), folder)
        shutil.rmtree(folder / "2030-01-01-invented-0")
        another(0, folder)
        timed("one job has changed", Wanted(equipment="bass"), folder)
        print(f"index: {(Path(name) / 'job-index.json').stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
