"""Test signals as files, or out of an interface."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from levelset.cli.common import AnyPath, print_json
from levelset.errors import UsageError

if TYPE_CHECKING:
    from levelset.recordings.tracks import Format
    from levelset.signals.track import Track


@click.group(no_args_is_help=False)
def signals() -> None:
    r"""Test signals: list them, write them for a player, or play them.

    \b
    Example:
      levelset signals write /media/stick
    """


_overlap = click.option(
    "--overlap", type=float, default=0.0, show_default=True, help="Gain overlap of set tones, dB."
)


_job = click.option(
    "--job", metavar="FOLDER", help="With the set tones of this job, as its steps name them."
)


@signals.command("list")
@_overlap
@_job
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def signals_list(overlap: float, job: str | None, as_json: bool) -> None:
    r"""List the test signals and what they are for.

    \b
    Example:
      levelset signals list
    """
    from levelset.recordings.tracks import facts

    tracks = tracks_for(job, overlap)
    if as_json:
        rows = [
            {
                "name": track.name,
                "purpose": track.signal.purpose,
                "frequency_hz": track.frequency_hz,
                "level_dbfs": track.signal.level_dbfs,
                "true_peak_dbfs": track.true_peak_dbfs(16),
                "length_s": track.length_s,
                "channels": list(track.channels),
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
@click.argument("folder", type=AnyPath())
@click.option("--format", "file_format", type=click.Choice(["wav", "flac"]), default="wav")
@click.option("--rate", type=int, default=44100, show_default=True, help="Sample rate, Hz.")
@click.option("--bits", type=int, default=16, show_default=True, help="Word length: 16 or 24.")
@click.option("--only", multiple=True, metavar="NAME", help="Only this signal; may be repeated.")
@_overlap
@_job
def signals_write(
    folder: Path,
    file_format: str,
    rate: int,
    bits: int,
    only: tuple[str, ...],
    overlap: float,
    job: str | None,
) -> None:
    r"""Write the test signals and a sheet to print, such as to a USB stick.

    \b
    Example:
      levelset signals write /media/stick --job 2026-11-03-estate
      levelset signals write tracks --format flac --only set-bass --overlap 5
    """
    from levelset.recordings.tracks import chosen_tracks, write_tracks
    from levelset.signals.track import require_format

    word = require_format(rate, bits)
    tracks = chosen_tracks(tracks_for(job, overlap), only)
    shown = sys.stderr.isatty()

    def progress(track: Track, part: float) -> None:
        if shown:
            click.echo(f"\r{track.name:18} {100.0 * part:3.0f} %", err=True, nl=part >= 1.0)

    kind: Format = "flac" if file_format == "flac" else "wav"
    for path in write_tracks(folder, tracks, rate, word, kind, progress):
        click.echo(path)


@signals.command("play")
@click.argument("name")
@click.option("--output", required=True, metavar="DEVICE", help="Device; see levelset devices.")
@click.option(
    "--level",
    type=float,
    metavar="DB",
    help="Level, dBFS: a full-scale sine is 0.  [default: -40]",
)
@click.option("--yes", is_flag=True, help="Agree to a level above -20 dBFS: loudspeakers are off.")
@click.option("--seconds", type=float, metavar="T", help="End after so long; else by Ctrl-C.")
@click.option("--rate", type=int, default=48000, show_default=True, help="Sample rate, Hz.")
def signals_play(
    name: str, output: str, level: float | None, yes: bool, seconds: float | None, rate: int
) -> None:
    r"""Play a test signal out of an interface; Ctrl-C silences it.

    It begins at -40 dBFS and rises by 6 dB a second to the level. Caution: a loud steady tone
    burns voice coils and hurts hearing; loudspeakers off or disconnected, gain at minimum.

    \b
    Example:
      levelset signals play check-level --output pulse --seconds 10
      levelset signals play set-bass --output "interface" --level -10 --yes
    """
    from levelset.ports.live import open_live
    from levelset.ports.rising import check_shared, checked_level, play_rising
    from levelset.recordings.tracks import chosen_tracks

    if seconds is not None and not 0.0 < seconds <= 1e6:
        raise UsageError(f"--seconds {seconds:g} is out of range", "give a time above 0")
    level_dbfs = checked_level(level, agreed=yes)
    track = chosen_tracks(tracks_for(None, 0.0), (name,))[0]
    port = open_live(None, output=output, rate_hz=rate, channels=0)
    try:
        check_shared(port.opened.output, level_dbfs)
        click.echo(f"{track.name}: {track.signal.purpose}")
        click.echo(f"CAUTION: {track.caution} Ctrl-C silences it.")

        def say(step_dbfs: float) -> None:
            click.echo(f"  playing at {step_dbfs:g} dBFS")
            sys.stdout.flush()

        play_rising(port, track.signal, level_dbfs, seconds, say)
    finally:
        port.close()
    click.echo("silent")


def tracks_for(job: str | None, overlap_db: float) -> tuple[Track, ...]:
    """Return the tracks with the set tones of a job, or with those for the usual pass bands.

    Raises
    ------
    InputError
        If there is no such job.
    UsageError
        If a gain overlap is given beside a job, whose plan has it.
    """
    if job is None:
        return _catalogue(overlap_db)
    if overlap_db:
        raise UsageError("the plan of the job has its gain overlap", "leave --overlap out")
    from levelset.procedures.job_tracks import with_job
    from levelset.record.job import Job
    from levelset.record.store import find_job

    return with_job(_catalogue(0.0), Job.open(find_job(job), writable=False).plan())


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
