"""Readings out of recordings."""

from __future__ import annotations

import sys
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import click

from levelset.cli.common import AnyPath, print_json
from levelset.errors import InputError, UsageError

if TYPE_CHECKING:
    from levelset.probe.reading import Reading
    from levelset.record.audio_files import Recording
    from levelset.record.stored_calibration import StoredCalibration
    from levelset.recordings.measure import Measured
    from levelset.recordings.scale import Scale

EXIT_UNUSABLE = InputError.exit_status
BAR = 30
SHOWN_DRIFT_DB = 0.001


@click.command()
@click.argument("files", nargs=-1, required=True, type=AnyPath(), metavar="FILE...")
@click.option("--calibration", metavar="NAME", help="Calibration to read volts with.")
@click.option(
    "--volts-per-full-scale",
    type=float,
    metavar="S",
    help="Peak volts at the tip per full scale, taken as exact.",
)
@click.option("--channel", type=int, metavar="N", help="Only this channel, from 1.")
@click.option(
    "--window",
    type=float,
    metavar="SECONDS",
    help="Length of a window; otherwise one reading up to 10 s, else one for each 10 s.",
)
@click.option(
    "--limit", type=float, default=1.0, show_default=True, metavar="PERCENT", help="THD limit, %."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a file.")
@click.option("--json-lines", is_flag=True, help="Print each reading as a JSON line at once.")
@click.option("--explain", is_flag=True, help="Add where the uncertainty of a voltage comes from.")
def measure(
    files: tuple[Path, ...],
    calibration: str | None,
    volts_per_full_scale: float | None,
    channel: int | None,
    window: float | None,
    limit: float,
    as_json: bool,
    json_lines: bool,
    explain: bool,
) -> None:
    r"""Read level, distortion and clipping out of recordings.

    \b
    Example:
      levelset measure recording.wav
      levelset measure *.flac --volts-per-full-scale 70.7 --json
    """
    if as_json and json_lines:
        raise UsageError("--json and --json-lines exclude each other", "choose one")
    scale_from(calibration, volts_per_full_scale, 1)
    say_warnings(calibration)
    from levelset.record.audio_files import open_recording
    from levelset.recordings.measure import Wanted, header_as_json
    from levelset.recordings.measure import measure as read

    Wanted(None, channel, window, limit)  # wrong usage before any file is opened
    bad = False
    for path in files:
        bar = _Bar(path)
        try:
            recording = open_recording(path)
            scale = scale_from(calibration, volts_per_full_scale, recording.channels)
            wanted = Wanted(scale, channel, window, limit)
            if not as_json and not json_lines:
                click.echo(_header(recording))
            readings = []
            for found in read(recording, wanted, bar.show):
                bar.clear()
                if json_lines:
                    print_json(found.as_json(explain=explain))
                elif as_json:
                    readings.append(found.as_json(explain=explain))
                else:
                    _print(found, explain=explain)
            if as_json:
                print_json({**header_as_json(recording, scale), "readings": readings})
        except InputError as error:
            bad = True
            bar.clear()
            click.echo(error.line(), err=True)
        finally:
            bar.clear()
    if bad:
        sys.exit(EXIT_UNUSABLE)


def scale_from(
    calibration: str | None, volts_per_full_scale: float | None, channels: int
) -> Scale | None:
    """Return full scale to volts by the two options, for an input of so many channels.

    Raises
    ------
    UsageError
        If both are given, or the number is out of range.
    InputError
        If the calibration is not there or cannot be used.
    """
    if calibration is not None and volts_per_full_scale is not None:
        raise UsageError(
            "--calibration and --volts-per-full-scale exclude each other", "choose one"
        )
    if calibration is None and volts_per_full_scale is None:
        return None
    from levelset.recordings.scale import Scale

    if volts_per_full_scale is not None:
        if not 1e-6 <= volts_per_full_scale <= 1e6:  # False for nan as well
            raise UsageError(
                f"{volts_per_full_scale:g} volts per full scale are out of range",
                "give 1e-6 to 1e6 V",
            )
        return Scale.typed(volts_per_full_scale)
    stored = _stored(str(calibration))
    return Scale.of(stored.calibration, stored.set_up.channels, channels)


@lru_cache(maxsize=1)
def _stored(name: str) -> StoredCalibration:
    from levelset.record.calibrations import find_calibration, load_calibration

    return load_calibration(find_calibration(name))


def say_warnings(name: str | None, device: str | None = None, rate_hz: int | None = None) -> None:
    """Print what speaks against a calibration, on the side of errors; nothing without one.

    Parameters
    ----------
    name : str or None
        Name of the calibration.
    device, rate_hz
        The input at hand and its rate in Hz, as far as they are known.
    """
    if name is None:
        return
    from levelset.record.stored_calibration import warnings

    stored = _stored(name)
    for sentence in warnings(stored, device=device, rate_hz=rate_hz):
        click.echo(f"calibration {stored.name}: {sentence}", err=True)


class _Bar:
    """Progress on a terminal, on the side of errors; nothing elsewhere."""

    def __init__(self, path: Path) -> None:
        self._name = path.name[:30]
        self._terminal = sys.stderr.isatty()
        self._shown = False

    def show(self, part: float) -> None:
        if self._terminal:
            done = round(part * BAR)
            bar = "#" * done + "-" * (BAR - done)
            click.echo(f"\r{self._name} [{bar}] {100.0 * part:3.0f} %", err=True, nl=False)
            self._shown = True

    def clear(self) -> None:
        if self._shown:
            click.echo("\r\x1b[K", err=True, nl=False)
            self._shown = False


def _header(recording: Recording) -> str:
    lossy = (
        ", lossy coding: distortion and peaks are those of the coding" if recording.lossy else ""
    )
    return (
        f"{recording.path}: {recording.duration_s:.2f} s, {recording.rate_hz} Hz, "
        f"{recording.channels} channel{'s' if recording.channels > 1 else ''}{lossy}"
    )


def print_reading(reading: Reading) -> None:
    """Print a reading as one line."""
    tone, stop_s = reading.tone, reading.start_s + reading.duration_s
    where = f"  channel {reading.channel}  {reading.start_s:7.2f} to {stop_s:7.2f} s  "
    if tone.void is not None:
        click.echo(f"{where}void, {tone.void.code}: {tone.void.reason}")
        return
    parts = []
    if reading.volts_rms is not None:
        parts.append(f"{reading.volts_rms.text()} RMS")
    if tone.level_dbfs is not None and tone.frequency_hz is not None:
        parts.append(f"{tone.level_dbfs.value:.3f} dBFS")
        parts.append(f"{tone.frequency_hz.value:.4f} Hz")
    if tone.thd_percent is not None:
        parts.append(f"THD {tone.thd_percent.text()}")
    if tone.thd_n_percent is not None:
        parts.append(f"THD+N {tone.thd_n_percent.value:.3g} %")
    clipping = tone.clipping
    if clipping is not None:
        words = clipping.state.replace("_", " ")
        if clipping.overdrive_db is not None:
            words += f" by {clipping.overdrive_db.value:.2f} dB, {clipping.halves}"
        parts.append(words)
    if tone.hum_not_separable:
        parts.append("hum cannot be told apart")
    click.echo(where + "  ".join(parts))


def _print(found: Measured, *, explain: bool) -> None:
    print_reading(found.reading)
    drift = found.drift
    moved_db = 0.0 if drift is None else drift.level_db.value
    if drift is not None and abs(moved_db) > max(drift.level_db.u, SHOWN_DRIFT_DB):
        click.echo(f"    drifts by {moved_db:+.3f} dB")
    if explain and found.budget:
        for line in found.budget:
            dof = "" if line.dof is None else f", {line.dof:.0f} degrees of freedom"
            click.echo(
                f"    {line.name:30} {line.percent:9.5f} %  {line.share_percent:5.1f} % of the "
                f"variance, {line.distribution}{dof}"
            )
