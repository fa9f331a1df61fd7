"""One archive: out, in elsewhere, the same job; and nothing that is no job gets in."""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from record_jobs import build_job, read_stand_in

from levelset.errors import DamageError, InputError
from levelset.record.archive import export_job, import_job
from levelset.record.attachments import attach
from levelset.record.customer import read_customer, write_customer
from levelset.record.job import Job
from levelset.record.store import jobs_folder
from levelset.record.verification import verify_job

FIRST = Path(__file__).parent / "jobs" / "first-version"
PNG = (
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x01\0\0\0\x01\x08\0\0\0\0:~\x9bU"
    b"\0\0\0\nIDATx\x9cc`\0\0\0\x02\0\x01H\xaf\xa4q\0\0\0\0IEND\xaeB`\x82"
)


def files(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def take_in(file: Path, jobs: Path):
    return import_job(file, jobs, read=read_stand_in)


def give_out(job: Path, file: Path, **options: bool) -> Path:
    export_job(job, file, read=read_stand_in, **options)
    return file


def test_the_round_trip_of_a_real_job_to_another_home(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = export_job(FIRST, tmp_path / "a.zip")
    monkeypatch.setenv("LEVELSET_HOME", str(tmp_path / "elsewhere"))
    found = import_job(tmp_path / "a.zip", jobs_folder())
    assert found.path == tmp_path / "elsewhere" / "jobs" / "first-version"
    assert found.verification.ok
    assert found.verification.head_sha256 == answer.head_sha256
    assert files(found.path) == files(FIRST)
    with Job.open(found.path, writable=True) as job:
        job.append("note", {"text": "goes on elsewhere", "about": None})


def test_photographs_and_personal_data_go_along_only_where_they_should(
    job_path: Path, tmp_path: Path
) -> None:
    (tmp_path / "p.png").write_bytes(PNG)
    with Job.open(job_path, writable=True) as job:
        attach(job, tmp_path / "p.png")
    write_customer(job_path, {"name": "Invented person"})
    (job_path / "report.html").write_text("Invented person")
    (job_path / "lock").write_text("")
    without = give_out(job_path, tmp_path / "without.zip")
    assert b"Invented person" not in without.read_bytes()
    there = take_in(without, tmp_path / "one").path
    assert read_customer(there) == {}
    assert len(list((there / "attachments").iterdir())) == 1
    assert not (there / "report.html").exists()
    there = take_in(give_out(job_path, tmp_path / "with.zip", with_customer=True), tmp_path / "two")
    assert read_customer(there.path) == {"name": "Invented person"}
    write_customer(job_path, {})
    again = give_out(job_path, tmp_path / "erased.zip", with_customer=True)
    assert b"Invented person" not in again.read_bytes()


def test_the_same_job_gives_the_same_bytes(job_path: Path, tmp_path: Path) -> None:
    first = give_out(job_path, tmp_path / "1.zip").read_bytes()
    copy = shutil.copytree(job_path, tmp_path / "elsewhere" / job_path.name)
    assert give_out(copy, tmp_path / "2.zip").read_bytes() == first


@pytest.mark.outside
def test_the_archive_is_one_for_the_standard_programs(job_path: Path, tmp_path: Path) -> None:
    # The command line of the standard library's own reader, in another process.
    file = give_out(job_path, tmp_path / "a.zip")
    done = subprocess.run(
        [sys.executable, "-m", "zipfile", "-t", str(file)], capture_output=True, text=True
    )
    assert done.returncode == 0
    assert "Done testing" in done.stdout


def test_nothing_is_overwritten(job_path: Path, tmp_path: Path) -> None:
    file = give_out(job_path, tmp_path / "a.zip")
    with pytest.raises(InputError, match="exists already"):
        give_out(job_path, file)
    jobs = tmp_path / "jobs"
    (jobs / job_path.name).mkdir(parents=True)
    (jobs / job_path.name / "mine.txt").write_text("mine")
    found = take_in(file, jobs)
    assert found.path.name == f"{job_path.name}-2"
    assert (jobs / job_path.name / "mine.txt").read_text() == "mine"
    before = files(jobs)
    with pytest.raises(InputError, match="there already"):
        take_in(file, jobs)
    assert files(jobs) == before
    assert len(list(jobs.iterdir())) == 2


def test_another_version_of_a_job_stands_beside_it_and_is_said(
    job_path: Path, tmp_path: Path
) -> None:
    older = give_out(job_path, tmp_path / "older.zip")
    there = take_in(older, tmp_path / "jobs").path
    with Job.open(job_path, writable=True) as job:
        job.append("note", {"text": "goes on", "about": None})
    found = take_in(give_out(job_path, tmp_path / "newer.zip"), tmp_path / "jobs")
    assert found.path != there
    notes = verify_job(found.path, read=read_stand_in).notes
    assert any("an older state of this record" in note for note in notes)
    notes = verify_job(there, read=read_stand_in).notes
    assert any("a newer state of this record: 1 more lines" in note for note in notes)


def test_a_damaged_job_is_not_exported(job_path: Path, tmp_path: Path) -> None:
    next((job_path / "captures").iterdir()).unlink()
    with pytest.raises(DamageError, match="missing"):
        give_out(job_path, tmp_path / "a.zip")
    assert not (tmp_path / "a.zip").exists()


def remade(file: Path, change: Callable[[str, bytes], tuple[str, bytes] | None]) -> Path:
    """Write an archive again with every member changed, or left out."""
    with zipfile.ZipFile(file) as old:
        members = [(info.filename, old.read(info)) for info in old.infolist()]
    with zipfile.ZipFile(file, "w") as new:
        for name, data in members:
            changed = change(name, data)
            if changed is not None:
                new.writestr(*changed)
    return file


def refused(file: Path, jobs: Path, why: str, error: type[InputError] = InputError) -> None:
    before = files(jobs) if jobs.exists() else {}
    with pytest.raises(error, match=why) as caught:
        take_in(file, jobs)
    assert caught.value.exit_status == 3
    assert "\n" not in caught.value.line()
    assert (files(jobs) if jobs.exists() else {}) == before
    assert not jobs.exists() or not list(jobs.iterdir())


def test_an_edited_job_is_refused(job_path: Path, tmp_path: Path) -> None:
    file = give_out(job_path, tmp_path / "a.zip")
    remade(file, lambda name, data: (name, data.replace(b"Ground first.", b"Ground last..")))
    refused(file, tmp_path / "jobs", "line 2: altered", DamageError)


def test_a_job_that_is_not_the_one_that_was_verified_is_refused(
    job_path: Path, tmp_path: Path
) -> None:
    file = give_out(job_path, tmp_path / "a.zip")
    remade(file, lambda name, data: None if name.endswith("verification.json") else (name, data))
    refused(file, tmp_path / "jobs", "not the one that was verified", DamageError)


@pytest.mark.parametrize(
    "name",
    [
        "../journal.jsonl",
        "/journal.jsonl",
        "x/../../etc/passwd",
        "x/captures/../../journal.jsonl",
        "x/captures/short.flac",
        "x/run.sh",
        "x\\..\\..\\journal.jsonl",
        "journal.jsonl",
        "x/lock",
        "other/head.json",
        "x/captures/" + "0" * 64 + ".flac\0.txt",
    ],
)
def test_names_that_no_job_has_are_refused(job_path: Path, tmp_path: Path, name: str) -> None:
    file = give_out(job_path, tmp_path / "a.zip")
    with zipfile.ZipFile(file, "a") as archive:
        archive.writestr(name, b"x")
    refused(file, tmp_path / "jobs" / "deep", "no archive of a job|does not hold")
    assert not (tmp_path / "journal.jsonl").exists()


def test_links_and_devices_are_refused(job_path: Path, tmp_path: Path) -> None:
    for kind in (0o120777, 0o020666, 0o010644, 0o040755):
        file = tmp_path / f"{kind}.zip"
        give_out(job_path, file)
        info = zipfile.ZipInfo(f"{job_path.name}/customer.json")
        info.external_attr = kind << 16
        info.create_system = 3
        with zipfile.ZipFile(file, "a") as archive:
            archive.writestr(info, b"/etc/passwd")
        refused(file, tmp_path / "jobs", "no ordinary file")


def test_bombs_are_refused_before_anything_is_unpacked(job_path: Path, tmp_path: Path) -> None:
    file = give_out(job_path, tmp_path / "a.zip")
    with zipfile.ZipFile(file, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(f"{job_path.name}/customer.json", bytes(50_000_000))
    refused(file, tmp_path / "jobs", "compressed")
    # Members that overlap: the directory names one and the same bytes many times.
    file = tmp_path / "b.zip"
    give_out(job_path, file)
    with zipfile.ZipFile(file, "a") as archive:
        archive.writestr(f"{job_path.name}/set-aside-after-line-1.txt", bytes(1_000_000))
        (whole,) = [i for i in archive.infolist() if "set-aside" in i.filename]
        for number in range(2, 200):
            info = zipfile.ZipInfo(f"{job_path.name}/set-aside-after-line-{number}.txt")
            info.header_offset, info.CRC = whole.header_offset, whole.CRC
            info.file_size = info.compress_size = whole.file_size
            archive.filelist.append(info)
            archive.NameToInfo[info.filename] = info
        archive._didModify = True
    assert file.stat().st_size < 2_000_000
    refused(file, tmp_path / "jobs", "its files claim")


@pytest.mark.parametrize("content", [b"", b"PK", b"no archive at all", bytes(1000)])
def test_no_archive(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.zip").write_bytes(content)
    refused(tmp_path / "a.zip", tmp_path / "jobs", "no whole archive")


def test_missing_files_and_folders(tmp_path: Path) -> None:
    refused(tmp_path / "none.zip", tmp_path / "jobs", "cannot be taken in")
    job = build_job(tmp_path)
    with pytest.raises(InputError, match="cannot be written"):
        give_out(job, tmp_path / "no" / "such" / "a.zip")
    empty = io.BytesIO()
    with zipfile.ZipFile(empty, "w"):
        pass
    (tmp_path / "empty.zip").write_bytes(empty.getvalue())
    refused(tmp_path / "empty.zip", tmp_path / "jobs", "does not hold one job")


def test_a_damaged_archive_is_refused_wherever_it_is_damaged(
    job_path: Path, tmp_path: Path
) -> None:
    data = give_out(job_path, tmp_path / "a.zip").read_bytes()
    names = {f.name for f in job_path.iterdir()}
    for at in range(11, len(data), len(data) // 15):
        changed = bytearray(data)
        changed[at] ^= 0x41
        (tmp_path / "b.zip").write_bytes(changed)
        try:
            found = take_in(tmp_path / "b.zip", tmp_path / f"jobs{at}")
        except InputError:
            assert list((tmp_path / f"jobs{at}").glob("*")) == []
        else:  # a byte that means nothing, such as a time
            assert {f.name for f in found.path.iterdir()} == names
            assert files(found.path) == files(job_path)
