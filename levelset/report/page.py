"""The report of a job: everything arranged for reading, then one page of HTML."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from levelset.errors import InputError
from levelset.record import durable
from levelset.record.confirmation import unconfirmed_note
from levelset.record.customer import REPORTS
from levelset.report.captures import capture_fault
from levelset.report.compare import Comparison
from levelset.report.dossier import Dossier, read_dossier
from levelset.report.figures import evidence_of
from levelset.report.headline import Headline, State, headline
from levelset.report.missing import ALWAYS, not_recorded
from levelset.report.render import render
from levelset.report.shop import shop_page
from levelset.report.values import fields_of, value_text
from levelset.report.words import INVENTED, NOT_WHO, day_text, hash_rows, joined, time_text


def make_report(path: Path, *, short: bool) -> tuple[str, Dossier]:
    """Return the report of the job in a folder as one page of HTML.

    Parameters
    ----------
    path : Path
        Folder of the job; nothing in it is changed.
    short : bool
        The page for the customer instead of the full one for the shop.

    Returns
    -------
    page : str
        Without script and without any address outside itself; text of the record is escaped.
    dossier : Dossier
        What it was made from.

    Raises
    ------
    InputError
        If there is no job in the folder, or a newer levelset is needed.
    DamageError
        If its first line cannot be read.
    """
    dossier = read_dossier(path)
    context = _common(dossier)
    context |= _short(dossier) if short else shop_page(dossier)
    return render("short.html" if short else "full.html", context), dossier


def write_report(path: Path, out: Path | None, *, short: bool) -> tuple[Path, Dossier]:
    """Write the report of a job and return where it is; the record itself gets no line.

    Parameters
    ----------
    path : Path
        Folder of the job.
    out : Path or None
        The file; ``report.html`` or ``report-short.html`` in the folder by default. An older
        one is replaced as a whole.
    short : bool
        As in `make_report`.

    Raises
    ------
    InputError
        If the job cannot be read or the file cannot be written.
    """
    page, dossier = make_report(path, short=short)
    target = path / REPORTS[short] if out is None else out
    _write(target, page)
    return target, dossier


# What both pages say.


def _common(dossier: Dossier) -> dict[str, Any]:
    plan = dossier.plan
    headlines = [headline(dossier, channel) for channel in plan.channels]
    return {
        "title": dossier.head.title,
        "vehicle": plan.vehicle,
        "invented": INVENTED if plan.invented else "",
        "begun": day_text(dossier.lines[0].time),
        "ended": time_text(dossier.newest.time),
        "state": _state(dossier, headlines),
        "warnings": _warnings(dossier),
        "headlines": headlines,
        "source": _source(dossier),
        "customer": fields_of(dossier.customer),
        "missing": not_recorded(dossier),
        "never": ALWAYS,
        "seq": dossier.newest.seq,
        "sha256": dossier.newest.sha256,
        "hash_rows": hash_rows(dossier.newest.sha256),
        "not_who": NOT_WHO,
        "levelset": dossier.head.levelset,
    }


def _state(dossier: Dossier, headlines: list[Headline]) -> State:
    if dossier.faults:
        return State("bad", "the record does not hold")
    names = [line.name for line in headlines if not line.volts]
    if names:
        return State("open", f"not finished: {joined(names)} not set")
    if any(check.mood == "bad" for line in headlines for check in line.checks):
        return State("bad", "look again")
    verify = dossier.last_step("verify", None)
    gains = [step.seq for step in dossier.steps if step.data.procedure == "gain"]
    if verify is None or not verify.data.done or verify.seq < max(gains, default=0):
        return State("open", "every channel set, not yet verified")
    return State("good", "every channel set and verified")


def _warnings(dossier: Dossier) -> list[str]:
    found = [f"The record does not hold: {fault}." for fault in dossier.faults]
    for sha256 in dict.fromkeys(line.data.get("capture") for line in dossier.lines):
        if isinstance(sha256, str) and (fault := capture_fault(dossier.path, sha256)):
            found.append(f"The record does not hold: {fault}, {sha256[:16]}….")
    if dossier.unconfirmed:
        found.append(f"{unconfirmed_note(sorted(dossier.unconfirmed))}.".capitalize())
    return [*found, *dossier.notes]


def _source(dossier: Dossier) -> dict[str, str] | None:
    step = dossier.done_step("clean_volume", None)
    if step is None:
        return None
    return {
        "volume": value_text(step.result.get("volume"), ""),
        "of": str(dossier.plan.source.max_volume),
        "volts": value_text(step.result.get("volts_rms"), "V RMS"),
        "thd": value_text(step.result.get("thd_percent"), "%"),
    }


# The page for the customer.


def _short(dossier: Dossier) -> dict[str, Any]:
    waves = {}
    for channel in dossier.plan.channels:
        one = evidence_of(dossier, dossier.done_step("gain", channel.name), full=False)
        if one is not None and one.figures:
            waves[channel.name] = one.figures[0]
    return {"waves": waves}


def write_comparison(comparison: Comparison, out: Path) -> None:
    """Write a comparison as a page of its own.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    context = {
        "one": comparison,
        "then_rows": hash_rows(comparison.then.head_sha256),
        "now_rows": hash_rows(comparison.now.head_sha256),
        "not_who": NOT_WHO,
    }
    _write(out, render("compare.html", context))


def _write(out: Path, page: str) -> None:
    try:
        durable.write_whole(out, page.encode())
    except OSError as error:
        what = f"{out}: cannot be written ({error.strerror or error})"
        raise InputError(what, "choose another file with --out") from error
