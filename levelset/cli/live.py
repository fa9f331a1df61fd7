"""Sound devices, and live readings from one of them."""

from __future__ import annotations

import sys
from typing import Any

import click

from levelset.cli.common import EXIT_NO, print_json
from levelset.cli.measure import print_reading, say_warnings, scale_from
from levelset.errors import UsageError
from levelset.limits import require_between


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def devices(as_json: bool) -> None:
    r"""List sound devices: what each can be trusted for, and why not.

    \b
    Example:
      levelset devices
    """
    from levelset.ports.audio_process import devices as list_devices

    listing = list_devices()
    tested = {device.key: _self_tests(device.key) for device in listing.devices}
    if as_json:
        listed = listing.as_json()
        for entry in listed["devices"]:
            entry["self_tests"] = tested[entry["key"]]
        print_json(listed)
        return
    for device in listing.devices:
        click.echo(f"{device.name}  ({device.host_api}, {device.inputs} in, {device.outputs} out)")
        for words in device.trusted_for:
            click.echo(f"    for: {words}")
        for test in tested[device.key]:
            click.echo(f"    checked {test['made'][:10]} at {test['rate_hz']} Hz{test['behind']}:")
            for line in test["lines"]:
                click.echo(f"        {line}")
        for reason in device.reasons:
            click.echo(f"    {'not used' if device.use == 'refused' else 'note'}: {reason}")
    if not listing.devices:
        click.echo("No sound devices: see levelset doctor.")


def _self_tests(key: str) -> list[dict[str, Any]]:
    """Return the newest self-test of every rate, and of every source behind a sound server."""
    from levelset.errors import InputError
    from levelset.record.calibrations import list_calibrations

    newest: dict[tuple[str, int], dict[str, Any]] = {}
    for _, stored in list_calibrations():
        if isinstance(stored, InputError) or stored.self_test is None:
            continue
        made = stored.set_up
        behind = made.device.removeprefix(key)
        if behind == made.device or (behind and not behind.startswith(" / ")):
            continue
        test = {
            "calibration": stored.name,
            "made": stored.self_test.made,
            "rate_hz": made.rate_hz,
            "behind": behind.replace(" / ", " through ", 1),
            "trusted": stored.self_test.trusted,
            "lines": list(stored.self_test.lines),
        }
        known = newest.setdefault((behind, made.rate_hz), test)
        if test["made"] > known["made"]:
            newest[behind, made.rate_hz] = test
    return [*newest.values()]


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def doctor(as_json: bool) -> None:
    r"""Say what is missing on this machine for live work, and how to put it right.

    \b
    Example:
      levelset doctor
    """
    from levelset.ports.doctor import examine

    findings = examine()
    if as_json:
        print_json(
            {"schema": "levelset.doctor.v1", "findings": [found.as_json() for found in findings]}
        )
    else:
        for found in findings:
            click.echo(found.line())
    if any(found.ok is False for found in findings):
        sys.exit(EXIT_NO)


@click.command()
@click.option("--device", metavar="NAME", help="Input device; see levelset devices.")
@click.option("--rate", type=int, default=48000, show_default=True, help="Sample rate, Hz.")
@click.option("--channels", type=int, default=2, show_default=True, help="Input channels.")
@click.option("--seconds", type=float, metavar="T", help="End after so long; else by Ctrl-C.")
@click.option("--calibration", metavar="NAME", help="Calibration to read volts with.")
@click.option(
    "--volts-per-full-scale", type=float, metavar="S", help="Peak volts at the tip per full scale."
)
@click.option(
    "--limit", type=float, default=1.0, show_default=True, metavar="PERCENT", help="THD limit, %."
)
@click.option(
    "--updates",
    type=float,
    metavar="HZ",
    help="So many overlapping readings a second, 1 to 20; else one window after the other.",
)
@click.option("--json", "--json-lines", "as_json", is_flag=True, help="A JSON line a reading.")
def watch(
    device: str | None,
    rate: int,
    channels: int,
    seconds: float | None,
    calibration: str | None,
    volts_per_full_scale: float | None,
    limit: float,
    updates: float | None,
    as_json: bool,
) -> None:
    r"""Read volts, distortion and clipping live.

    \b
    Example:
      levelset watch --device pulse --seconds 10
      levelset watch --device pulse --volts-per-full-scale 150 --json-lines
      levelset watch --device pulse --updates 20
    """
    if seconds is not None and not 0.0 < seconds <= 1e6:
        raise UsageError(f"--seconds {seconds:g} is out of range", "give a time above 0")
    require_between(limit, "THD limit", 0.001, 100.0, "%")
    if updates is not None:
        require_between(updates, "--updates", 1.0, 20.0, "Hz")
    scale = scale_from(calibration, volts_per_full_scale, channels)

    from levelset.ports.live import open_live
    from levelset.probe.reading import reading_as_json
    from levelset.recordings.live import follow
    from levelset.recordings.live import watch as read

    port = open_live(device, output=None, rate_hz=rate, channels=channels)
    try:
        say_warnings(calibration, port.info.name, port.info.rate_hz)
        readings = (
            read(port, scale, limit) if updates is None else follow(port, scale, limit, updates)
        )
        for reading in readings:
            if as_json:
                print_json(reading_as_json(reading))
            else:
                print_reading(reading)
            sys.stdout.flush()
            ended = seconds is not None and reading.start_s + reading.duration_s >= seconds
            if ended and reading.channel == channels:
                break
    finally:
        port.close()
