"""A job grows by whole lines only, for one writer, and says what is wrong with it."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import textwrap
import time
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from record_jobs import BEGIN, build_job, clock, codes, plan, read_stand_in, reading_data

from levelset.errors import DamageError, InputError
from levelset.record import durable
from levelset.record.customer import read_customer, write_customer
from levelset.record.folder import folder_name
from levelset.record.job import Job
from levelset.record.journal import digest, encode_head, encode_line
from levelset.record.schema import KINDS
from levelset.record.verification import verify_job

NOTE = {"text": "a remark", "about": None}
LATER = clock(datetime(2031, 6, 1, tzinfo=UTC))


def add_raw(path: Path, kind: str, schema: int, data: dict[str, object]) -> None:
    """Append a line as another program would that keeps the chain, and seal it."""
    journal = path / "journal.jsonl"
    last = journal.read_bytes().splitlines()
    raw = encode_line(len(last) + 1, "2031-05-04T10:00:00Z", kind, schema, data, digest(last[-1]))
    journal.write_bytes(journal.read_bytes() + raw + b"\n")
    (path / "head.json").write_bytes(encode_head(len(last) + 1, digest(raw)))


def test_what_was_appended_comes_back(tmp_path: Path) -> None:
    with Job.create(tmp_path, "Invented estate", plan(), BEGIN, clock=clock()) as job:
        assert job.append("note", NOTE) == 2
        assert job.append("note", {"text": "corrects the one before", "about": 2}) == 3
    again = Job.open(job.path, writable=False)
    assert [line.seq for line in again.lines()] == [1, 2, 3]
    assert [line.time for line in again.lines()] == [
        "2031-05-04T09:30:00.000Z",
        "2031-05-04T09:30:01.500Z",
        "2031-05-04T09:30:03.000Z",
    ]
    assert again.lines()[1].data == NOTE
    assert again.plan() == plan()
    assert again.head().title == "Invented estate"
    assert again.lines() == job.lines()
    assert again.faults == ()


def test_plan_calibrations_readings_and_steps_come_back_typed(job_path: Path) -> None:
    job = Job.open(job_path, writable=False)
    ((seq, calibration),) = job.calibrations()
    assert calibration.evidence == (seq - 1,)
    assert calibration.volts_per_full_scale[0].unit == "V"
    assert [reading.as_what for _, reading in job.readings()] == [
        "calibration",
        "clean_volume",
        "gain",
        "verify",
    ]
    assert [step.procedure for step in job.steps()] == [
        "calibrate",
        "clean_volume",
        "gain",
        "verify",
    ]
    assert all(step.done for step in job.steps())


def test_times_are_utc_and_need_an_offset(tmp_path: Path) -> None:
    east = timezone(timedelta(hours=13))
    late = datetime(2031, 1, 1, 0, 30, tzinfo=east)
    with Job.create(tmp_path, "x", plan(), late) as job:
        assert job.path.name == "2031-01-01-x"
        assert job.lines()[0].time == "2030-12-31T11:30:00.000Z"
    with pytest.raises(ValueError, match="offset"):
        Job.create(tmp_path, "y", plan(), datetime(2031, 1, 1))
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone can only be set on POSIX")
def test_without_a_time_the_folder_has_the_local_date(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "XXX-13")  # 13 h east of Greenwich, where it is the next day already
        time.tzset()
        late = clock(datetime(2030, 12, 31, 11, 30, tzinfo=UTC))
        with Job.create(tmp_path, "x", plan(), clock=late) as job:
            assert job.path.name == "2031-01-01-x"
            assert job.lines()[0].time.startswith("2030-12-31T11:30")
    time.tzset()


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Invented estate: bass / front?", "Invented-estate-bass-front"),
        ("../../etc", "etc"),
        ("CON", "CON"),
        ("  ...  ", ""),
        ("a\x00b\nc\u202e", "a-b-c"),
        ("F\u00fc\u00dfe \u8eca", "F\u00fc\u00dfe-\u8eca"),
        ("x" * 300, "x" * 48),
    ],
)
def test_folder_names_are_safe_on_every_platform(tmp_path: Path, title: str, name: str) -> None:
    assert folder_name(title) == name
    with Job.create(tmp_path, title, plan(), BEGIN) as job:
        # The date in front also keeps clear of the names that Windows reserves for devices.
        assert job.path.parent == tmp_path
        assert job.path.name == f"2031-05-04-{name}".rstrip("-")
        assert job.head().title == title


def test_two_jobs_of_one_name_get_two_folders(tmp_path: Path) -> None:
    names = []
    for _ in range(3):
        with Job.create(tmp_path, "same", plan(), BEGIN) as job:
            names.append(job.path.name)
    assert names == ["2031-05-04-same", "2031-05-04-same-2", "2031-05-04-same-3"]


@pytest.mark.parametrize(
    ("kind", "data", "why"),
    [
        ("note", {"text": "x"}, "about"),
        ("note", {"text": 1, "about": None}, "str"),
        ("note", {"text": "x", "about": None, "more": 1}, "more"),
        ("opinion", {}, "unknown kind"),
        ("calibration", {"name": "x"}, "missing required field"),
        ("step", {"procedure": "gain"}, "missing required field"),
    ],
)
def test_wrong_data_are_refused_before_anything_is_written(
    tmp_path: Path, kind: str, data: dict[str, object], why: str
) -> None:
    with Job.create(tmp_path, "x", plan(), BEGIN) as job:
        before = (job.path / "journal.jsonl").read_bytes()
        with pytest.raises(ValueError, match=why):
            job.append(kind, data)
        assert (job.path / "journal.jsonl").read_bytes() == before
        assert job.append("note", NOTE) == 2


def test_a_result_with_nan_is_refused_and_the_job_goes_on(tmp_path: Path) -> None:
    step = {
        "procedure": "gain",
        "channel": None,
        "outcome": "accepted",
        "sentence": "",
        "result": {"set_volts_rms": {"value": float("nan"), "u": 0.1}},
        "cautions": [],
    }
    with Job.create(tmp_path, "x", plan(), BEGIN) as job:
        with pytest.raises(ValueError, match="result.set_volts_rms.value is nan"):
            job.append("step", step)
        assert job.append("note", NOTE) == 2


# Torn ends and crashes


def test_a_torn_line_is_set_aside_before_anything_is_appended(job_path: Path) -> None:
    journal = job_path / "journal.jsonl"
    whole = journal.read_bytes()
    journal.write_bytes(whole + b'{"seq":14,"time":"2031-05-')
    assert Job.open(job_path, writable=False).torn
    answer = verify_job(job_path, read=read_stand_in)
    assert answer.ok
    assert "never finished" in answer.notes[0]
    count = whole.count(b"\n")
    with Job.open(job_path, writable=True) as job:
        assert "moved to" in job.notes[0]
        assert not job.torn
        assert job.append("note", NOTE) == count + 1
    aside = job_path / f"set-aside-after-line-{count}.txt"
    assert aside.read_bytes() == b'{"seq":14,"time":"2031-05-'
    assert journal.read_bytes().startswith(whole)
    assert verify_job(job_path, read=read_stand_in).ok


def test_two_torn_lines_at_one_place_are_both_kept(job_path: Path) -> None:
    journal = job_path / "journal.jsonl"
    for torn in (b"first", b"second"):
        journal.write_bytes(journal.read_bytes() + torn)
        Job.open(job_path, writable=True).close()
    kept = {path.read_bytes() for path in job_path.glob("set-aside-*")}
    assert kept == {b"first", b"second"}


def test_a_crash_between_line_and_head_is_unsealed_and_then_sealed(job_path: Path) -> None:
    with Job.open(job_path, writable=True, clock=LATER) as job:
        head = (job_path / "head.json").read_bytes()
        job.append("note", NOTE)
    (job_path / "head.json").write_bytes(head)
    answer = verify_job(job_path, read=read_stand_in)
    assert answer.ok
    assert any("unsealed" in note for note in answer.notes)
    with Job.open(job_path, writable=True, clock=LATER) as job:
        # Sealed before anything is appended, so that another crash leaves one line ahead, not two.
        assert verify_job(job_path, read=read_stand_in).notes == ()
        job.append("note", NOTE)
    answer = verify_job(job_path, read=read_stand_in)
    assert answer.ok
    assert answer.notes == ()


def test_a_crash_between_capture_and_line_leaves_a_file_and_no_fault(job_path: Path) -> None:
    with Job.open(job_path, writable=True) as job:
        sha256 = job.store_capture(codes(9, 0.1), 48000)
    (job_path / "captures" / ".12.new").write_bytes(b"half a capture")
    answer = verify_job(job_path, read=read_stand_in)
    assert answer.ok
    assert f"captures/{sha256}.flac: no line names it" in answer.notes
    Job.open(job_path, writable=True).close()
    assert not (job_path / "captures" / ".12.new").exists()
    assert (job_path / "captures" / f"{sha256}.flac").exists()


def test_the_same_codes_twice_are_one_file(tmp_path: Path) -> None:
    with Job.create(tmp_path, "x", plan(), BEGIN) as job:
        names = {job.store_capture(codes(1, 0.1), 48000) for _ in range(2)}
        assert len(names) == 1
        assert [path.name for path in (job.path / "captures").iterdir()] == [f"{names.pop()}.flac"]


WRITER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
sys.path.insert(0, {tests!r})
from levelset.record.job import Job
with Job.open(Path(sys.argv[1]), writable=True) as job:
    print("open", flush=True)
    while True:
        seq = job.append("note", {{"text": "x" * 5000, "about": None}})
        print(seq, flush=True)
"""


