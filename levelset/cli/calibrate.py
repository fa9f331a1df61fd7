"""Calibrations from recordings, and the calibrations that are kept."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from levelset.cli.common import EXIT_NO, AnyPath, print_json
from levelset.errors import InputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from levelset.probe.budget import BudgetLine
    from levelset.record.stored_calibration import StoredCalibration


@click.group(invoke_without_command=True)
@click.option("--name", help="Name of the calibration.")
@click.option(
    "--recording",
    "recordings",
    type=AnyPath(),
    multiple=True,
    help="Recording of the tips on one point; once for each --meter-volts, in the same order.",
)
@click.option(
    "--meter-volts",
    type=float,
    multiple=True,
    help="What the multimeter read on that point against the probe's ground, V RMS.",
)
@click.option("--meter-percent", type=float, help="Multimeter, AC volts: percent of reading.")
@click.option("--meter-counts", type=float, help="Multimeter: counts of the last digit.")
@click.option("--meter-resolution", type=float, help="Multimeter: last digit on that range, V.")
@click.option(
    "--meter-range-hz",
    type=float,
    nargs=2,
    help="Multimeter: lowest and highest frequency for which that holds, Hz.",
)
@click.option(
    "--true-rms/--average",
    "true_rms",
    default=None,
    help="Multimeter of true RMS, or one for sines only; without it, unknown.",
)
@click.option("--divider", type=float, help="Volts at the tip per volt at the input, by design.")
@click.option("--full-scale", type=float, help="Full scale of the input, V peak.")
@click.option(
    "--coupling-hz",
    type=float,
    multiple=True,
    help="Pole of the input's AC coupling, Hz; may be repeated; none where DC coupled.",
)
@click.option(
    "--max-volts",
    type=float,
    help="What the probe's resistors are stated for, V peak; without it what the input can read.",
)
@click.option(
    "--channel",
    "channels",
    type=int,
    multiple=True,
    help="Channel of each tip, tip A first; 1 and 2 by default, 1 of a recording with one.",
)
@click.option(
    "--device",
    default="not named",
    show_default=True,
    help="Interface and input, as you will name it again.",
)
@click.option("--probe", "probe_name", default="", help="The probe, in your words.")
@click.option("--range", "range_name", default="", help="Range of the probe, such as high.")
@click.option(
    "--ground-lead-ratio",
    type=float,
    default=0.0,
    show_default=True,
    help="Ground lead's resistor over the whole resistance of a tip, from `levelset probe`; 0 "
    "without one.",
)
@click.option(
    "--high-corner-hz",
    type=float,
    nargs=2,
    help="Upper corner of the probe and its 95 % uncertainty, Hz, by design.",
)
@click.option("--replace", is_flag=True, help="Replace a calibration of the same name.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def calibrate(context: click.Context, /, as_json: bool, replace: bool, **given: Any) -> None:
    r"""Calibrate a probe from recordings and a multimeter, without a terminal.

    Put all tips and the multimeter on the same point against the probe's ground, near 100 Hz,
    record some seconds, and give what the multimeter read. Several recordings at several levels
    measure linearity and repeatability.

    \b
    Example:
      levelset calibrate --name bench-high --device "interface, inputs 1 and 2" \
        --recording three-volts.wav --meter-volts 3.02 \
        --recording six-volts.wav --meter-volts 6.05 \
        --meter-percent 0.8 --meter-counts 3 --meter-resolution 0.01 --meter-range-hz 40 400 \
        --divider 103 --full-scale 1.5 --max-volts 200 --coupling-hz 3.3
    """
    if context.invoked_subcommand is not None:
        _no_options(context)
        return
    from levelset.record.calibrations import save_calibration

    stored, captures = _from_recordings(**given)
    path = save_calibration(stored, captures, replace=replace)
    _show(stored, path, (), as_json)


@calibrate.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def calibrate_list(as_json: bool) -> None:
    r"""List the calibrations, newest first.

    \b
    Example:
      levelset calibrate list
    """
    from levelset.record.calibrations import list_calibrations
    from levelset.record.stored_calibration import warnings

    rows = list_calibrations()
    if as_json:
        print_json(
            {
                "schema": "levelset.calibration_list.v1",
                "calibrations": [
                    {"folder": str(path), "fault": str(found)}
                    if isinstance(found, InputError)
                    else {"folder": str(path), **_summary(found), "warnings": warnings(found)}
                    for path, found in rows
                ],
            }
        )
        return
    if not rows:
        click.echo("No calibrations yet: see levelset calibrate --help.")
    for path, found in rows:
        if isinstance(found, InputError):
            click.echo(f"{'DOES NOT HOLD':<20}{path.name}: {found.what}")
            continue
        scale = found.calibration.volts_per_full_scale[0]
        click.echo(
            f"{found.created:<22}{found.name}: {scale.value:.4g} V +- {scale.u:.2g} V per full "
            f"scale, {found.set_up.device}, {found.set_up.rate_hz} Hz"
        )
        for line in (*found.self_test_lines(found.set_up.device), *warnings(found)):
            click.echo(f"{'':<22}{line}")


@calibrate.command("show")
@click.argument("name")
@click.option("--device", help="The input at hand: warns where it differs.")
@click.option("--rate", type=int, help="Its rate, Hz.")
@click.option("--range", "range_name", help="The probe's range.")
@click.option("--divider", type=float, help="The probe's divider.")
@click.option("--tips", type=int, help="Number of tips.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def calibrate_show(
    name: str,
    device: str | None,
    rate: int | None,
    range_name: str | None,
    divider: float | None,
    tips: int | None,
    as_json: bool,
) -> None:
    r"""Show a calibration, and compute it again from its evidence.

    Exit status 1 where the evidence gives something else.

    \b
    Example:
      levelset calibrate show bench-high --rate 48000
    """
    from levelset.record.calibration_evidence import check_evidence
    from levelset.record.calibrations import find_calibration, load_calibration
    from levelset.record.stored_calibration import warnings

    path = find_calibration(name)
    stored = load_calibration(path)
    differs = check_evidence(stored, path)
    set_up = stored.set_up
    found = warnings(
        stored, device=device, rate_hz=rate, range_name=range_name, divider=divider, tips=tips
    )
    at_hand = set_up.device if device is None else device
    tested = stored.self_test_lines(at_hand, rate)
    _show(stored, path, found, as_json, differs=differs, tested=tested)
    if differs:
        raise click.exceptions.Exit(EXIT_NO)


@calibrate.command("export")
@click.argument("name")
@click.argument("file", type=AnyPath())
def calibrate_export(name: str, file: Path) -> None:
    r"""Write a calibration with its evidence as one file.

    \b
    Example:
      levelset calibrate export bench-high bench-high.zip
    """
    from levelset.record.calibrations import export_calibration, find_calibration

    export_calibration(find_calibration(name), file)
    click.echo(f"Written: {file}")


@calibrate.command("import")
@click.argument("file", type=AnyPath())
@click.option("--replace", is_flag=True, help="Replace a calibration of the same name.")
def calibrate_import(file: Path, replace: bool) -> None:
    r"""Take a calibration over from its export.

    \b
    Example:
      levelset calibrate import bench-high.zip
    """
    from levelset.record.calibrations import import_calibration

    path, stored = import_calibration(file, replace=replace)
    click.echo(f"{stored.name}: {path}")


def _no_options(context: click.Context) -> None:
    """Refuse options that stand before a subcommand: they would do nothing."""
    source = click.core.ParameterSource.COMMANDLINE
    for name in context.params:
        if context.get_parameter_source(name) is source:
            raise UsageError(
                f"an option before {context.invoked_subcommand} does nothing",
                f"write options behind: levelset calibrate {context.invoked_subcommand} --help",
            )


def _from_recordings(
    *,
    name: str | None,
    recordings: tuple[Path, ...],
    meter_volts: tuple[float, ...],
    meter_percent: float | None,
    meter_counts: float | None,
    meter_resolution: float | None,
    meter_range_hz: tuple[float, float] | None,
    true_rms: bool | None,
    divider: float | None,
    full_scale: float | None,
    coupling_hz: tuple[float, ...],
    max_volts: float | None,
    channels: tuple[int, ...],
    device: str,
    probe_name: str,
    range_name: str,
    ground_lead_ratio: float,
    high_corner_hz: tuple[float, float] | None,
) -> tuple[StoredCalibration, list[bytes]]:
    from levelset.limits import require_between
    from levelset.plan.job import MeterSpec
    from levelset.quantity import Quantity
    from levelset.record.audio_files import open_recording
    from levelset.record.calibration_evidence import calibrate_recordings, touch_from_recording
    from levelset.record.stored_calibration import SetUp

    needed = {
        "--name": name,
        "--recording": recordings or None,
        "--meter-volts": meter_volts or None,
        "--meter-percent": meter_percent,
        "--meter-counts": meter_counts,
        "--meter-resolution": meter_resolution,
        "--divider": divider,
        "--full-scale": full_scale,
    }
    missing = [option for option, value in needed.items() if value is None]
    if missing:
        raise UsageError(
            f"a calibration from recordings needs {', '.join(missing)}",
            "see levelset calibrate --help",
        )
    assert name is not None
    if len(recordings) != len(meter_volts):
        raise UsageError(
            f"{len(recordings)} recordings and {len(meter_volts)} readings of the multimeter",
            "give one --meter-volts for each --recording, in the same order",
        )
    if len(channels) > 2:
        raise UsageError(f"{len(channels)} channels", "give one --channel for each of two tips")
    if min(channels, default=1) < 1:
        raise UsageError(f"there is no channel {min(channels)}", "count channels from 1")
    if len(set(channels)) < len(channels):
        raise UsageError(f"channel {channels[0]} is given twice", "give each tip its own channel")
    for label, text in (("name", name), ("device", device)):
        if not text.strip() or not text.isprintable():
            raise UsageError(f"{label} {text!r:.40} is not usable", "give it in one line")
    for value, what, low, high, unit in (
        (meter_percent, "the multimeter's percent", 0.0, 100.0, "%"),
        (meter_counts, "the multimeter's counts", 0.0, 10_000.0, ""),
        (meter_resolution, "the multimeter's last digit", 1e-9, 100.0, "V"),
        (divider, "divider", 1e-3, 1e6, ""),
        (full_scale, "full scale", 1e-4, 1e3, "V peak"),
        *((pole, "coupling pole", 1e-3, 100.0, "Hz") for pole in coupling_hz),
        *((edge, "the multimeter's range", 0.0, 1e7, "Hz") for edge in meter_range_hz or ()),
    ):
        require_between(value, what, low, high, unit)
    if meter_range_hz is not None and meter_range_hz[0] >= meter_range_hz[1]:
        low, high = meter_range_hz
        raise UsageError(
            f"the multimeter's range of {low:g} to {high:g} Hz holds nothing",
            "give its lowest frequency first",
        )
    if max_volts is None:
        max_volts = _number(divider) * _number(full_scale)
    require_between(max_volts, "largest voltage", 0.1, 1e4, "V peak")
    corner = None
    if high_corner_hz is not None:
        require_between(high_corner_hz[0], "upper corner", 1e3, 1e7, "Hz")
        require_between(high_corner_hz[1], "its uncertainty", 0.0, high_corner_hz[0], "Hz")
        corner = Quantity(high_corner_hz[0], high_corner_hz[1], "Hz")
    first = open_recording(recordings[0])
    tips = channels or ((1, 2) if first.channels >= 2 else (1,))
    meter = MeterSpec(
        _number(meter_percent),
        _number(meter_counts),
        _number(meter_resolution),
        meter_range_hz,
        true_rms,
    )
    set_up = SetUp(
        device=device,
        rate_hz=first.rate_hz,
        channels=tips,
        probe=probe_name,
        range=range_name,
        divider=_number(divider),
        full_scale_v_peak=_number(full_scale),
    )
    return calibrate_recordings(
        [
            touch_from_recording(path, tips, volts)
            for path, volts in zip(recordings, meter_volts, strict=True)
        ],
        meter,
        set_up,
        name=name,
        coupling_hz=coupling_hz,
        max_volts=max_volts,
        ground_lead_ratio=ground_lead_ratio,
        high_corner_hz=corner,
    )


def _number(value: float | None) -> float:
    assert value is not None
    return value


def _summary(stored: StoredCalibration) -> dict[str, Any]:
    scales = stored.calibration.volts_per_full_scale
    return {
        "name": stored.name,
        "created": stored.created,
        "device": stored.set_up.device,
        "rate_hz": stored.set_up.rate_hz,
        "volts_per_full_scale": [scale.as_json() for scale in scales],
        "trusted_for": list(stored.self_test_lines(stored.set_up.device)),
    }


def _show(
    stored: StoredCalibration,
    path: Path,
    warnings: Iterable[str],
    as_json: bool,
    *,
    differs: str = "",
    tested: tuple[str, ...] = (),
) -> None:
    from levelset.probe.budget import budget_lines

    budget = budget_lines(stored.calibration.scale_budget)
    if as_json:
        print_json(
            {
                **stored.as_json(),
                "folder": str(path),
                "budget": [line.as_json() for line in budget],
                "warnings": list(warnings),
                "differs": differs or None,
                "trusted_for": list(tested),
            }
        )
        return
    click.echo("\n".join(_lines(stored, path, budget, warnings, differs, tested)))


def _lines(
    stored: StoredCalibration,
    path: Path,
    budget: Iterable[BudgetLine],
    warnings: Iterable[str],
    differs: str,
    tested: tuple[str, ...],
) -> list[str]:
    from levelset.probe.budget import budget_table

    made, set_up = stored.calibration, stored.set_up
    rows = [f"{stored.name}: {set_up.device}, {set_up.rate_hz} Hz, {set_up.divider:g}:1"]
    for tip, scale in zip("AB", made.volts_per_full_scale, strict=False):
        percent = 100.0 * scale.u / scale.value
        rows.append(
            f"tip {tip}         {scale.value:.5g} V peak per full scale +- {scale.u:.2g} V "
            f"({percent:.2g} %) at {made.frequency_hz:.1f} Hz"
        )
    if made.match is not None:
        rows.append(f"match         {made.match.value:.5f} +- {made.match.u:.1g}")
    for touch in stored.touches:
        residual = f"residual {touch.residual_percent:+.3f} %"
        rows.append(f"touch         {touch.meter_volts_rms:g} V RMS, {residual}")
    if made.dc is not None:
        dc = made.dc
        rows.append(f"battery       {dc.battery_v:g} V +- {dc.tolerance_v:.2g} V: DC by touch")
    if stored.repeatability_percent is not None:
        rows.append(f"repeatability {stored.repeatability_percent:.3f} % (one touch)")
    rows += [f"path          {line}" for line in tested]
    rows += ["", "Uncertainty of the scale:", *budget_table(tuple(budget)), ""]
    rows += [f"warning: {warning}" for warning in warnings]
    if differs:
        rows.append(f"DOES NOT HOLD: {differs}, computed again from its evidence")
    rows.append(f"Kept with its evidence in {path}")
    return rows
