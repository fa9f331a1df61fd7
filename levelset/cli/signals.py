"""Test signals as files."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from levelset.cli.common import print_json

if TYPE_CHECKING:
    from levelset.recordings.tracks import Format
    from levelset.signals.track import Track


@click.group()
def signals() -> None:
    r"""Test signals: list them, or write them for a player.

    \b
    Example:
      levelset signals write /media/stick
    """


_overlap = click.option(
    "--overlap", type=float, default=0.0, show_default=True, help="Gain overlap of set tones, dB."
)


@signals.command("list")
@_overlap
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def signals_list(overlap: float, as_json: bool) -> None:
    r"""List the test signals and what they are for.

    \b
    Example:
      levelset signals list
    """
    from levelset.recordings.tracks import facts

    tracks = _catalogue(overlap)
    if as_json:
        rows = [
            {
                "name": track.name,
                "purpose": track.signal.purpose,
                "frequency_hz": track.frequency_hz,
                "level_dbfs": track.signal.level_dbfs,
                "true_peak_dbfs": track.true_peak_dbfs(16),
                "length_s": track.length_s,
                "caution": track.caution,
            }
            for track in tracks
        ]
        print_json({"schema": "levelset.signals.v1", "signals": rows})
        return
    for track in tracks:
        click.echo(f"{track.name:18} {track.signal.purpose}")
        click.echo(f"{'':18} {facts(track, 16)}")


@signals.command("write")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--format", "file_format", type=click.Choice(["wav", "flac"]), default="wav")
@click.option("--rate", type=int, default=44100, show_default=True, help="Sample rate, Hz.")
@click.option("--bits", type=int, default=16, show_default=True, help="Word length: 16 or 24.")
@click.option("--only", multiple=True, metavar="NAME", help="Only this signal; may be repeated.")
@_overlap
def signals_write(
    folder: Path, file_format: str, rate: int, bits: int, only: tuple[str, ...], overlap: float
) -> None:
    r"""Write the test signals and a sheet to print, such as to a USB stick.

    \b
    Example:
      levelset signals write /media/stick
      levelset signals write tracks --format flac --only set-bass --overlap 5
    """
    from levelset.recordings.tracks import chosen_tracks, write_tracks
    from levelset.signals.track import require_format

    word = require_format(rate, bits)
    tracks = chosen_tracks(_catalogue(overlap), only)
    shown = sys.stderr.isatty()

    def progress(track: Track, part: float) -> None:
        if shown:
            click.echo(f"\r{track.name:18} {100.0 * part:3.0f} %", err=True, nl=part >= 1.0)

    kind: Format = "flac" if file_format == "flac" else "wav"
    for path in write_tracks(folder, tracks, rate, word, kind, progress):
        click.echo(path)


def _catalogue(overlap_db: float) -> tuple[Track, ...]:
    """Return the tracks with tones for the usual pass bands."""
    from levelset.plan.set_tone import UPPER_TONE_HZ, calibration_tone_hz, choose_set_tone
    from levelset.signals.catalogue import Tones, catalogue

    tones = Tones(
        bass=choose_set_tone(25.0, 80.0).frequency_hz,
        midbass=choose_set_tone(60.0, 250.0).frequency_hz,
        mid=choose_set_tone(80.0, 3000.0).frequency_hz,
        upper=UPPER_TONE_HZ,
        calibrate=calibration_tone_hz(),
    )
    return catalogue(tones, overlap_db)
