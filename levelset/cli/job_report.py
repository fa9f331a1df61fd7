"""Pages made from records."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from levelset.cli.common import EXIT_NO, AnyPath, print_json


@click.command("report")
@click.argument("folder")
@click.option("--short", is_flag=True, help="The short page for the customer.")
@click.option(
    "--out",
    type=AnyPath("file"),
    help="File to write; report.html or report-short.html in the job by default.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_report(folder: str, short: bool, out: Path | None, as_json: bool) -> None:
    r"""Make the report of a job: one page of HTML, for a phone and for paper.

    The page needs no network and no script. It holds the customer's data. The record gets no line.

    \b
    Example:
      levelset job report ~/Documents/levelset/2026-11-03-bass
      levelset job report ~/Documents/levelset/2026-11-03-bass --short --out for-you.html
    """
    from levelset.record.store import find_job
    from levelset.report.page import write_report

    target, dossier = write_report(find_job(folder), out, short=short)
    if as_json:
        print_json(
            {
                "schema": "levelset.report.v1",
                "path": str(target),
                "short": short,
                "bytes": target.stat().st_size,
                "seq": dossier.newest.seq,
                "head_sha256": dossier.newest.sha256,
                "faults": list(dossier.faults),
            }
        )
        return
    click.echo(str(target))
    for fault in dossier.faults:
        click.echo(f"the record does not hold: {fault}", err=True)


@click.command("compare")
@click.argument("then")
@click.argument("now", required=False)
@click.option("--out", type=AnyPath("file"), help="Also write a page of HTML.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_compare(then: str, now: str | None, out: Path | None, as_json: bool) -> None:
    r"""Say what moved between two jobs, and whether beyond the uncertainty.

    With one job: what was measured last against what was set first. Status 1 if anything moved.

    \b
    Example:
      levelset job compare 2026-11-03-bass 2027-11-12-bass
      levelset job compare 2026-11-03-bass
    """
    from levelset.record.store import find_job
    from levelset.report.compare import compare_jobs
    from levelset.report.page import write_comparison

    comparison = compare_jobs(find_job(then), None if now is None else find_job(now))
    if out is not None:
        write_comparison(comparison, out)
    if as_json:
        print_json(comparison.as_json())
    else:
        click.echo(comparison.text())
    if comparison.moved:
        sys.exit(EXIT_NO)
