"""What the commands share."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import click

from levelset.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from levelset.session import Session

RATE_HZ = 48_000
"""Sample rate that is asked of a sound card where the person names none."""
EXIT_NO = 1
"""Status where the answer is no: a record that does not hold, a step that failed."""


def print_json(value: dict[str, Any]) -> None:
    """Print one JSON object as a line."""
    click.echo(json.dumps(value, allow_nan=False))


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
