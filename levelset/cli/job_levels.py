"""The gain structure of a job."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import click

from levelset.cli.common import print_json

WIDTH = 100


@click.command("levels")
@click.argument("folder")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_levels(folder: str, as_json: bool) -> None:
    r"""Show every stage from recording to loudspeaker in volts and decibels.

    A star marks what is planned and not measured yet.

    \b
    Example:
      levelset job levels ~/Documents/levelset/2026-11-03-bass
    """
    from levelset.record.store import find_job
    from levelset.session import job_levels as levels_of
    from levelset.tui.renderables.gain_structure import levels_page

    chains = levels_of(find_job(folder))
    if as_json:
        rows: list[dict[str, Any]] = []
        for chain in chains:
            row = asdict(chain)
            for stage, one in zip(row["stages"], chain.stages, strict=True):
                stage["headroom_db"] = one.headroom_db
            rows.append(row)
        print_json({"schema": "levelset.levels.v1", "channels": rows})
        return
    for line in levels_page(chains, WIDTH):
        click.echo(line)
