"""What synchronised folders leave behind is told apart and never merged."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from record_jobs import BEGIN, build_job, clock, plan, read_stand_in

from levelset.errors import InputError
from levelset.record.job import Job
from levelset.record.store import list_jobs
from levelset.record.summary import summarise
from levelset.record.verification import verify_job

LATER = datetime(2031, 6, 1, tzinfo=UTC)


def add(job: Path, *texts: str) -> None:
    with Job.open(job, writable=True, clock=clock(LATER)) as record:
        for text in texts:
            record.append("note", {"text": text, "about": None})


def verify(job: Path):
    return verify_job(job, read=read_stand_in)


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LEVELSET_HOME", str(tmp_path / ".home"))


NAMES = ["journal (conflict).jsonl", "journal 2.jsonl", "journal.jsonl.sync-1", "copy of it.txt"]


@pytest.mark.parametrize("name", NAMES)
def test_a_fork_inside_the_folder_is_a_no_whatever_it_is_called(job_path: Path, name: str) -> None:
    other = shutil.copytree(job_path, job_path.parent / "aside" / "other")
    count = (job_path / "journal.jsonl").read_bytes().count(b"\n")
    add(job_path, "here")
    add(other, "there", "there again")
    before = (job_path / "journal.jsonl").read_bytes()
    shutil.copy(other / "journal.jsonl", job_path / name)
    answer = verify(job_path)
    assert not answer.ok
    says = f"another version of this record: the same up to line {count}, then 2 other lines"
    assert answer.first_fault == f"{name}: {says}"
    (version,) = summarise(job_path).versions
    assert says in version
    (row,) = [row for row in list_jobs(job_path.parent) if row.path == job_path]
    assert says in row.line()
    # What is there stays there, and the work can go on.
    add(job_path, "goes on")
    assert (job_path / "journal.jsonl").read_bytes().startswith(before)
    assert (job_path / name).read_bytes() == (other / "journal.jsonl").read_bytes()


def test_an_older_state_is_a_note_and_a_newer_one_a_no(job_path: Path) -> None:
    old = (job_path / "journal.jsonl").read_bytes()
    add(job_path, "more")
    copy = job_path / "journal 2.jsonl"
    copy.write_bytes(old)
    answer = verify(job_path)
    assert answer.ok
    assert any("an older state of this record" in note for note in answer.notes)
    copy.write_bytes((job_path / "journal.jsonl").read_bytes())
    assert any("the same record again" in note for note in verify(job_path).notes)
    # The journal itself was put back, its head was not: the newer one is the copy.
    (job_path / "journal.jsonl").write_bytes(old)
    answer = verify(job_path)
    assert not answer.ok
    assert any("lines are lost" in fault for fault in answer.faults)
    assert any("a newer state of this record: 1 more lines" in fault for fault in answer.faults)


def test_a_version_that_is_damaged_itself_is_a_no(job_path: Path) -> None:
    data = (job_path / "journal.jsonl").read_bytes()
    (job_path / "j2").write_bytes(data.replace(b"Ground first.", b"Ground last.."))
    assert "whose own chain does not hold" in str(verify(job_path).first_fault)


def test_a_head_of_another_version_is_said(job_path: Path) -> None:
    other = shutil.copytree(job_path, job_path.parent / "aside" / "other")
    add(other, "there")
    shutil.copy(other / "head.json", job_path / "head (conflict).json")
    answer = verify(job_path)
    assert answer.ok
    assert any(note.startswith("head (conflict).json: names a line") for note in answer.notes)


def test_two_folders_with_one_job_say_so_on_both_sides(job_path: Path) -> None:
    other = shutil.copytree(job_path, job_path.with_name("2031-05-04-copy"))
    add(job_path, "here")
    add(other, "there")
    for one, name in ((job_path, other.name), (other, job_path.name)):
        answer = verify(one)
        assert answer.ok  # each record holds; which one is meant is for a person to say
        assert any(f"../{name}: another version" in note for note in answer.notes)
        assert any(name in version for version in summarise(one).versions)
    rows = list_jobs(job_path.parent)
    assert len(rows) == 2
    assert all("another version of this record" in row.line() for row in rows)
    # The same with the index that the first list has written.
    assert [row.versions for row in list_jobs(job_path.parent)] == [row.versions for row in rows]


def test_other_jobs_and_other_files_are_no_versions(tmp_path: Path) -> None:
    path = build_job(tmp_path / "jobs")
    begin = BEGIN + timedelta(seconds=1)
    Job.create(tmp_path / "jobs", "another", plan(), begin, clock=clock(begin)).close()
    (path / "notes.txt").write_text("mine\n")
    (path / "empty.jsonl").write_text("")
    answer = verify(path)
    assert answer.ok
    assert answer.notes == ()


def test_another_program_that_changes_the_journal_is_noticed(job_path: Path) -> None:
    journal = job_path / "journal.jsonl"
    for change in ("longer", "shorter", "removed"):
        whole = journal.read_bytes()
        with Job.open(job_path, writable=True, clock=clock(LATER)) as job:
            if change == "removed":
                journal.unlink()
            else:
                journal.write_bytes(whole + b"{}\n" if change == "longer" else whole[:-5])
            found = journal.read_bytes() if journal.exists() else None
            with pytest.raises(InputError, match=r"changed journal\.jsonl|No such file"):
                job.append("note", {"text": "x", "about": None})
            with pytest.raises(InputError, match="closed after a failed write"):
                job.append("note", {"text": "x", "about": None})
            # Nothing was added to what somebody else wrote, and no new journal was begun.
            assert (journal.read_bytes() if journal.exists() else None) == found
        journal.write_bytes(whole)
    assert verify(job_path).ok


def test_a_clock_that_is_set_back_is_said_and_the_order_stays(job_path: Path) -> None:
    begin = BEGIN - timedelta(days=400)
    with Job.open(job_path, writable=True, clock=clock(begin)) as job:
        seq = job.append("note", {"text": "earlier", "about": None})
        job.append("note", {"text": "later", "about": seq})
    answer = verify(job_path)
    assert answer.ok
    assert f"the clock was set back before seq {seq};" in answer.notes[-1]
    assert [line.seq for line in Job.open(job_path, writable=False).lines()][-2:] == [seq, seq + 1]
    summary = summarise(job_path)
    assert summary.state == "complete"
    assert summary.changed < summary.created
