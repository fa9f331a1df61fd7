"""What a person adds to a record: remarks, photographs, personal data."""

from __future__ import annotations

from pathlib import Path

import click

from levelset.cli.common import AnyPath, print_json
from levelset.errors import UsageError


@click.command("note")
@click.argument("folder")
@click.argument("text")
@click.option("--about", type=int, metavar="SEQ", help="Line that it corrects or explains.")
def job_note(folder: str, text: str, about: int | None) -> None:
    r"""Add a remark to a record. It stays there: write no personal data in it.

    \b
    Example:
      levelset job note ~/Documents/levelset/2026-11-03-estate "fuse holder renewed" --about 42
    """
    from levelset.record.attachments import add_note
    from levelset.record.job import Job
    from levelset.record.store import find_job

    with Job.open(find_job(folder), writable=True) as job:
        click.echo(f"line {add_note(job, text, about)}")


@click.command("attach")
@click.argument("folder")
@click.argument("file", type=AnyPath())
@click.option("--text", default="", help="What it shows.")
@click.option("--about", type=int, metavar="SEQ", help="Line that it belongs to.")
def job_attach(folder: str, file: Path, text: str, about: int | None) -> None:
    r"""Add a photograph (JPEG or PNG, up to 20 MB); place, time and camera are left out of it.

    \b
    Example:
      levelset job attach ~/Documents/levelset/2026-11-03-estate wiring.jpg --text "amplifier"
    """
    from levelset.record.attachments import attach
    from levelset.record.job import Job
    from levelset.record.store import find_job

    with Job.open(find_job(folder), writable=True) as job:
        click.echo(f"line {attach(job, file, text, about)}")


@click.command("detach")
@click.argument("folder")
@click.argument("seq", type=int)
@click.option("--text", default="", help="Why.")
def job_detach(folder: str, seq: int, text: str) -> None:
    r"""Take a photograph out of a record again; its line stays, and the record holds.

    \b
    Example:
      levelset job detach ~/Documents/levelset/2026-11-03-estate 43
    """
    from levelset.record.attachments import remove_attachment
    from levelset.record.job import Job
    from levelset.record.store import find_job

    with Job.open(find_job(folder), writable=True) as job:
        remove_attachment(job, seq, text)
    click.echo(f"the photograph of line {seq} is gone")


@click.command("customer")
@click.argument("folder")
@click.argument("fields", nargs=-1, metavar="[NAME=VALUE]...")
@click.option("--erase", is_flag=True, help="Erase all of it, and the reports that show it.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_customer(folder: str, fields: tuple[str, ...], erase: bool, as_json: bool) -> None:
    r"""Show, set or erase the personal data of a job; the record itself never holds them.

    \b
    Example:
      levelset job customer ~/Documents/levelset/2026-11-03-estate name="A. Customer" phone=555
      levelset job customer ~/Documents/levelset/2026-11-03-estate --erase
    """
    from levelset.record.customer import change_customer, erase_customer, read_customer
    from levelset.record.folder import require_job
    from levelset.record.store import find_job

    job = find_job(folder)
    require_job(job)
    if erase and fields:
        raise UsageError("--erase takes no fields", "set fields or erase them")
    if erase:
        gone = erase_customer(job)
        click.echo(f"erased: {', '.join(gone) or 'nothing was there'}", err=as_json)
    pairs = [field.partition("=") for field in fields]
    for name, sign, _ in pairs:
        if not sign:
            raise UsageError(f"{name!r:.60} is no field", "write it as name=value")
    if pairs:
        data = change_customer(job, {name.strip(): value.strip() for name, _, value in pairs})
    else:
        data = read_customer(job)
    if as_json:
        print_json({"schema": "levelset.customer.v1", "customer": data})
        return
    for name, value in data.items():
        click.echo(f"{name:<13} {value}")
