"""The records."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from levelset.cli.common import EXIT_NO, AnyPath, print_json, require_folder


@click.group(no_args_is_help=False)
def job() -> None:
    r"""Find, show, verify, add to and pass on job records.

    \b
    Example:
      levelset job verify ~/Documents/levelset/2026-11-03-bass
    """


@job.command("list")
@click.argument("words", nargs=-1)
@click.option("--vehicle", default="", help="Part of the vehicle or the title.")
@click.option("--customer", default="", help="Part of the personal data.")
@click.option("--equipment", default="", help="Part of a name in the plan or a calibration.")
@click.option("--since", default="", help="First day: 2026, 2026-11 or 2026-11-03.")
@click.option("--until", default="", help="Last day, in the same way.")
@click.option("--jobs", type=AnyPath(), help="Folder with the jobs.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_list(
    words: tuple[str, ...],
    vehicle: str,
    customer: str,
    equipment: str,
    since: str,
    until: str,
    jobs: Path | None,
    as_json: bool,
) -> None:
    r"""List the jobs, newest first; those that hold every one of WORDS, if there are any.

    \b
    Example:
      levelset job list
      levelset job list estate --since 2026-11
    """
    from levelset.record.search import Wanted, find_jobs
    from levelset.record.store import list_jobs

    require_folder(jobs)
    wanted = Wanted(words, vehicle, customer, equipment, since, until)
    every = list_jobs(jobs)
    rows = find_jobs(every, wanted)
    if as_json:
        print_json({"schema": "levelset.job_list.v1", "jobs": [row.as_json() for row in rows]})
        return
    if not every:
        click.echo("No jobs yet: `levelset demo` makes one on an invented car.")
    elif not rows:
        click.echo(f"None of {len(every)} jobs fits.")
    for row in rows:
        click.echo(row.line())


@job.command("new")
@click.argument("plan", type=AnyPath())
@click.option("--jobs", type=AnyPath(), help="Folder for the job record.")
def job_new(plan: Path, jobs: Path | None) -> None:
    r"""Make a job from a plan file and print its folder.

    \b
    Example:
      levelset job new plan.toml
    """
    from levelset.session import new_job

    click.echo(new_job(plan, jobs))


@job.command("show")
@click.argument("folder")
@click.option(
    "--explain",
    type=int,
    metavar="SEQ",
    help="Uncertainty of one accepted reading, line by line.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_show(folder: str, explain: int | None, as_json: bool) -> None:
    r"""Show what one job holds.

    \b
    Example:
      levelset job show ~/Documents/levelset/2026-11-03-bass
      levelset job show ~/Documents/levelset/2026-11-03-bass --explain 42
    """
    from levelset.record.store import find_job

    if explain is not None:
        from levelset.record.explanation import explain_reading

        explanation = explain_reading(find_job(folder), explain)
        if as_json:
            print_json(explanation.as_json())
        else:
            click.echo(explanation.text())
        return
    from levelset.record.summary import summarise

    summary = summarise(find_job(folder))
    if as_json:
        print_json(summary.as_json())
    else:
        click.echo(summary.text())


@job.command("verify")
@click.argument("folder")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_verify(folder: str, as_json: bool) -> None:
    r"""Check a record: the chain, every capture, every reading computed again.

    \b
    Example:
      levelset job verify ~/Documents/levelset/2026-11-03-bass
    """
    from levelset.record.store import find_job
    from levelset.record.verification import verify_job

    result = verify_job(find_job(folder))
    if as_json:
        print_json(result.as_json())
    else:
        click.echo(result.text())
    if not result.ok:
        sys.exit(EXIT_NO)
