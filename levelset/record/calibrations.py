"""Calibrations that outlive a job: each one a folder with its evidence.

A folder holds ``calibration.json`` and, for every touch, the raw codes of all tips as a FLAC file
that is named by its own SHA-256, so that the scale can be computed again at any time.
"""

from __future__ import annotations

import io
import shutil
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path

import msgspec

from levelset.errors import DamageError, InputError, UsageError
from levelset.record import durable
from levelset.record.folder import folder_name, new_folder, not_writable
from levelset.record.journal import digest
from levelset.record.store import data_folder
from levelset.record.stored_calibration import (
    TODO,
    StoredCalibration,
    decode_calibration,
)

FILE = "calibration.json"
LONGEST_BYTES = 1 << 20
"""A calibration.json that is larger was not written by levelset."""
LONGEST_CAPTURE_BYTES = 64 << 20
"""A capture of a few seconds is far smaller."""


def calibrations_folder() -> Path:
    """Return the folder of all calibrations, whether it exists or not."""
    return data_folder() / "calibrations"


def save_calibration(
    stored: StoredCalibration,
    captures: Sequence[bytes],
    *,
    folder: Path | None = None,
    replace: bool = False,
) -> Path:
    """Write a calibration with its evidence into a folder of its own.

    Parameters
    ----------
    stored : StoredCalibration
        The calibration.
    captures : sequence of bytes
        The FLAC files that it names, in the order of `StoredCalibration.captures`.
    folder : Path or None
        Folder of calibrations; `calibrations_folder` by default.
    replace : bool
        Whether one of the same name may be replaced.

    Returns
    -------
    Path
        Its folder.

    Raises
    ------
    UsageError
        If there is one of this name, or the name has no letter or digit.
    InputError
        If the folder cannot be written.
    ValueError
        If the captures are not those of the touches: a fault of the caller.
    """
    if tuple(digest(data) for data in captures) != stored.captures:
        raise ValueError("the captures are not those that the touches name")
    parent = calibrations_folder() if folder is None else folder
    plain = folder_name(stored.name)
    if not plain:
        raise UsageError(
            f"name {stored.name!r:.40} of the calibration is not usable", "use letters or digits"
        )
    path = parent / plain
    if path.exists() and not replace:
        raise UsageError(
            f"there is a calibration named {stored.name!r} already ({path})",
            "choose another name, or replace it with --replace",
        )
    try:
        parent.mkdir(parents=True, exist_ok=True)
        # Whole under a hidden name first, so that there is never half a calibration.
        new = new_folder(parent, f".{plain}.new")
        try:
            for data, capture in zip(captures, stored.captures, strict=True):
                if not (new / f"{capture}.flac").exists():
                    durable.write_new(new / f"{capture}.flac", data)
            text = msgspec.json.format(msgspec.json.encode(stored.as_json()), indent=2)
            durable.write_new(new / FILE, text + b"\n")
            durable.sync_folder(new)
            old = None
            if path.exists():
                old = new_folder(parent, f".{plain}.old")
                path.replace(old / plain)
            new.replace(path)
            durable.sync_folder(parent)
            if old is not None:
                shutil.rmtree(old)
        except BaseException:
            shutil.rmtree(new, ignore_errors=True)
            raise
    except OSError as error:
        raise not_writable(parent, error) from error
    return path


def list_calibrations(
    folder: Path | None = None,
) -> list[tuple[Path, StoredCalibration | InputError]]:
    """Return every calibration, newest first, and for one that cannot be read the reason."""
    parent = calibrations_folder() if folder is None else folder
    try:
        paths = [p for p in parent.iterdir() if p.is_dir() and not p.name.startswith(".")]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise InputError(f"{parent}: {error.strerror or error}", "check the folder") from error
    found: list[tuple[Path, StoredCalibration | InputError]] = []
    for path in paths:
        try:
            found.append((path, load_calibration(path)))
        except InputError as error:
            found.append((path, error))

    def newest(row: tuple[Path, StoredCalibration | InputError]) -> tuple[str, str]:
        return (getattr(row[1], "created", ""), row[0].name)

    return sorted(found, key=newest, reverse=True)


def find_calibration(name: str, folder: Path | None = None) -> Path:
    """Return the folder of a calibration that was named, also by the path of its folder.

    Raises
    ------
    InputError
        If there is none.
    """
    parent = calibrations_folder() if folder is None else folder
    plain = folder_name(name)
    try:
        if plain and (parent / plain / FILE).is_file():
            return parent / plain
        if (Path(name) / FILE).is_file():
            return Path(name)
    except (OSError, ValueError):  # too long, a zero byte
        pass
    raise InputError(
        f"{name!r:.80}: no such calibration", "`levelset calibrate list` shows what is there"
    )


