"""A job as one file: an archive that anybody can open, with the answer of its verification.

The archive is a ZIP file whose members are stored as they are, in order of name and without times,
so that the same job gives the same bytes. What is taken in is never trusted: every name must be
one that a job has, sizes must add up to the file, and the job must hold before it gets its place.
"""

from __future__ import annotations

import json
import re
import shutil
import struct
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from levelset.errors import DamageError, InputError
from levelset.record import durable
from levelset.record.attachments import ATTACHMENTS, attachments, file_name
from levelset.record.customer import CUSTOMER, read_customer
from levelset.record.folder import CAPTURES, folder_name, new_folder
from levelset.record.job import Job
from levelset.record.journal import HEAD, JOURNAL
from levelset.record.verification import Verification, verify_job

if TYPE_CHECKING:
    from levelset.record.readings_again import ReadTips

VERIFICATION = "verification.json"
MOST_MEMBERS = 20_000
MOST_BYTES = 8_000_000_000
_TIME = (1980, 1, 1, 0, 0, 0)
"""The earliest time that a ZIP file can hold."""
_MEMBER = re.compile(
    r"journal\.jsonl|head\.json|customer\.json|verification\.json|captures/[0-9a-f]{64}\.flac"
    r"|attachments/[0-9a-f]{64}\.(jpg|png)|set-aside-after-line-\d{1,9}(-\d{1,4})?\.txt"
)
_BLOCK = 1 << 20
_BROKEN = (
    zipfile.BadZipFile,
    struct.error,
    EOFError,
    IndexError,
    NotImplementedError,
    OverflowError,
    RuntimeError,
    ValueError,
)
"""What the standard library raises on an archive that is none."""


@dataclass(frozen=True, slots=True)
class Imported:
    """A job that was taken in.

    Parameters
    ----------
    path : Path
        Its new folder.
    verification : Verification
        That it holds, and what is worth knowing.
    """

    path: Path
    verification: Verification


def export_job(
    job: Path, file: Path, *, with_customer: bool = False, read: ReadTips | None = None
) -> Verification:
    """Write a job that holds as one archive.

    Parameters
    ----------
    job : Path
        Folder of the job; nothing in it is changed.
    file : Path
        The archive; it must not exist.
    with_customer : bool
        Whether the personal data go along.
    read : callable or None
        As in `verify_job`.

    Raises
    ------
    DamageError
        If the job does not hold.
    InputError
        If the file exists or cannot be written, or there is no job.
    """
    if file.exists():
        raise InputError(f"{file}: exists already", "choose another name")
    answer = verify_job(job, read=read)
    if not answer.ok:
        raise DamageError(
            f"{job}: does not hold, {answer.first_fault}",
            "an archive is made of a whole record only: copy the folder as it is",
        )
    if with_customer:
        read_customer(job)
    folder = job.resolve().name
    new = file.with_name(f".{file.name}.new")
    try:
        with zipfile.ZipFile(new, "w", zipfile.ZIP_STORED) as archive:
            for name, path in _members(job, with_customer=with_customer):
                info = _info(f"{folder}/{name}")
                with open(path, "rb") as source, archive.open(info, "w", force_zip64=True) as to:
                    shutil.copyfileobj(source, to, _BLOCK)
            text = json.dumps(answer.as_json(), indent=2).encode() + b"\n"
            archive.writestr(_info(f"{folder}/{VERIFICATION}"), text)
        with open(new, "r+b") as written:
            durable.sync(written.fileno())
        durable.replace(new, file)
    except OSError as error:
        raise InputError(
            f"{file}: cannot be written ({error.strerror or error})",
            "make room or choose another folder",
        ) from error
    finally:
        new.unlink(missing_ok=True)
    return answer


def _members(job: Path, *, with_customer: bool) -> Iterator[tuple[str, Path]]:
    """Yield every file that belongs to the record: its lines, and what they name."""
    record = Job.open(job, writable=False)
    names = {JOURNAL, HEAD}
    if with_customer:
        names.add(CUSTOMER)
    names |= {
        f"{CAPTURES}/{line.data['capture']}.flac"
        for line in record.lines()
        if isinstance(line.data.get("capture"), str)
    }
    names |= {
        f"{ATTACHMENTS}/{file_name(one.data)}" for one in attachments(record) if not one.removed
    }
    names |= {path.name for path in job.glob("set-aside-after-line-*.txt")}
    for name in sorted(names):
        if _MEMBER.fullmatch(name) and (job / name).is_file():
            yield name, job / name


def _info(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, _TIME)
    info.create_system = 3  # Unix, wherever it is written
    info.external_attr = 0o100644 << 16
    return info


