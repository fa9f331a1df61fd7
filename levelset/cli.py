"""The command line: one function a command, everything heavy imported inside."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from levelset import __version__
from levelset.errors import Interrupted, LevelsetError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from levelset.procedures.facts import StepResult
    from levelset.session import Session

EXIT_NO = 1


@click.group(
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="levelset")
@click.pass_context
def cli(context: click.Context) -> None:
    r"""Set, check and document amplifier levels in a vehicle.

    Without a command: the terminal screen with the list of jobs.

    \b
    Example:
      levelset demo --hands-free
    """
    if context.invoked_subcommand is None:
        _open_screen(None)


@cli.command()
@click.option("--hands-free", is_flag=True, help="Simulated hands do the whole job.")
@click.option(
    "--car", type=click.Path(path_type=Path), help="Car file (TOML); the invented car otherwise."
)
@click.option("--jobs", type=click.Path(path_type=Path), help="Folder for the job record.")
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of noise and hands.")
@click.option("--fast", is_flag=True, help="Do not wait for real time (with --hands-free).")
@click.option("--json", "as_json", is_flag=True, help="Print the steps as JSON.")
def demo(
    hands_free: bool, car: Path | None, jobs: Path | None, seed: int, fast: bool, as_json: bool
) -> None:
    r"""Go through a whole job on an invented car.

    \b
    Example:
      levelset demo
      levelset demo --hands-free --fast --json
    """
    if (fast or as_json) and not hands_free:
        raise UsageError("--fast and --json belong to --hands-free", "add --hands-free")
    from levelset.session import open_demo_session

    if not hands_free:
        _open_screen(lambda: open_demo_session(car, jobs, seed=seed, fast=False))
        return
    session = open_demo_session(car, jobs, seed=seed, fast=fast)
    try:
        steps = session.run(session.simulated_hands, on_step=None if as_json else _print_step)
    finally:
        session.close()
    if as_json:
        _print_json(
            {
                "schema": "levelset.job_result.v1",
                "job": str(session.job_path),
                "steps": [step.as_json() for step in steps],
            }
        )
    else:
        click.echo(f"Record: {session.job_path}")
    if any(step.outcome not in ("accepted", "limited") for step in steps):
        sys.exit(EXIT_NO)


@cli.command()
@click.option("--power", type=float, required=True, help="Rated power, W.")
@click.option("--load", required=True, help="Load: 4, 4+4 (series), 4||4 (parallel), brackets.")
@click.option("--supply", type=float, help="Supply voltage at the car, V.")
@click.option("--rated-supply", type=float, help="Supply voltage of the rating, V.")
@click.option("--overlap", type=float, default=0.0, show_default=True, help="Gain overlap, dB.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def target(
    power: float,
    load: str,
    supply: float | None,
    rated_supply: float | None,
    overlap: float,
    as_json: bool,
) -> None:
    r"""Target voltage from rated power and load.

    \b
    Example:
      levelset target --power 250 --load "4||4" --supply 12.6 --rated-supply 14.4
    """
    from levelset.plan.load import net_load_ohm
    from levelset.plan.target import target as target_of

    result = target_of(
        power,
        net_load_ohm(load),
        supply_v=supply,
        rated_supply_v=rated_supply,
        overlap_db=overlap,
    )
    if as_json:
        _print_json(
            {
                "schema": "levelset.target.v1",
                "net_load_ohm": result.net_load_ohm,
                "power_w": result.power_w,
                "target_volts_rms": result.volts_rms,
                "clean_volts_rms": result.clean_volts_rms,
                "tone_dbfs": result.tone_dbfs,
                "expected_clip_volts_rms": result.expected_clip_volts_rms,
            }
        )
        return
    click.echo(f"net load      {result.net_load_ohm:8.3f} ohm")
    click.echo(f"target        {result.volts_rms:8.2f} V RMS for {result.power_w:g} W")
    click.echo(
        f"clips from    {result.clean_volts_rms:8.2f} V RMS where it just meets a 1 % THD rating"
    )
    if result.expected_clip_volts_rms is not None:
        click.echo(f"clips from    {result.expected_clip_volts_rms:8.2f} V RMS at {supply:g} V")
    click.echo(f"set tone      {result.tone_dbfs:8.1f} dBFS")


@cli.group()
def job() -> None:
    r"""List, show and verify job records.

    \b
    Example:
      levelset job verify ~/Documents/levelset/2026-11-03-bass
    """


@job.command("list")
@click.option("--jobs", type=click.Path(path_type=Path), help="Folder with the jobs.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_list(jobs: Path | None, as_json: bool) -> None:
    r"""List the jobs, newest first.

    \b
    Example:
      levelset job list
    """
    from levelset.record.store import list_jobs

    rows = list_jobs(jobs)
    if as_json:
        _print_json({"schema": "levelset.job_list.v1", "jobs": [row.as_json() for row in rows]})
        return
    if not rows:
        click.echo("No jobs yet: `levelset demo` makes one on an invented car.")
    for row in rows:
        click.echo(row.line())


@job.command("show")
@click.argument("folder")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def job_show(folder: str, as_json: bool) -> None:
    r"""Show what one job holds.

    \b
    Example:
      levelset job show ~/Documents/levelset/2026-11-03-bass
    """
    from levelset.record.store import find_job
    from levelset.record.summary import summarise

    summary = summarise(find_job(folder))
    if as_json:
        _print_json(summary.as_json())
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
        _print_json(result.as_json())
    else:
        click.echo(result.text())
    if not result.ok:
        sys.exit(EXIT_NO)


def main() -> None:
    """Run the command line with the exit status and the error line of the contract."""
    try:
        # Not cli.main(): it would print an empty line of its own after Ctrl-C.
        context = cli.make_context("levelset", sys.argv[1:])
        with context:
            cli.invoke(context)
    except LevelsetError as error:
        _fail(error)
    except click.exceptions.Exit as end:
        sys.exit(end.exit_code)
    except (click.Abort, KeyboardInterrupt):
        _fail(Interrupted("stopped by the person", "start again when ready"))
    except click.ClickException as error:
        where = getattr(error, "ctx", None)
        path = "levelset" if where is None else where.command_path
        what = " ".join(error.format_message().split()).rstrip(".")
        _fail(UsageError(what, f"see {path} --help"))
    except BrokenPipeError:
        sys.exit(0)


def _fail(error: LevelsetError) -> NoReturn:
    click.echo(error.line(), err=True)
    sys.exit(error.exit_status)


def _print_json(value: dict[str, Any]) -> None:
    click.echo(json.dumps(value, allow_nan=False))


def _print_step(step: StepResult) -> None:
    where = "" if step.channel is None else f" · {step.channel}"
    click.echo(f"{step.procedure}{where}: {step.outcome}. {step.sentence}")


def _open_screen(start: Callable[[], Session] | None) -> None:
    """Open the terminal screen, on a session if one is given."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError(
            "the screen needs a terminal",
            "run it in one, or use a command such as levelset demo --hands-free",
        )
    from levelset.record.store import list_jobs
    from levelset.session import open_demo_session
    from levelset.tui.app import LevelsetApp

    session = None if start is None else start()
    LevelsetApp(
        open_demo=lambda: open_demo_session(None, None, seed=1, fast=False),
        list_jobs=list_jobs,
        start=session,
    ).run()
