"""Level against volume step: what the knob does, and where the source stops being clean.

Works on the numbers of a finished curve. A step counts against the steps beside it, so that a
volume law of its own (large steps at the bottom, small ones at the top) is no fault.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from levelset.units import db_from_ratio

State = Literal["clean", "soft_clipping", "hard_clipping", "distorted"]

REPEATED = 0.25
"""A step below this part of its neighbours' is none."""
MISSED = 1.6
"""A step above this multiple of its neighbours' holds more than one click."""
FIXED_DB = 1.0
"""Change of a whole curve of at least four steps below which the output is fixed."""
FIXED_STEPS = 4
FOLLOWS = 0.5
"""Part of the step before from which the level still follows the volume."""
LIMITED_STEPS = 2
HELD_POINTS, HELD = 4, 0.25
"""Fewest points, and part of a usual step below which the last one stands still."""
LOSS_DB = 0.5
WITHDRAWN_DB = 0.5


@dataclass(frozen=True, slots=True)
class VolumeStep:
    """One settled level.

    Parameters
    ----------
    volume : int
        Number of the step, as the display shows it or as clicks were counted.
    volts_rms : float
        Level, V or any unit of amplitude, above 0.
    thd_percent : float or None
        Distortion, %; None where it could not be told.
    state : State
        Shape of the tops.
    """

    volume: int
    volts_rms: float
    thd_percent: float | None
    state: State


@dataclass(frozen=True, slots=True)
class VolumeCurve:
    """What a curve says.

    Parameters
    ----------
    step_db : float or None
        Typical change a step where the source is clean, dB; None with fewer than two steps.
    repeated : tuple of int
        Volumes at which the level is that of the step before.
    missed : tuple of (int, int)
        Volumes that were jumped over to, and by how many steps too many.
    fixed : bool
        The level does not follow the volume at all.
    limited_from : int or None
        Volume from which the level no longer follows, though the tone stays clean.
    limited_volts_rms : float or None
        Level that it stays at.
    """

    step_db: float | None
    repeated: tuple[int, ...]
    missed: tuple[tuple[int, int], ...]
    fixed: bool
    limited_from: int | None
    limited_volts_rms: float | None

    def sentences(self) -> tuple[str, ...]:
        """Return what a person should know, one sentence each."""
        said = []
        if self.fixed:
            said.append("The level does not follow the volume: this output is fixed.")
        elif self.limited_from is not None:
            said.append(
                f"From volume {self.limited_from} on the level no longer follows the volume: "
                "a limiter holds it."
            )
        if self.repeated:
            said.append(f"No change at volume {_listed(self.repeated)}: a step came twice.")
        for volume, clicks in self.missed:
            said.append(
                f"At volume {volume} the level rose by {clicks + 1} steps at once: a step was "
                "missed; read the display again."
            )
        return tuple(said)


def judge_curve(steps: Sequence[VolumeStep], limit_percent: float) -> VolumeCurve:
    """Judge a curve in the order in which it was taken, volume rising.

    Parameters
    ----------
    steps : sequence of VolumeStep
        At least one.
    limit_percent : float
        THD above which a step is over the limit, %.

    Returns
    -------
    VolumeCurve

    Raises
    ------
    ValueError
        If there is no step, volumes do not rise, or a level is not above 0.
    """
    if not steps:
        raise ValueError("a curve needs at least one step")
    if any(b.volume <= a.volume for a, b in zip(steps, steps[1:], strict=False)):
        raise ValueError("volumes must rise from step to step")
    if any(not (math.isfinite(s.volts_rms) and s.volts_rms > 0.0) for s in steps):
        raise ValueError("levels must be above 0")
    over = next((i for i, s in enumerate(steps) if is_over(s, limit_percent)), None)
    clean = steps if over is None else steps[:over]
    levels = [db_from_ratio(s.volts_rms) for s in clean]
    # Change for each step of the display, so that steps that were not measured do not count.
    changes = [
        (b - a) / (t.volume - s.volume)
        for a, b, s, t in zip(levels, levels[1:], clean, clean[1:], strict=False)
    ]
    fixed = len(changes) >= FIXED_STEPS - 1 and max(levels) - min(levels) < FIXED_DB
    end = None if fixed else _limited_from(changes)
    followed = changes if end is None else changes[:end]
    repeated, missed = ([], []) if fixed else _odd_steps(followed, clean)
    return VolumeCurve(
        _median(followed) if followed else None,
        tuple(repeated),
        tuple(missed),
        fixed,
        None if end is None else clean[end + 1].volume,
        None if end is None else clean[-1].volts_rms,
    )


def is_over(step: VolumeStep, limit_percent: float) -> bool:
    """Tell whether a step is over the limit: a flat top, or THD above it or unknown."""
    return (
        step.state == "hard_clipping"
        or step.thd_percent is None
        or step.thd_percent > limit_percent
    )


def _limited_from(changes: Sequence[float]) -> int | None:
    """Return the first of the last changes that all lag behind those before, by much together."""
    for start in range(1, len(changes) - LIMITED_STEPS + 1):
        # The local law: what the steps just before did.
        usual = _median(changes[max(0, start - 4) : start])
        tail = changes[start:]
        lost_db = sum(usual - change for change in tail)
        if usual > 0.0 and max(tail) < FOLLOWS * usual and lost_db > LOSS_DB:
            return start
    return None