def import_job(file: Path, jobs: Path, *, read: ReadTips | None = None) -> Imported:
    """Take a job in from an archive; nothing that is there is changed.

    Parameters
    ----------
    file : Path
        The archive.
    jobs : Path
        Folder of jobs; made if it is missing.
    read : callable or None
        As in `verify_job`.

    Raises
    ------
    DamageError
        If the job in it does not hold, or is not the one whose verification it carries.
    InputError
        If the file is no such archive, or the job is there already.
    """
    place: Path | None = None
    try:
        with zipfile.ZipFile(file) as archive:
            name, members = _checked(file, archive)
            jobs.mkdir(parents=True, exist_ok=True)
            place = new_folder(jobs, f".{name}.taking-in")
            for member, info in members.items():
                _unpack(archive, info, place / member)
        answer = _verified(file, place, read)
        _require_new(place, jobs, answer)
        final = _move(place, jobs, name)
        place = None
    except _BROKEN as error:
        raise InputError(f"{file}: no whole archive ({error})", "copy the file again") from error
    except OSError as error:
        raise InputError(
            f"{file}: cannot be taken in ({error.strerror or error})",
            "check the file and make room in the folder of jobs",
        ) from error
    finally:
        if place is not None:
            shutil.rmtree(place, ignore_errors=True)
    return Imported(final, answer)


def _checked(file: Path, archive: zipfile.ZipFile) -> tuple[str, dict[str, zipfile.ZipInfo]]:
    """Return the folder's name and the members by their name in it, or refuse the archive."""
    infos = [info for info in archive.infolist() if not info.is_dir()]
    members: dict[str, zipfile.ZipInfo] = {}
    folders = set()
    if len(infos) > MOST_MEMBERS:
        raise _refused(file, f"it holds {len(infos)} files")
    for info in infos:
        folder, _, name = info.filename.partition("/")
        kind = info.external_attr >> 28
        if not _MEMBER.fullmatch(name) or folder in ("", ".", "..") or "\\" in folder:
            raise _refused(file, f"{info.filename!r:.80} is no file of a job")
        if kind not in (0, 0o10):  # a regular file, in the terms of Unix
            raise _refused(file, f"{info.filename!r:.80} is no ordinary file")
        if info.compress_type != zipfile.ZIP_STORED or info.flag_bits & 1:
            raise _refused(file, f"{info.filename!r:.80} is compressed or encrypted")
        if name in members:
            raise _refused(file, f"{info.filename!r:.80} is there twice")
        folders.add(folder)
        members[name] = info
    if len(folders) != 1 or JOURNAL not in members:
        raise _refused(file, "it does not hold one job")
    # Stored members that overlap would unpack to more than the file.
    size = sum(info.file_size for info in infos)
    if size > min(file.stat().st_size, MOST_BYTES):
        raise _refused(file, f"its files claim {size} bytes")
    return folder_name(folders.pop()) or "job", members


def _unpack(archive: zipfile.ZipFile, info: zipfile.ZipInfo, path: Path) -> None:
    path.parent.mkdir(exist_ok=True)
    with archive.open(info) as source, open(path, "xb") as target:
        shutil.copyfileobj(source, target, _BLOCK)
        target.flush()
        durable.sync(target.fileno())


def _verified(file: Path, place: Path, read: ReadTips | None) -> Verification:
    claimed = None
    try:
        text = (place / VERIFICATION).read_bytes()
        (place / VERIFICATION).unlink()
        claimed = json.loads(text).get("head_sha256")
    except (FileNotFoundError, ValueError, AttributeError, RecursionError):
        pass
    answer = verify_job(place, read=read)
    if not answer.ok:
        raise DamageError(
            f"{file}: the job in it does not hold, {answer.first_fault}", "ask for the file again"
        )
    if claimed != answer.head_sha256:
        raise DamageError(
            f"{file}: the job in it is not the one that was verified when it was written",
            "ask for the file again",
        )
    return answer


def _require_new(place: Path, jobs: Path, answer: Verification) -> None:
    for there in jobs.iterdir():
        head = there / HEAD
        if there == place or there.name.startswith(".") or not head.is_file():
            continue
        if str(answer.head_sha256).encode() in head.read_bytes():
            raise InputError(f"the job is there already: {there}", "nothing was changed")


def _move(place: Path, jobs: Path, name: str) -> Path:
    """Give the folder its name, or its name with a number where that is taken."""
    # An empty folder made first keeps the name: renaming replaces an empty folder only.
    path = new_folder(jobs, name)
    path.rmdir()
    place.rename(path)
    durable.sync_folder(jobs)
    return path


def _refused(file: Path, why: str) -> InputError:
    return InputError(
        f"{file}: no archive of a job, {why}",
        "make it with levelset job export; a folder that was unpacked by hand can be copied as it "
        "is",
    )
