"""A test signal out of an interface: from quiet to its level in steps, until told to stop."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from levelset.errors import UsageError
from levelset.ports.base import FADE_IN_S
from levelset.ports.output import HIGHEST_DBFS
from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from levelset.ports.devices import SoundDevice
    from levelset.ports.live import LivePort
    from levelset.signals.signal import Playable

START_DBFS = -40.0
LOUD_DBFS = -20.0
"""Above this only by a person's word."""
SHARED_DBFS = -6.0
"""Highest level where any loudspeaker of the computer may be the one that plays."""
LOWEST_DBFS = -120.0
RISE_DB = 6.0


def checked_level(level_dbfs: float | None, *, agreed: bool) -> float:
    """Return the level to play at, from what was asked.

    Parameters
    ----------
    level_dbfs : float or None
        Level, so that a full-scale sine is 0 dBFS; None is -40.
    agreed : bool
        True where the person agreed to a loud level.

    Raises
    ------
    UsageError
        If it is out of range, or above -20 dBFS without a word.
    """
    if level_dbfs is None:
        return START_DBFS
    if not LOWEST_DBFS <= level_dbfs <= HIGHEST_DBFS:
        raise UsageError(
            f"--level {level_dbfs:g} dBFS cannot be played",
            f"give {LOWEST_DBFS:g} to {HIGHEST_DBFS:g} dBFS",
        )
    if level_dbfs > LOUD_DBFS and not agreed:
        raise UsageError(
            f"{level_dbfs:g} dBFS is loud: it can burn voice coils and hurt hearing",
            "take loudspeakers off, turn the gain down, and say --yes",
        )
    return level_dbfs


def check_shared(output: SoundDevice | None, level_dbfs: float) -> None:
    """Refuse full level where the computer's own loudspeakers may play.

    Raises
    ------
    UsageError
        If the level is above -6 dBFS on the system's default device or a sound server.
    """
    if output is None or level_dbfs <= SHARED_DBFS:
        return
    if output.default_output or output.use == "server":
        raise UsageError(
            f'"{output.name}" is the system\'s default output or a sound server: '
            f"{level_dbfs:g} dBFS there may come out of any loudspeaker",
            f"name the interface itself, or stay at {SHARED_DBFS:g} dBFS",
        )


def steps_dbfs(level_dbfs: float) -> list[float]:
    """Return the levels on the way: from -40 dBFS upward by 6 dB at a time."""
    levels = [min(START_DBFS, level_dbfs)]
    while levels[-1] < level_dbfs:
        levels.append(min(levels[-1] + RISE_DB, level_dbfs))
    return levels


def play_rising(
    port: LivePort,
    signal: Playable,
    level_dbfs: float,
    seconds: float | None,
    say: Callable[[float], None],
) -> None:
    """Play a signal, each step faded in, and keep its lease; returns with the output silent.

    Parameters
    ----------
    port : LivePort
        With an output.
    signal : Playable
        What.
    level_dbfs : float
        Final level of the signal at the output, dBFS.
    seconds : float or None
        How long from the beginning, s; None until interrupted.
    say : callable
        Is told each level as it begins, dBFS.

    Raises
    ------
    UsageError
        If the signal at this level would peak above -1 dBFS.
    DeviceError
        If the device was lost, or levelset was held up so that the tone was ended.
    """
    own_dbfs = signal.level_dbfs or 0.0
    peak_dbfs = db_from_ratio(signal.peak_fs) if signal.peak_fs > 0.0 else own_dbfs
    if level_dbfs - own_dbfs + peak_dbfs > HIGHEST_DBFS + 1e-9:
        raise UsageError(
            f"{signal.name} at {level_dbfs:g} dBFS would peak above {HIGHEST_DBFS:g} dBFS",
            f"give {HIGHEST_DBFS - peak_dbfs + own_dbfs:.1f} dBFS at most",
        )
    ahead = steps_dbfs(level_dbfs)
    try:
        began_s = next_s = None
        for block in port.blocks():
            if began_s is None or next_s is None:
                began_s = next_s = block.time_s
            if seconds is not None and block.time_s - began_s >= seconds:
                break
            if ahead and block.time_s >= next_s:
                step_dbfs = ahead.pop(0)
                port.play(signal, step_dbfs - own_dbfs)
                say(step_dbfs)
                next_s = block.time_s + FADE_IN_S
            port.renew()
    finally:
        port.silence()