def _odd_steps(
    changes: Sequence[float], steps: Sequence[VolumeStep]
) -> tuple[list[int], list[tuple[int, int]]]:
    repeated, missed = [], []
    for i, change in enumerate(changes):
        beside = [*changes[max(0, i - 2) : i], *changes[i + 1 : i + 3]]
        # A repeated step is followed by usual ones; the larger half of the neighbours is usual.
        if len(beside) < 2:
            continue
        usual = _median(beside)
        if usual <= 0.0:
            continue
        volume = steps[i + 1].volume
        if change < REPEATED * usual:
            repeated.append(volume)
        elif i > 0 and change > MISSED * usual and change > 1.2 * max(beside):
            # The first one has no step before it that shows what is usual there.
            missed.append((volume, max(1, round(change / usual) - 1)))
    return repeated, missed


def held_from(steps: Sequence[VolumeStep], limit_percent: float) -> int | None:
    """Return the volume from which a limiter holds a tone that was read at few volumes.

    The last clean steps stand still; where they would have been reached follows from the first.

    Parameters
    ----------
    steps : sequence of VolumeStep
        Volume rising; those above the highest clean one are clipped and do not count.
    limit_percent : float
        THD above which a step is over the limit, %.

    Returns
    -------
    int or None
        None where the level follows the volume, or too few steps were read to tell.
    """
    known = [(s.volume, db_from_ratio(s.volts_rms)) for s in _up_to_clean(steps, limit_percent)]
    if len(known) < HELD_POINTS:
        return None
    (v0, first_db), (v1, next_db) = known[:2]
    step_db = (next_db - first_db) / (v1 - v0)
    (v2, before_db), (v3, last_db) = known[-2:]
    if step_db <= 0.0 or last_db - before_db > HELD * step_db * (v3 - v2):
        return None
    return v0 + math.floor((last_db - first_db) / step_db) + 1


@dataclass(frozen=True, slots=True)
class BassLoss:
    """How a bass tone falls behind an upper tone as the volume rises.

    Parameters
    ----------
    withdrawn : bool
        By more than half a decibel.
    from_volume : int or None
        Volume from which it is.
    kept_to : int or None
        Highest volume at which nothing is withdrawn yet, by a straight line through the first
        two losses; None where nothing is.
    most_db : float
        Largest loss against the lowest common volume, dB, not negative.
    """

    withdrawn: bool
    from_volume: int | None
    kept_to: int | None
    most_db: float


def bass_loss(
    bass: Sequence[VolumeStep], upper: Sequence[VolumeStep], limit_percent: float
) -> BassLoss | None:
    """Compare the curves of two tones.

    Parameters
    ----------
    bass, upper : sequence of VolumeStep
        Curves of a bass tone and of one in the upper band.
    limit_percent : float
        THD above which a step is over the limit, %. Steps below a clean one count all the same:
        they are not clipped, noise beside a low level passes for distortion.

    Returns
    -------
    BassLoss or None
        None where they share fewer than two volumes that count.
    """
    of_upper = {s.volume: s.volts_rms for s in _up_to_clean(upper, limit_percent)}
    shared = [
        (s.volume, db_from_ratio(s.volts_rms / of_upper[s.volume]))
        for s in _up_to_clean(bass, limit_percent)
        if s.volume in of_upper
    ]
    if len(shared) < 2:
        return None
    # The lowest fifth of the volumes is where nothing is withdrawn yet.
    start = _median([db for _, db in shared[: max(1, len(shared) // 5)]])
    losses = [(volume, start - db) for volume, db in shared]
    most_db = max(loss for _, loss in losses)
    lost = [(volume, loss) for volume, loss in losses if loss > WITHDRAWN_DB]
    if not lost:
        return BassLoss(False, None, None, max(0.0, most_db))
    # Against the lowest volume everything is told; there nothing is withdrawn.
    return BassLoss(True, lost[0][0], max(_kept_to(lost), shared[0][0]), most_db)


def _up_to_clean(steps: Sequence[VolumeStep], limit_percent: float) -> Sequence[VolumeStep]:
    """Return the steps up to the highest that is not over the limit, volume rising."""
    clean = [i for i, step in enumerate(steps) if not is_over(step, limit_percent)]
    return steps[: clean[-1] + 1] if clean else ()


def _kept_to(lost: Sequence[tuple[int, float]]) -> int:
    """Return the volume at which the line through the first two losses meets zero.

    The next lower number, where it is not at one within a tenth of a step.
    """
    volume, loss_db = lost[0]
    if len(lost) > 1:
        db_per_volume = (lost[1][1] - loss_db) / (lost[1][0] - volume)
        if db_per_volume > 0.0:
            return volume - max(1, math.ceil(loss_db / db_per_volume - 0.1))
    return volume - 1


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return 0.5 * (ordered[middle - 1] + ordered[middle])


def _listed(volumes: tuple[int, ...]) -> str:
    return ", ".join(str(volume) for volume in volumes)
