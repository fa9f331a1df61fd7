"""The tracks that the steps of a job ask for, so that they can be written for its player."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from levelset.procedures.common import channel_track, source_track
from levelset.procedures.second_tone import second_tone_hz, second_track
from levelset.signals.catalogue import BURNS, SEARCH
from levelset.signals.track import Track

if TYPE_CHECKING:
    from levelset.plan.job import JobPlan
    from levelset.signals.signal import Signal


def job_tracks(plan: JobPlan) -> tuple[Track, ...]:
    """Return the set tones of a job under the names by which its steps ask for them.

    Parameters
    ----------
    plan : JobPlan
        The plan of the job.

    Returns
    -------
    tuple of Track
        Those of the source, then one for each channel, no name twice.
    """
    tone_hz = plan.channels[0].set_tone_hz
    tracks = [
        _track(source_track(tone_hz), SEARCH),
        _track(second_track(second_tone_hz(tone_hz)), SEARCH),
    ]
    for channel in plan.channels:
        tone = channel_track(channel.name, channel.set_tone_hz, channel.target.tone_dbfs)
        tracks.append(_track(tone, BURNS))
    return tuple({track.name: track for track in tracks}.values())


def with_job(tracks: Sequence[Track], plan: JobPlan) -> tuple[Track, ...]:
    """Return the tracks of a job, and of the others those that are no set tones."""
    return (*job_tracks(plan), *(one for one in tracks if not one.name.startswith("set-")))


def _track(tone: Signal, caution: str) -> Track:
    return Track(tone, caution, tone.components[0].frequency_hz)
