"""Finding jobs by words, vehicle, customer, equipment and date."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, TypeVar

from levelset.errors import InputError, UsageError
from levelset.record.customer import read_customer
from levelset.record.summary import JobRow

if TYPE_CHECKING:
    from pathlib import Path

Row = TypeVar("Row", bound=JobRow)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to look for; everything that is given must fit.

    Parameters
    ----------
    words : tuple of str
        Each must occur in title, vehicle, equipment, folder name, date or personal data.
    vehicle, customer, equipment : str
        Must occur in vehicle or title, in the personal data, in the names of equipment.
    since, until : str
        First and last day of creation, UTC: a year, a month or a day, such as ``2026-11``.
    """

    words: tuple[str, ...] = ()
    vehicle: str = ""
    customer: str = ""
    equipment: str = ""
    since: str = ""
    until: str = ""

    def __post_init__(self) -> None:
        for day in (self.since, self.until):
            if day and not _is_date(day):
                raise UsageError(
                    f"{day!r:.40} is no date", "write it as 2026, 2026-11 or 2026-11-03"
                )


def find_jobs(rows: Iterable[Row], wanted: Wanted) -> list[Row]:
    """Return the jobs that fit, in the order in which they were given.

    Case and accents make no difference. Personal data are read from each job's own file, so that
    they are nowhere else.

    Parameters
    ----------
    rows : iterable of JobRow
        Jobs to look through.
    wanted : Wanted
        What to look for.
    """
    words = [plain(word) for word in wanted.words]
    vehicle, customer, equipment = map(plain, (wanted.vehicle, wanted.customer, wanted.equipment))
    found = []
    for row in rows:
        day = row.created[:10]
        if wanted.since and day < wanted.since:
            continue
        if wanted.until and day[: len(wanted.until)] > wanted.until:
            continue
        is_vehicle = plain(f"{row.vehicle}\n{row.title}")
        has = plain("\n".join(row.equipment))
        if vehicle not in is_vehicle or equipment not in has:
            continue
        if words or customer:
            belongs_to = plain("\n".join(_customer_words(row.path)))
            if customer not in belongs_to:
                continue
            text = "\n".join((is_vehicle, has, belongs_to, plain(row.path.name), day))
            if not all(word in text for word in words):
                continue
        found.append(row)
    return found


def plain(text: str) -> str:
    """Return a text without case and accents."""
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(c for c in apart if not unicodedata.combining(c))


def _customer_words(job: Path) -> Sequence[str]:
    try:
        data = read_customer(job)
    except InputError:
        return ()
    return [str(value) for value in data.values()]


def _is_date(text: str) -> bool:
    """Tell whether a text is a year, a month or a day of the calendar."""
    if not re.fullmatch(r"\d{4}(-\d\d(-\d\d)?)?", text):
        return False
    try:
        date.fromisoformat(text + "-01-01"[len(text) - 4 :])
    except ValueError:
        return False
    return True
