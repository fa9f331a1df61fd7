"""Plans: begin with a template, see what follows from one, confirm its values."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from levelset.cli.common import EXIT_NO, AnyPath, print_json

if TYPE_CHECKING:
    from levelset.plan.job import JobPlan
    from levelset.plan.supply import Feed

WIDTH = 100


@click.group(no_args_is_help=False)
def plan() -> None:
    r"""Make and check plan files: loads, targets, supply.

    \b
    Example:
      levelset plan new "front pair and bass" plan.toml
      levelset plan show plan.toml
    """


@plan.command("new")
@click.argument("template", required=False)
@click.argument("file", required=False, type=AnyPath("file"))
def plan_new(template: str | None, file: Path | None) -> None:
    r"""Write a plan file from a template; without arguments list the templates.

    Every value of it waits for confirmation and says so until it was confirmed or changed.

    \b
    Example:
      levelset plan new "front pair and bass" plan.toml
    """
    from levelset.errors import UsageError
    from levelset.plan.plan_text import text_from_template
    from levelset.plan.templates import TEMPLATES, template_named

    if template is None:
        for one in TEMPLATES:
            click.echo(one.name)
        return
    if file is None:
        raise UsageError("there is no file to write", "name it behind the template")
    _write(file, text_from_template(template_named(template)), new=True)


@plan.command("set")
@click.argument("file", type=AnyPath("file"))
@click.argument("key")
@click.argument("value")
def plan_set(file: Path, key: str, value: str) -> None:
    r"""Change one value of a plan file; it is confirmed by that.

    \b
    Example:
      levelset plan set plan.toml channel.bass.load "2+2"
    """
    from levelset.plan.plan_text import with_value

    _change(file, with_value(_read(file), key, value))


@plan.command("confirm")
@click.argument("file", type=AnyPath("file"))
@click.argument("keys", nargs=-1)
@click.option("--all", "everything", is_flag=True, help="Confirm every value as it is.")
def plan_confirm(file: Path, keys: tuple[str, ...], everything: bool) -> None:
    r"""Confirm values of a template as they are.

    \b
    Example:
      levelset plan confirm plan.toml channel.bass.load source.max_volume
    """
    from levelset.errors import UsageError
    from levelset.plan.plan_text import confirmed

    if everything == bool(keys):
        what = "values and --all" if keys else "neither values nor --all"
        raise UsageError(what, "name the values, or take all of them by --all")
    _change(file, confirmed(_read(file), None if everything else keys))


@plan.command("show")
@click.argument("file", type=AnyPath("file"))
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def plan_show(file: Path, as_json: bool) -> None:
    r"""Show what follows from a plan: loads, targets, currents, cables, fuses; then its values.

    Exit status 1 where a cable, a fuse or a drop is not as it should be.

    \b
    Example:
      levelset plan show plan.toml
    """
    from levelset.plan.gain_structure import LevelFacts, gain_structure
    from levelset.plan.supply import CAUTIONS, feeds
    from levelset.tui.renderables.gain_structure import levels_page
    from levelset.tui.renderables.pages import plan_lines
    from levelset.tui.renderables.wording import wrapped

    found = _plan(file)
    cables = feeds(found)
    values = tomllib.loads(_read(file))
    if as_json:
        print_json({**_as_json(found, cables), "values": _named(values)})
    else:
        nothing = LevelFacts(None, {})
        chains = [gain_structure(found, channel, nothing) for channel in found.channels]
        lines = [*plan_lines(found, WIDTH), "", *levels_page(chains, WIDTH), ""]
        lines += [*_value_lines(values), ""]
        for caution in CAUTIONS if cables else ():
            lines += wrapped(caution, WIDTH)
        for line in lines:
            click.echo(line)
    if any(cable.findings for cable in cables):
        sys.exit(EXIT_NO)


def _as_json(found: JobPlan, cables: tuple[Feed, ...]) -> dict[str, Any]:
    return {
        "schema": "levelset.plan.v1",
        "vehicle": found.vehicle,
        "unconfirmed": list(found.unconfirmed),
        "channels": [
            {
                "channel": one.name,
                "amplifier": one.amplifier,
                "bridged": one.bridged,
                "load": one.load,
                "net_load_ohm": one.net_load_ohm,
                "load_per_output_ohm": one.output_load_ohm,
                "power_w": one.target.power_w,
                "target_volts_rms": one.target.volts_rms,
                "limited_by": one.target.limited_by,
                "clean_volts_rms": one.target.clean_volts_rms,
                "expected_clip_volts_rms": one.target.expected_clip_volts_rms,
                "tone_hz": one.set_tone_hz,
                "tone_dbfs": one.target.tone_dbfs,
                "match": one.match,
            }
            for one in found.channels
        ],
        "feeds": [
            {
                "feed": one.name,
                "full_power_a": one.full_a,
                "music_a": one.music_a,
                "resistance_ohm": one.ohm,
                "both_ways": one.way_back,
                "drop_v": one.drop_v,
                "drop_limit_v": one.limit_v,
                "bears_a": one.bears_a,
                "protecting_fuse_a": one.protecting_fuse_a,
                "findings": list(one.findings),
            }
            for one in cables
        ],
    }


def _named(values: dict[str, Any]) -> dict[str, Any]:
    """Return every value of a parsed plan file by its name, in the order of the file."""
    from levelset.plan.plan_keys import value_at, value_names

    return {name: value_at(values, name) for name in value_names(values)}


def _value_lines(values: dict[str, Any]) -> list[str]:
    """Return the values as `plan set` takes them, a name with blanks in quotes."""
    from levelset.plan.plan_text import shown_value, waiting

    waits = waiting(values)
    lines = ["VALUES by the names for plan set and plan confirm; * waits for confirmation"]
    for name, value in _named(values).items():
        quoted = f'"{name}"' if " " in name else name
        lines.append(f"{'*' if name in waits else ' '} {quoted} = {shown_value(value)}")
    return lines


def _plan(file: Path) -> JobPlan:
    from levelset.session import read_plan

    return read_plan(file)


def _read(file: Path) -> str:
    from levelset.toml_file import read_checked

    read_checked(file, str(file), "plan file", dict)  # says what cannot be read, and why
    return file.read_text("utf-8-sig")


def _change(file: Path, text: str) -> None:
    """Write a changed plan, if it still is one."""
    from levelset.plan.plan_file import plan_from_document

    plan_from_document(tomllib.loads(text))
    _write(file, text, new=False)


def _write(file: Path, text: str, *, new: bool) -> None:
    from levelset.errors import InputError
    from levelset.record import durable

    try:
        if new and file.exists():
            raise InputError(f"{file} is there already", "name another file")
        durable.write_whole(file.resolve(), text.encode())
    except OSError as fault:
        raise InputError(
            f"{file} cannot be written ({fault.strerror})", "name a file in a writable folder"
        ) from None
