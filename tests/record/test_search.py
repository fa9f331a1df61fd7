"""Jobs are found by words; the index only ever holds what the journals hold."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import pytest
from record_jobs import BEGIN, build_job, clock, plan

from levelset.errors import UsageError
from levelset.record import index
from levelset.record.customer import change_customer, erase_customer, read_customer, write_customer
from levelset.record.job import Job
from levelset.record.search import Wanted, find_jobs
from levelset.record.store import list_jobs


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LEVELSET_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    folder = tmp_path / "jobs"
    build_job(folder)
    for days, title in ((40, "Grüner Kombi"), (80, "blue van")):
        begin = BEGIN + timedelta(days=days)
        with Job.create(folder, title, plan(), begin, clock=clock(begin)) as job:
            write_customer(job.path, {"name": f"Person of {title}", "phone": 555})
    return folder


def titles(folder: Path, **wanted: object) -> list[str]:
    return [row.title for row in find_jobs(list_jobs(folder), Wanted(**wanted))]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ({}, ["blue van", "Grüner Kombi", "Invented estate: bass"]),
        ({"words": ("gruner",)}, ["Grüner Kombi"]),
        ({"words": ("GRÜNER", "kombi")}, ["Grüner Kombi"]),
        ({"words": ("van", "kombi")}, []),
        ({"words": ("2031-06",)}, ["Grüner Kombi"]),
        ({"words": ("person", "555")}, ["blue van", "Grüner Kombi"]),
        ({"customer": "of blue"}, ["blue van"]),
        ({"customer": "estate"}, []),
        ({"vehicle": "invented estate", "equipment": "input 1"}, ["Invented estate: bass"]),
        ({"equipment": "bass"}, ["blue van", "Grüner Kombi", "Invented estate: bass"]),
        ({"since": "2031-06"}, ["blue van", "Grüner Kombi"]),
        ({"until": "2031-06"}, ["Grüner Kombi", "Invented estate: bass"]),
        ({"since": "2031-05-05", "until": "2031-06-13"}, ["Grüner Kombi"]),
        ({"until": "2030"}, []),
    ],
)
def test_what_fits(jobs: Path, wanted: dict[str, object], found: list[str]) -> None:
    assert titles(jobs, **wanted) == found
    assert titles(jobs, **wanted) == found  # from the index


@pytest.mark.parametrize(
    "day", ["yesterday", "2031-13-01x", "31.5.2031", "20310504", "2031-13", "2031-02-30"]
)
def test_a_date_that_is_none(day: str) -> None:
    with pytest.raises(UsageError, match="is no date"):
        Wanted(since=day)


def test_the_index_spares_reading_and_follows_every_change(
    jobs: Path, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = list_jobs(jobs)
    read: list[str] = []
    row = index._row
    monkeypatch.setattr(index, "_row", lambda path: (read.append(path.name), row(path))[1])
    assert list_jobs(jobs) == first
    assert read == []
    changed = first[0].path
    with Job.open(changed, writable=True) as job:
        job.append("note", {"text": "x", "about": None})
    assert list_jobs(jobs)[0].newest_sha256 != first[0].newest_sha256
    assert read == [changed.name]
    # An edit that keeps size and time: another file.
    journal = first[1].path / "journal.jsonl"
    about = journal.stat()
    data = journal.read_bytes().replace(b"invented estate", b"INVENTED ESTATE")
    (jobs / "new").write_bytes(data)
    os.utime(jobs / "new", ns=(about.st_atime_ns, about.st_mtime_ns))
    os.replace(jobs / "new", journal)
    assert "altered" in str(list_jobs(jobs)[1].fault)
    for text in (b"", b"{}", b"\xff", (home / "job-index.json").read_bytes()[:-9]):
        (home / "job-index.json").write_bytes(text)
        assert len(list_jobs(jobs)) == 3
    (home / "job-index.json").unlink()
    assert len(list_jobs(jobs)) == 3


def test_without_a_place_for_the_index_it_works_without(jobs: Path, home: Path) -> None:
    home.mkdir(exist_ok=True)
    (home / "job-index.json").mkdir()
    assert len(list_jobs(jobs)) == 3
    assert len(list_jobs(jobs)) == 3


def test_personal_data_are_in_one_place_and_gone_when_erased(jobs: Path, home: Path) -> None:
    (path,) = [row.path for row in list_jobs(jobs) if row.title == "blue van"]
    before = (path / "journal.jsonl").read_bytes()
    change_customer(path, {"name": "Quite Invented", "plate": "AB-1"})
    change_customer(path, {"plate": ""})
    assert read_customer(path) == {"name": "Quite Invented", "phone": 555}
    (path / "report.html").write_text("<p>Quite Invented</p>")
    (path / "report-short.html").write_text("<p>Quite Invented</p>")
    (path / ".customer.json.12.new").write_text("Quite Invented")
    assert titles(jobs, customer="quite") == ["blue van"]
    gone = erase_customer(path)
    assert set(gone) == {
        "customer.json",
        ".customer.json.12.new",
        "report.html",
        "report-short.html",
    }
    assert titles(jobs, customer="quite") == []
    everything = [p for folder in (jobs, home) for p in folder.rglob("*") if p.is_file()]
    assert len(everything) > 5
    assert not [p for p in everything if b"Quite Invented" in p.read_bytes()]
    assert (path / "journal.jsonl").read_bytes() == before
    assert Job.open(path, writable=True).faults == ()
    assert erase_customer(path) == []


@pytest.mark.parametrize("fields", [{"": "x"}, {"a": "b\nc"}, {"a\tb": "c"}, {"a": "x" * 500}])
def test_fields_that_cannot_be_used(job_path: Path, fields: dict[str, str]) -> None:
    with pytest.raises(UsageError):
        change_customer(job_path, fields)
    assert read_customer(job_path) == {}