def load_calibration(path: Path) -> StoredCalibration:
    """Read the calibration in a folder, strictly, and see that its captures are what they were.

    Raises
    ------
    InputError
        If it is missing, was written by a newer levelset or cannot be read.
    DamageError
        If a field is missing, unknown or impossible, or a capture is missing or altered.
    """
    file = path / FILE
    try:
        if file.stat().st_size > LONGEST_BYTES:
            raise DamageError(f"{file}: {file.stat().st_size} bytes, too large", TODO)
        raw = file.read_bytes()
    except FileNotFoundError as error:
        raise InputError(f"{path}: not a calibration, it has no {FILE}", TODO) from error
    except OSError as error:
        raise InputError(f"{file}: {error.strerror or error}", "restore access to it") from error
    stored = decode_calibration(raw, str(file))
    for capture in stored.captures:
        read_evidence(path, capture)
    return stored


def read_evidence(path: Path, capture: str) -> bytes:
    """Return a FLAC file of a calibration by its SHA-256.

    Raises
    ------
    DamageError
        If it is missing or altered.
    InputError
        If it cannot be read.
    """
    file = path / f"{capture}.flac"
    try:
        data = file.read_bytes()
    except FileNotFoundError as error:
        raise DamageError(f"{file}: missing", TODO) from error
    except OSError as error:
        raise InputError(f"{file}: {error.strerror or error}", "restore access to it") from error
    if digest(data) != capture:
        raise DamageError(f"{file}: altered, its SHA-256 is {digest(data)}", TODO)
    return data


def export_calibration(path: Path, file: Path) -> None:
    """Write the calibration in a folder, with its evidence, as one zip file.

    Raises
    ------
    InputError
        If the calibration does not hold or the file cannot be written.
    UsageError
        If the file exists.
    """
    stored = load_calibration(path)
    if file.exists():
        raise UsageError(f"{file}: exists already", "choose another name")
    content = {FILE: (path / FILE).read_bytes()}
    content |= {f"{name}.flac": read_evidence(path, name) for name in stored.captures}
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in content.items():
            archive.writestr(name, data)
    try:
        durable.write_whole(file, held.getvalue())
    except OSError as error:
        raise InputError(
            f"{file}: cannot be written ({error.strerror or error})", "choose another place"
        ) from error


def import_calibration(
    file: Path, *, folder: Path | None = None, replace: bool = False
) -> tuple[Path, StoredCalibration]:
    """Take a calibration over from its export.

    Parameters
    ----------
    file : Path
        What `export_calibration` wrote.
    folder, replace
        As in `save_calibration`.

    Returns
    -------
    path : Path
        Folder of the calibration.
    stored : StoredCalibration
        The calibration.

    Raises
    ------
    DamageError
        If its evidence is altered.
    InputError
        If the file cannot be read, or what it holds is not a calibration with its evidence.
    UsageError
        If there is a calibration of this name.
    """
    try:
        with zipfile.ZipFile(file) as archive:
            raw = _unpack(archive, file, FILE, LONGEST_BYTES)
            stored = decode_calibration(raw, f"{file}: {FILE}")
            captures = []
            for capture in stored.captures:
                name = f"{capture}.flac"
                data = _unpack(archive, file, name, LONGEST_CAPTURE_BYTES)
                if digest(data) != capture:
                    raise DamageError(f"{file}: {name} is altered", "export it again")
                captures.append(data)
    except (OSError, zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
        why = getattr(error, "strerror", None) or error
        raise InputError(f"{file}: not an export of a calibration ({why})", "check the file") from (
            error
        )
    return save_calibration(stored, captures, folder=folder, replace=replace), stored


def _unpack(archive: zipfile.ZipFile, file: Path, name: str, most: int) -> bytes:
    """Read one member without trusting what the archive says of its size."""
    try:
        with archive.open(name) as member:
            data = member.read(most + 1)
    except KeyError as error:
        raise InputError(f"{file}: holds no {name}", "export the calibration again") from error
    except RuntimeError as error:  # a password
        raise InputError(f"{file}: {name} cannot be read ({error})", "export it again") from error
    if len(data) > most:
        raise InputError(f"{file}: {name} is too large", "export the calibration again")
    return data
