"""The calibration of a job, kept for other jobs."""

from __future__ import annotations

import click

from levelset.cli.common import print_json


@click.command("save")
@click.argument("folder")
@click.option("--name", required=True, help="Name of the calibration.")
@click.option("--replace", is_flag=True, help="Replace a calibration of the same name.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def calibrate_save(folder: str, name: str, replace: bool, as_json: bool) -> None:
    r"""Keep the calibration that was made in a job, with its evidence.

    \b
    Example:
      levelset calibrate save ~/Documents/levelset/2026-11-03-estate --name bench-high
      levelset run --job ~/Documents/levelset/2026-11-10-van --calibration bench-high
    """
    from levelset.record.calibrations import save_calibration
    from levelset.record.job_calibration import calibration_from_job
    from levelset.record.store import find_job

    stored, captures = calibration_from_job(find_job(folder), name)
    path = save_calibration(stored, captures, replace=replace)
    if as_json:
        print_json({**stored.as_json(), "folder": str(path)})
    else:
        click.echo(f"{stored.name}: kept with its evidence in {path}")
