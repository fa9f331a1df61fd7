"""The whole job on the simulated car."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from levelset.cli.common import EXIT_NO, AnyPath, open_screen, print_json, why_it_ended
from levelset.errors import UsageError

if TYPE_CHECKING:
    from levelset.procedures.facts import StepResult


@click.command()
@click.option("--hands-free", is_flag=True, help="Simulated hands do the whole job.")
@click.option("--car", type=AnyPath(), help="Car file (TOML); the invented car otherwise.")
@click.option("--jobs", type=AnyPath(), help="Folder for the job record.")
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
        open_screen(lambda: open_demo_session(car, jobs, seed=seed, fast=False))
        return
    session = open_demo_session(car, jobs, seed=seed, fast=fast)
    try:
        steps = session.run(session.simulated_hands, on_step=None if as_json else _print_step)
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
    else:
        if ended := why_it_ended(steps):
            click.echo(ended)
        click.echo(f"Record: {session.job_path}")
    if any(step.outcome not in ("accepted", "limited") for step in steps):
        sys.exit(EXIT_NO)


def _print_step(step: StepResult) -> None:
    from levelset.tui.renderables.wording import procedure_words

    where = "" if step.channel is None else f"{step.channel}: "
    click.echo(f"{where}{procedure_words(step.procedure)}: {step.outcome}. {step.sentence}")
