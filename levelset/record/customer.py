"""Personal data of a job: a file of its own outside the chain, so that it can be erased."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from levelset.errors import InputError, UsageError
from levelset.record import durable
from levelset.record.folder import not_writable

CUSTOMER = "customer.json"
REPORTS = ("report.html", "report-short.html")
"""Pages made of a job: they show the personal data and can be made again at any time."""
LONGEST = 400


def read_customer(job: Path) -> dict[str, Any]:
    """Return the personal data of the job in a folder, empty where there are none.

    Raises
    ------
    InputError
        If the file is there and cannot be used.
    """
    path = job / CUSTOMER
    todo = "correct the file or remove it"
    try:
        data = json.loads(path.read_bytes())
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: {error}", todo) from error
    if not isinstance(data, dict):
        raise InputError(f"{path}: not a JSON object", todo)
    return data


def change_customer(job: Path, fields: Mapping[str, str]) -> dict[str, Any]:
    """Set some fields of the personal data, or take out those that are empty; return them all.

    Raises
    ------
    UsageError
        If a field cannot be used.
    InputError
        If the folder cannot be written, or the file there cannot be used.
    """
    data = read_customer(job)
    for name, value in fields.items():
        for text, what in ((name, "name of a field"), (value, f"field {name!r:.40}")):
            if not text.isprintable() or len(text) > LONGEST:
                todo = f"give up to {LONGEST} printable characters on one line"
                raise UsageError(f"the {what} cannot be used", todo)
        if not name:
            raise UsageError("a field has no name", "write it as name=value")
        data[name] = value
    data = {name: value for name, value in data.items() if value != ""}
    write_customer(job, data)
    return data


def erase_customer(job: Path) -> list[str]:
    """Erase the personal data of a job and the pages that show them; the record stays as it is.

    Returns
    -------
    list of str
        Names of the files that were removed.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    gone = []
    try:
        for path in (job / CUSTOMER, *(job / name for name in REPORTS)):
            for one in (path, *job.glob(f".{path.name}.*.new")):
                if one.exists():
                    one.unlink()
                    gone.append(one.name)
        durable.sync_folder(job)
    except OSError as error:
        raise not_writable(job, error) from error
    return gone


def write_customer(job: Path, data: dict[str, Any]) -> None:
    """Replace the personal data of a job; an empty dict erases them. The record stays as it is.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    path = job / CUSTOMER
    try:
        if data:
            text = json.dumps(data, ensure_ascii=False, allow_nan=False, indent=2)
            durable.write_whole(path, text.encode() + b"\n")
        else:
            path.unlink(missing_ok=True)
    except OSError as error:
        raise not_writable(job, error) from error
