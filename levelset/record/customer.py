"""Personal data of a job: a file of its own outside the chain, so that it can be erased."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from levelset.errors import InputError
from levelset.record import durable
from levelset.record.folder import not_writable

CUSTOMER = "customer.json"


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
