"""Target voltage from rated power and load."""

from __future__ import annotations

import click

from levelset.cli.common import print_json


@click.command()
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
        print_json(
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
    elif supply is not None:
        click.echo(f"clips from   not known at {supply:g} V: give --rated-supply too")
    elif rated_supply is not None:
        click.echo("clips from   not known at the car: give --supply too")
    click.echo(f"set tone      {result.tone_dbfs:8.1f} dBFS")
