"""Records in and out: archives, tables, the schema."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from levelset.cli.common import AnyPath, print_json, require_folder

FILE = AnyPath("file")


@click.command("export")
@click.argument("folder")
@click.argument("file", type=FILE)
@click.option("--with-customer", is_flag=True, help="Personal data go along.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_export(folder: str, file: Path, with_customer: bool, as_json: bool) -> None:
    r"""Write a job as one ZIP archive, after it was verified; personal data stay here.

    \b
    Example:
      levelset job export ~/Documents/levelset/2026-11-03-estate estate.zip
    """
    from levelset.record.archive import export_job
    from levelset.record.store import find_job

    answer = export_job(find_job(folder), file, with_customer=with_customer)
    if as_json:
        verification = answer.as_json()
        print_json(
            {"schema": "levelset.export.v1", "file": str(file), "verification": verification}
        )
        return
    personal = "with" if with_customer else "without"
    click.echo(f"{file}: {answer.lines} lines, {answer.captures} captures, {personal} customer")
    click.echo(f"newest line: SHA-256 {answer.head_sha256}")


@click.command("import")
@click.argument("file", type=FILE)
@click.option("--jobs", type=AnyPath(), help="Folder for the job record.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_import(file: Path, jobs: Path | None, as_json: bool) -> None:
    r"""Take a job in from an archive and verify it; nothing that is there is changed.

    \b
    Example:
      levelset job import estate.zip
    """
    from levelset.record.archive import import_job
    from levelset.record.store import jobs_folder

    found = import_job(file, jobs_folder(jobs))
    answer = found.verification
    if as_json:
        verification = answer.as_json()
        print_json(
            {"schema": "levelset.import.v1", "job": str(found.path), "verification": verification}
        )
        return
    click.echo(found.path)
    click.echo(answer.text(), err=True)


@click.command("csv")
@click.argument("folders", nargs=-1)
@click.option("--out", type=FILE, help="File to write or replace; standard output by default.")
@click.option("--jobs", type=AnyPath(), help="Folder with the jobs.")
def job_csv(folders: tuple[str, ...], out: Path | None, jobs: Path | None) -> None:
    r"""Write the accepted readings of many jobs as one table; of all jobs without FOLDERS.

    A job that cannot be read or does not hold is left out and named; the status is then 3.

    \b
    Example:
      levelset job csv --out readings.csv
    """
    from levelset.errors import InputError
    from levelset.record import durable
    from levelset.record.readings_csv import readings_csv
    from levelset.record.store import find_job, list_jobs

    require_folder(jobs)
    paths = [find_job(name, jobs) for name in folders]
    if not folders:
        paths = [row.path for row in list_jobs(jobs)]
    text, errors = readings_csv(paths)
    if out is None:
        click.echo(text, nl=False)
    else:
        try:
            durable.write_whole(out, text.encode())
        except OSError as error:
            raise InputError(
                f"{out}: cannot be written ({error.strerror or error})", "choose another file"
            ) from error
    for fault in errors:
        click.echo(fault.line(), err=True)
    if errors:
        sys.exit(errors[0].exit_status)


@click.command("schema")
def job_schema() -> None:
    r"""Print the JSON schema of a journal's lines (JSON Schema 2020-12).

    \b
    Example:
      levelset job schema > journal-schema.json
    """
    from levelset.record.schema_docs import journal_schema

    click.echo(json.dumps(journal_schema(), indent=2))