def start_writer(path: Path) -> subprocess.Popen[str]:
    source = textwrap.dedent(WRITER.format(tests=str(Path(__file__).parent)))
    root = str(Path(__file__).parents[2])
    return subprocess.Popen(
        [sys.executable, "-c", source, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": root},
    )


def test_one_writer_at_a_time_and_a_killed_one_leaves_nothing_behind(job_path: Path) -> None:
    for _ in range(3):
        with start_writer(job_path) as writer:
            assert writer.stdout is not None
            said = [writer.stdout.readline(), writer.stdout.readline()]
            with pytest.raises(InputError, match=f"open for writing in process {writer.pid}"):
                Job.open(job_path, writable=True)
            assert Job.open(job_path, writable=False).faults == ()
            assert verify_job(job_path, read=read_stand_in).ok
            writer.send_signal(signal.SIGKILL)
            said += writer.stdout.readlines()
        # Every line that was reported as written is there, whole.
        promised = int([line for line in said if line.endswith("\n")][-1])
        with Job.open(job_path, writable=True) as job:
            assert job.newest.seq >= promised
        assert verify_job(job_path, read=read_stand_in).ok


def test_a_second_writer_in_the_same_process_is_refused(job_path: Path) -> None:
    first = Job.open(job_path, writable=True)
    with pytest.raises(InputError, match="already"):
        Job.open(job_path, writable=True)
    first.close()
    first.close()
    assert not (job_path / "lock").exists()
    Job.open(job_path, writable=True).close()


def test_a_lock_file_that_was_left_behind_is_taken_over(job_path: Path) -> None:
    (job_path / "lock").write_text("1 elsewhere\n")
    with Job.open(job_path, writable=True) as job:
        job.append("note", NOTE)
    assert not (job_path / "lock").exists()


def test_a_job_that_was_closed_or_is_only_looked_at_cannot_be_written(job_path: Path) -> None:
    with Job.open(job_path, writable=True) as job:
        pass
    for one in (job, Job.open(job_path, writable=False)):
        with pytest.raises(InputError, match="looking only"):
            one.append("note", NOTE)
        with pytest.raises(InputError, match="looking only"):
            one.store_capture(codes(1, 0.1), 48000)


# Writes that fail


@pytest.mark.parametrize("fault", ["write", "short", "fsync", "replace"])
def test_after_a_failed_write_nothing_is_written_until_the_job_is_opened_again(
    job_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    real_write = os.write

    def fail(*_: object) -> int:
        raise full

    def half(descriptor: int, data: bytes) -> int:
        return real_write(descriptor, data[: len(data) // 2])

    job = Job.open(job_path, writable=True)
    before = job.newest.seq
    with monkeypatch.context() as patch:
        name = "write" if fault == "short" else fault
        patch.setattr(os, name, half if fault == "short" else fail)
        with pytest.raises(InputError, match="cannot be written") as caught:
            job.append("note", NOTE)
        assert caught.value.exit_status == 3
    after = (job_path / "journal.jsonl").read_bytes()
    with pytest.raises(InputError, match="closed after a failed write"):
        job.append("note", NOTE)
    assert (job_path / "journal.jsonl").read_bytes() == after
    job.close()
    with Job.open(job_path, writable=True) as again:
        # A line that got to the file counts, even if its writer could not be told so.
        assert again.newest.seq in (before, before + 1)
        assert again.append("note", NOTE) == again.newest.seq
    answer = verify_job(job_path, read=read_stand_in)
    assert answer.ok, answer.first_fault
    assert not list(job_path.glob(".*.new"))


@pytest.mark.parametrize("name", ["write", "fsync", "replace"])
@pytest.mark.parametrize("after", [False, True])
def test_an_interrupted_write_leaves_a_job_that_goes_on(
    job_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, after: bool
) -> None:
    real = getattr(os, name)

    def interrupt(*values: object) -> int:
        if after:
            real(*values)
        raise KeyboardInterrupt

    with Job.open(job_path, writable=True) as job:
        before = job.newest.seq
        with monkeypatch.context() as patch:
            patch.setattr(os, name, interrupt)
            with pytest.raises(KeyboardInterrupt):
                job.append("note", NOTE)
        seq = job.append("note", {"text": "stopped by the person", "about": None})
        assert seq in (before + 1, before + 2)
        assert job.store_capture(codes(9, 0.1), 48000)
    answer = verify_job(job_path, read=read_stand_in)
    assert answer.ok, answer.first_fault


def test_a_capture_that_cannot_be_written_is_an_error_and_no_capture(
    job_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(descriptor: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    before = sorted((job_path / "captures").iterdir())
    with Job.open(job_path, writable=True) as job:
        monkeypatch.setattr(durable, "sync", fail)
        with pytest.raises(InputError, match="Input/output error"):
            job.store_capture(codes(9, 0.1), 48000)
        monkeypatch.undo()
        with pytest.raises(InputError, match="closed after a failed write"):
            job.store_capture(codes(9, 0.1), 48000)
    Job.open(job_path, writable=True).close()
    assert sorted((job_path / "captures").iterdir()) == before


def test_a_job_that_cannot_be_begun_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(path: Path, line: bytes, at: int) -> None:
        path.write_bytes(line[:10])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(durable, "append_line", fail)
    with pytest.raises(InputError, match="No space left"):
        Job.create(tmp_path / "jobs", "x", plan(), BEGIN)
    assert list((tmp_path / "jobs").iterdir()) == []


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "jobs").write_text("not a folder")
    with pytest.raises(InputError, match="cannot be written"):
        Job.create(tmp_path / "jobs", "x", plan(), BEGIN)
    with pytest.raises(InputError, match="not a job"):
        Job.open(tmp_path / "jobs", writable=False)


def test_a_read_only_job_can_be_looked_at_and_not_written(
    job_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real_open = os.open

    def refuse(path: object, flags: int, *rest: int) -> int:
        if flags & (os.O_RDWR | os.O_WRONLY | os.O_CREAT):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return real_open(path, flags, *rest)  # type: ignore[call-overload]

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(InputError, match="Read-only file system"):
        Job.open(job_path, writable=True)
    assert Job.open(job_path, writable=False).plan() == plan()
    assert verify_job(job_path, read=read_stand_in).ok


# Folders that are no job, or not one for this version


def test_missing_and_foreign_folders_are_clear_errors(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such job folder"):
        Job.open(tmp_path / "none", writable=False)
    with pytest.raises(InputError, match=r"not a job, it has no journal\.jsonl"):
        Job.open(tmp_path, writable=True)
    with pytest.raises(InputError, match="not a job"):
        verify_job(tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("text", [b"", b"\n", b"hello\n", b'{"seq":1', b"\x00" * 4096])
def test_a_journal_of_nonsense_is_damage(tmp_path: Path, text: bytes) -> None:
    (tmp_path / "journal.jsonl").write_bytes(text)
    for writable in (False, True):
        with pytest.raises(DamageError, match=r"journal\.jsonl"):
            Job.open(tmp_path, writable)
    assert not verify_job(tmp_path, read=read_stand_in).ok
    assert (tmp_path / "journal.jsonl").read_bytes() == text


@pytest.mark.parametrize("kind", ["note", "reading", "job"])
def test_a_newer_version_of_a_known_kind_needs_a_newer_levelset(job_path: Path, kind: str) -> None:
    add_raw(job_path, kind, KINDS[kind][0] + 1, {"new": "field"})
    before = (job_path / "journal.jsonl").read_bytes()
    for writable in (False, True):
        with pytest.raises(InputError, match="newer levelset"):
            Job.open(job_path, writable)
    with pytest.raises(InputError, match="newer levelset"):
        verify_job(job_path, read=read_stand_in)
    assert (job_path / "journal.jsonl").read_bytes() == before
    assert not (job_path / "lock").exists()


def test_unknown_kinds_are_kept_untouched(job_path: Path) -> None:
    data = {"anything": [1, {"deep": None}]}
    add_raw(job_path, "weather", 9, data)
    before = (job_path / "journal.jsonl").read_bytes()
    with Job.open(job_path, writable=True) as job:
        assert job.newest.kind == "weather"
        assert job.newest.data == data
        job.append("note", NOTE)
    assert (job_path / "journal.jsonl").read_bytes().startswith(before)
    answer = verify_job(job_path, read=read_stand_in)
    assert answer.ok
    assert any("weather" in note for note in answer.notes)


def test_a_damaged_job_is_shown_but_not_written_to(job_path: Path) -> None:
    journal = job_path / "journal.jsonl"
    damaged = journal.read_bytes().replace(b"Ground first.", b"Ground last..")
    journal.write_bytes(damaged)
    with pytest.raises(DamageError, match="line 2: altered"):
        Job.open(job_path, writable=True)
    assert not (job_path / "lock").exists()
    assert journal.read_bytes() == damaged
    seen = Job.open(job_path, writable=False)
    assert seen.faults[0].startswith("journal.jsonl line 2: altered")
    assert seen.plan() == plan()


def test_personal_data_are_outside_the_chain_and_can_be_erased(job_path: Path) -> None:
    assert read_customer(job_path) == {}
    before = (job_path / "journal.jsonl").read_bytes()
    write_customer(job_path, {"name": "invented person", "phone": "none"})
    assert read_customer(job_path)["name"] == "invented person"
    write_customer(job_path, {})
    assert not (job_path / "customer.json").exists()
    assert (job_path / "journal.jsonl").read_bytes() == before
    (job_path / "customer.json").write_text("[1, 2")
    with pytest.raises(InputError, match=r"customer\.json"):
        read_customer(job_path)
    assert verify_job(job_path, read=read_stand_in).ok


def test_a_long_job_stays_consistent_over_many_openings(tmp_path: Path) -> None:
    path = build_job(tmp_path)
    tick = clock(datetime(2031, 6, 1, tzinfo=UTC))
    for number in range(20):
        with Job.open(path, writable=True, clock=tick) as job:
            data = reading_data(
                job, codes(100 + number, 0.1), procedure="gain", as_what="gain", channel="bass"
            )
            job.append("reading", data)
    answer = verify_job(path, read=read_stand_in)
    assert answer.ok
    assert answer.readings == 24
    assert answer.captures == 24
