"""Work with a sound card: one procedure or the whole job, as plain lines or on the screen."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from levelset.cli.common import EXIT_NO, RATE_HZ, open_screen, print_json, why_it_ended
from levelset.errors import UsageError


@click.command()
@click.argument("procedure", required=False)
@click.option("--job", "folder", required=True, help="Folder of the job.")
@click.option("--channel", help="Amplifier channel, where the procedure is about one.")
@click.option("--device", help="Input device; see levelset devices.")
@click.option("--output", help="Output device for levelset's own tones; none without it.")
@click.option("--rate", type=int, default=RATE_HZ, show_default=True, help="Sample rate, Hz.")
@click.option(
    "--calibration", help="Calibration from the store to begin with; see levelset calibrate list."
)
@click.option("--screen", is_flag=True, help="Whole job on the terminal screen.")
@click.option("--json", "as_json", is_flag=True, help="Print the step as JSON.")
def run(
    procedure: str | None,
    folder: str,
    channel: str | None,
    device: str | None,
    output: str | None,
    rate: int,
    calibration: str | None,
    screen: bool,
    as_json: bool,
) -> None:
    r"""Run one procedure of a job with a sound card; without PROCEDURE the whole job.

    The whole job: checklist, calibrate, battery_touch, supply_voltage, output_kind, tap_check,
    clean_volume, processor where there is one, input_match; output_kind, gain and
    dc_offset of each channel; verify, probe_check.
    Beside it: path_check, input_level, which_wire, two_taps, response, noise, who_clipped.

    \b
    Example:
      levelset job new plan.toml
      levelset run calibrate --job ~/Documents/levelset/2026-11-03-estate --device pulse
      levelset run --job ~/Documents/levelset/2026-11-03-estate --device pulse --screen
    """
    from levelset.procedures.catalogue import CATALOGUE
    from levelset.record.store import find_job
    from levelset.session import Session, open_live_session

    if procedure is not None and procedure not in CATALOGUE:
        raise UsageError(
            f"there is no procedure {procedure!r:.40}", f"use one of {', '.join(CATALOGUE)}"
        )
    if procedure == "calibrate" and calibration is not None:
        raise UsageError("calibrate makes a calibration of its own", "leave --calibration out")
    if procedure is None and channel is not None:
        raise UsageError("--channel belongs to one procedure", "name it, such as run gain")
    if screen and (procedure is not None or as_json):
        raise UsageError("--screen is for the whole job", "leave out PROCEDURE and --json")

    def start() -> Session:
        path: Path = find_job(folder)
        return open_live_session(
            path,
            device=device,
            output=output,
            rate_hz=rate,
            channel=channel,
            calibration=calibration,
        )

    if screen:
        open_screen(start)
        return
    from levelset.cli.person import terminal_person

    session = start()
    for notice in session.notices:
        click.echo(notice, err=True)
    person = terminal_person(lambda line: click.echo(line, err=as_json))
    try:
        if procedure is None:
            steps = session.run(person)
            if ended := why_it_ended(steps):
                click.echo(ended, err=as_json)
        else:
            steps = [session.run_one(person, procedure, channel)]
    finally:
        session.close()
    if as_json:
        print_json(
            {
                "schema": "levelset.job_result.v1",
                "job": str(session.job_path),
                "steps": [step.as_json() for step in steps],
            }
        )
    if any(step.outcome not in ("accepted", "limited") for step in steps):
        sys.exit(EXIT_NO)
