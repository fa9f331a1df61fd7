"""What the commands share."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from levelset.errors import InputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from levelset.procedures.facts import StepResult
    from levelset.session import Session

RATE_HZ = 48_000
"""Sample rate that is asked of a sound card where the person names none."""
EXIT_NO = 1
"""Status where the answer is no: a record that does not hold, a step that failed."""


class AnyPath(click.Path):
    """A name that is checked only by what opens it, which knows what to say and its status.

    Parameters
    ----------
    name : str
        What the help calls it.
    """

    def __init__(self, name: str = "path") -> None:
        super().__init__(path_type=Path, readable=False)
        self.name = name

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path; an empty name would be the current folder."""
        if value == "":
            self.fail("an empty name", param, ctx)
        return super().convert(value, param, ctx)


def require_folder(folder: Path | None) -> None:
    """Refuse a folder that was named and is not there; without a name there may be none yet.

    Raises
    ------
    InputError
        If it is not there, or cannot be looked into.
    """
    if folder is None:
        return
    try:
        folder.stat()
    except OSError as error:
        raise InputError(f"{folder}: {error.strerror}", "check the folder") from None


def print_json(value: dict[str, Any]) -> None:
    """Print one JSON object as a line."""
    click.echo(json.dumps(value, allow_nan=False))


def why_it_ended(steps: Sequence[StepResult]) -> str:
    """Return why a whole job went no further than its last step; empty where nothing is to say."""
    if steps and (steps[-1].procedure, steps[-1].outcome) == ("calibrate", "failed"):
        return "The job ends here: without a calibration nothing else can be read in volts."
    return ""


def open_screen(start: Callable[[], Session] | None) -> None:
    """Open the terminal screen, on a session if one is given."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError(
            "the screen needs a terminal",
            "run it in one, or use a command such as levelset demo --hands-free",
        )
    from levelset.record.store import list_jobs
    from levelset.session import new_job, new_job_of_text, open_demo_session, open_live_session
    from levelset.tui.app import LevelsetApp

    session = None if start is None else start()
    if sys.platform != "win32":
        # A sound card is opened in a process of its own; what looks after its shared memory passes
        # on the error stream when it starts, which the screen takes away.
        from multiprocessing import resource_tracker

        resource_tracker.ensure_running()
    LevelsetApp(
        open_demo=lambda: open_demo_session(None, None, seed=1, fast=False),
        list_jobs=list_jobs,
        new_job=lambda plan: new_job(plan, None),
        new_job_of_text=lambda text: new_job_of_text(text, None),
        open_live=lambda folder, device, output, calibration: open_live_session(
            folder, device=device, output=output, rate_hz=RATE_HZ, calibration=calibration
        ),
        list_devices=_device_lines,
        write_tracks=_write_tracks,
        start=session,
    ).run()


def _write_tracks(job: Path, folder: Path) -> list[Path]:
    """Write the tracks of a job for a player of any vehicle: 44.1 kHz, 16 bit, WAV."""
    from levelset.cli.signals import tracks_for
    from levelset.recordings.tracks import write_tracks

    return write_tracks(folder, tracks_for(str(job), 0.0), 44_100, 16, "wav", lambda *_: None)


def _device_lines() -> list[str]:
    """Return a line for each sound device, those that can be used first."""
    from levelset.ports.audio_process import devices

    listed = sorted(devices().devices, key=lambda device: device.use == "refused")
    return [
        f"{device.name}: {device.inputs} in, {device.outputs} out"
        if device.use != "refused"
        else f"not used: {device.name}: {'; '.join(device.reasons)}"
        for device in listed
    ]
