"""A small part of the campaign of kills and failing media, and a medium that is really full.

``python tests/record/record_faults.py 500`` is the whole of it.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from record_jobs import build_job, read_stand_in

from levelset.record.job import Job
from levelset.record.verification import verify_job

POSIX = pytest.mark.skipif(not hasattr(os, "fork"), reason="forks a process for every fault")


@POSIX
def test_whatever_ends_or_hinders_a_job_all_that_was_acknowledged_is_there() -> None:
    script = Path(__file__).with_name("record_faults.py")
    done = subprocess.run(
        [sys.executable, str(script), "24"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "24 faults, 0 after which something did not hold" in done.stdout


FILL = """
import resource, signal, sys
from pathlib import Path
from levelset.errors import InputError
from levelset.record.job import Job
job = Job.open(Path(sys.argv[1]), writable=True)
size = (job.path / "journal.jsonl").stat().st_size
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (size + 5000, size + 5000))
try:
    while True:
        print(job.append("note", {"text": "x" * 300, "about": None}), flush=True)
except InputError as error:
    print(error.line())
try:
    job.append("note", {"text": "x", "about": None})
except InputError as error:
    print(error.line())
job.close()
"""


@POSIX
def test_the_systems_own_limit_in_the_middle_of_a_line(tmp_path: Path) -> None:
    # RLIMIT_FSIZE (POSIX, setrlimit): the system writes what still fits, then refuses.
    path = build_job(tmp_path)
    before = (path / "journal.jsonl").read_bytes()
    done = subprocess.run(
        [sys.executable, "-c", FILL, str(path)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    *said, failed, closed = done.stdout.splitlines()
    assert "cannot be written" in failed
    assert "closed after a failed write" in closed
    promised = int(said[-1])
    assert (path / "journal.jsonl").read_bytes().startswith(before)
    assert verify_job(path, read=read_stand_in).ok
    with Job.open(path, writable=True) as job:
        assert job.newest.seq == promised
        assert "moved to set-aside" in job.notes[0]
        assert job.append("note", {"text": "room again", "about": None}) == promised + 1
    assert verify_job(path, read=read_stand_in).ok
