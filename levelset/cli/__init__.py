"""The command line: a module for each group of commands, everything heavy imported inside."""

from __future__ import annotations

import io
import sys
from typing import NoReturn

import click

from levelset import __version__
from levelset.cli.calibrate import calibrate
from levelset.cli.calibrate_save import calibrate_save
from levelset.cli.common import open_screen
from levelset.cli.demo import demo
from levelset.cli.job import job
from levelset.cli.job_add import job_attach, job_customer, job_detach, job_note
from levelset.cli.job_keep import job_csv, job_export, job_import, job_schema
from levelset.cli.job_levels import job_levels
from levelset.cli.job_report import job_compare, job_report
from levelset.cli.live import devices, doctor, watch
from levelset.cli.measure import measure
from levelset.cli.plan import plan
from levelset.cli.probe import probe
from levelset.cli.run import run
from levelset.cli.signals import signals
from levelset.cli.target import target
from levelset.errors import Interrupted, LevelsetError, UsageError


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
        open_screen(None)


def _mark_examples(command: click.Command) -> None:
    """Turn the written backslash-b, after which click wraps no lines, into click's own mark."""
    command.help = (command.help or "").replace("\\b", "\b")
    for below in getattr(command, "commands", {}).values():
        _mark_examples(below)


for _command in (
    demo,
    run,
    watch,
    devices,
    doctor,
    target,
    plan,
    signals,
    measure,
    probe,
    calibrate,
    job,
):
    cli.add_command(_command)
calibrate.add_command(calibrate_save)
for _command in (
    job_levels,
    job_report,
    job_compare,
    job_note,
    job_attach,
    job_detach,
    job_customer,
    job_export,
    job_import,
    job_csv,
    job_schema,
):
    job.add_command(_command)
_mark_examples(cli)


def main() -> None:
    """Run the command line with the exit status and the error line of the contract."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A name in a script that a file or pipe cannot hold is escaped, as Python does for errors.
        sys.stdout.reconfigure(errors="backslashreplace")
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
