"""Remarks and photographs: named by a line, without particulars, and out again."""

from __future__ import annotations

import hashlib
import json
import struct
import zlib
from pathlib import Path

import pytest
from record_jobs import read_stand_in

from levelset.errors import InputError, UsageError
from levelset.record.attachments import add_note, attach, attachments, remove_attachment
from levelset.record.job import Job
from levelset.record.photograph import LARGEST_BYTES, without_particulars
from levelset.record.summary import summarise
from levelset.record.verification import verify_job

PLACE = b"51 deg 28 min north"


def segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def exif(orientation: int | None, order: str = ">") -> bytes:
    """Return an Exif segment as Exif 2.3 lays it out: TIFF header, one directory, GPS text."""
    entries = [] if orientation is None else [(0x0112, 3, 1, orientation)]
    entries.append((0x010F, 2, len(PLACE), 8 + 2 + 12 * (len(entries) + 1) + 4))
    mark = b"MM" if order == ">" else b"II"
    body = mark + struct.pack(order + "HI", 42, 8) + struct.pack(order + "H", len(entries))
    for tag, kind, count, value in entries:
        packed = (
            struct.pack(order + "HH", value, 0) if kind == 3 else struct.pack(order + "I", value)
        )
        body += struct.pack(order + "HHI", tag, kind, count) + packed
    return segment(0xE1, b"Exif\0\0" + body + bytes(4) + PLACE)


TABLES = segment(0xDB, bytes(65)) + segment(0xC0, bytes(9)) + segment(0xC4, bytes(20))
SCAN = segment(0xDA, bytes(6)) + b"\x12\xff\x00\x34\xff\xd0\x56"
JFIF = segment(0xE0, b"JFIF\0\1\1\0\0\1\0\1\0\0")


def jpeg(*extra: bytes, end: bytes = b"\xff\xd9") -> bytes:
    return b"\xff\xd8" + JFIF + b"".join(extra) + TABLES + SCAN + end


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def png(*extra: bytes) -> bytes:
    header = chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0))
    data = chunk(b"IDAT", zlib.compress(b"\0\0"))
    return b"\x89PNG\r\n\x1a\n" + header + b"".join(extra) + data + chunk(b"IEND", b"")


def test_a_jpeg_keeps_its_picture_and_nothing_else() -> None:
    extra = [exif(1), segment(0xED, PLACE), segment(0xFE, PLACE), segment(0xE2, PLACE)]
    kind, data = without_particulars(jpeg(*extra) + PLACE)
    assert kind == "image/jpeg"
    assert data == jpeg()


@pytest.mark.parametrize("order", [">", "<"])
@pytest.mark.parametrize("orientation", range(2, 9))
def test_which_side_is_up_stays(order: str, orientation: int) -> None:
    _, data = without_particulars(jpeg(exif(orientation, order)))
    assert PLACE not in data
    # TIFF 6.0, big-endian: tag 274, type SHORT, one value, left in the field.
    assert struct.pack(">HHIH", 0x0112, 3, 1, orientation) in data
    again = without_particulars(data)
    assert again == ("image/jpeg", data)


def test_a_png_keeps_its_picture_and_nothing_else() -> None:
    extra = [chunk(name, PLACE) for name in (b"tEXt", b"zTXt", b"iTXt", b"eXIf", b"tIME")]
    assert without_particulars(png(*extra) + PLACE) == ("image/png", png())
    colours = chunk(b"gAMA", struct.pack(">I", 45455))
    assert without_particulars(png(colours)) == ("image/png", png(colours))


@pytest.mark.parametrize("data", [b"", b"GIF89a", b"<svg/>", b"%PDF-1.7", b"\xff\xd8", b"MZ" * 99])
def test_other_files_are_refused(data: bytes) -> None:
    with pytest.raises(InputError, match="neither a JPEG nor a PNG"):
        without_particulars(data)


@pytest.mark.parametrize("whole", [jpeg(exif(6)), png()])
def test_a_picture_that_is_cut_off_or_damaged_is_refused(whole: bytes) -> None:
    for size in range(8, len(whole) - 1):
        with pytest.raises(InputError):
            without_particulars(whole[:size])
    with pytest.raises(InputError, match="too large"):
        without_particulars(whole + bytes(LARGEST_BYTES))


def test_a_photograph_comes_and_goes_and_the_chain_holds(job_path: Path, tmp_path: Path) -> None:
    photo = tmp_path / "engine\u202ebay.jpg"
    photo.write_bytes(jpeg(exif(6)))
    with Job.open(job_path, writable=True) as job:
        seq = attach(job, photo, "where the fuse sits", about=2)
        twin = attach(job, photo)
        (one, other) = attachments(job)
        assert (one.seq, other.seq) == (seq, twin)
        assert one.data.name == "engine_bay.jpg"
    file = job_path / "attachments" / f"{one.data.sha256}.jpg"
    assert hashlib.sha256(file.read_bytes()).hexdigest() == one.data.sha256
    assert verify_job(job_path, read=read_stand_in).attachments == 2
    assert f"seq {seq}: engine_bay.jpg" in summarise(job_path).text()
    with Job.open(job_path, writable=True) as job:
        remove_attachment(job, seq)
        assert file.exists()  # the other line names the same file
        remove_attachment(job, twin, "a person is on it")
        assert not file.exists()
        for gone in (seq, 1, 99):
            with pytest.raises(UsageError, match="no photograph that is there"):
                remove_attachment(job, gone)
    answer = verify_job(job_path, read=read_stand_in)
    assert answer.ok, answer.first_fault
    assert answer.attachments == 0


@pytest.mark.parametrize("harm", ["missing", "altered"])
def test_a_photograph_that_does_not_hold_is_a_fault(
    job_path: Path, tmp_path: Path, harm: str
) -> None:
    (tmp_path / "p.png").write_bytes(png())
    with Job.open(job_path, writable=True) as job:
        attach(job, tmp_path / "p.png")
    (file,) = (job_path / "attachments").iterdir()
    if harm == "missing":
        file.unlink()
    else:
        file.write_bytes(png() + b"x")
    answer = verify_job(job_path, read=read_stand_in)
    assert f"attachments/{file.name}: {harm}" in str(answer.first_fault)


def test_remarks(job_path: Path) -> None:
    with Job.open(job_path, writable=True) as job:
        seq = add_note(job, "  corrects it\nin two lines ", 4)
        assert job.newest.data == {"text": "corrects it\nin two lines", "about": 4}
        for text in ("", "  ", "x" * 5000, "a\x1b[31m"):
            with pytest.raises(UsageError):
                add_note(job, text)
        for about in (0, -1, seq + 1):
            with pytest.raises(UsageError, match="there is no line"):
                add_note(job, "x", about)
        assert job.newest.seq == seq


def test_a_file_that_is_no_photograph_leaves_nothing(job_path: Path, tmp_path: Path) -> None:
    (tmp_path / "x.jpg").write_text("no picture")
    before = (job_path / "journal.jsonl").read_bytes()
    with Job.open(job_path, writable=True) as job:
        for path in (tmp_path / "x.jpg", tmp_path / "none.jpg", tmp_path):
            with pytest.raises(InputError, match=path.name) as caught:
                attach(job, path)
            assert "\n" not in caught.value.line()
    assert (job_path / "journal.jsonl").read_bytes() == before
    assert not (job_path / "attachments").exists()
    assert json.loads(before.splitlines()[0])["kind"] == "job"
