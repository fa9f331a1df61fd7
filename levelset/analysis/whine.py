"""Engine-speed whine: a comb of lines that moves with the engine, seen in two captures.

Mains hum and the residue of switching supplies stay where they are when the engine speeds up; what
the alternator or the ignition brings moves, all lines by the same ratio.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from levelset.quantity import Quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from levelset.analysis.noise import Line, NoiseReading

FASTER = (1.05, 5.0)
"""Ratio of engine speeds that is looked for."""
SAME = 0.01
"""Engine speed moves during a capture: lines match within this part."""
STAYS_HZ = 3.0
FEWEST_LINES = 2


@dataclass(frozen=True, slots=True)
class Whine:
    """A comb that moved.

    Parameters
    ----------
    speed_ratio : float
        Fast over slow engine speed.
    slow : tuple of Line
        Lines that moved, as they were at the slow speed, by frequency.
    slow_rms_fs, fast_rms_fs : float
        All of them together, full scale.
    base_hz : Quantity or None
        Frequency at the slow speed that all are multiples of, Hz; None where no common one fits.
    """

    speed_ratio: float
    slow: tuple[Line, ...]
    slow_rms_fs: float
    fast_rms_fs: float
    base_hz: Quantity | None


def find_whine(slow: NoiseReading, fast: NoiseReading) -> Whine | None:
    """Look for lines that move with engine speed.

    Parameters
    ----------
    slow, fast : NoiseReading
        At two engine speeds, the second higher by a fifth or more.

    Returns
    -------
    Whine or None
        None where no two lines move together.

    Raises
    ------
    ValueError
        If a reading is void.
    """
    if slow.void is not None or fast.void is not None:
        raise ValueError("two readings that are not void are needed")
    here, there = _moving(slow.bumps, fast.bumps), _moving(fast.bumps, slow.bumps)
    best: tuple[float, float, list[tuple[Line, Line]]] | None = None
    for a in here:
        for b in there:
            ratio = b.frequency_hz / a.frequency_hz
            if not FASTER[0] <= ratio <= FASTER[1]:
                continue
            pairs = _pairs(here, there, ratio)
            # Many pairs by chance are weak ones; strong pairs count by their level.
            score = sum(math.sqrt(p.rms_fs * q.rms_fs) for p, q in pairs)
            if len(pairs) >= FEWEST_LINES and (best is None or score > best[0]):
                best = score, ratio, pairs
    if best is None:
        return None
    _, ratio, pairs = best
    weights = [p.rms_fs * q.rms_fs for p, q in pairs]
    mean = sum(
        w * q.frequency_hz / p.frequency_hz for w, (p, q) in zip(weights, pairs, strict=True)
    ) / sum(weights)
    return Whine(
        mean,
        tuple(p for p, _ in pairs),
        math.sqrt(sum(p.rms_fs**2 for p, _ in pairs)),
        math.sqrt(sum(q.rms_fs**2 for _, q in pairs)),
        _base(tuple(p for p, _ in pairs)),
    )


def _moving(lines: Sequence[Line], others: Sequence[Line]) -> list[Line]:
    """Return the lines that are not where the other capture has one too."""
    return [
        line
        for line in lines
        if all(abs(line.frequency_hz - other.frequency_hz) > STAYS_HZ for other in others)
    ]


def _pairs(slow: Sequence[Line], fast: Sequence[Line], ratio: float) -> list[tuple[Line, Line]]:
    pairs = []
    free = list(fast)
    for line in slow:
        wanted_hz = line.frequency_hz * ratio
        near = [q for q in free if abs(q.frequency_hz / wanted_hz - 1.0) <= SAME]
        if near:
            chosen = min(near, key=lambda q: abs(q.frequency_hz - wanted_hz))
            free.remove(chosen)
            pairs.append((line, chosen))
    return pairs


def _base(lines: tuple[Line, ...]) -> Quantity | None:
    """Return the largest frequency that all lines are multiples of, within one percent."""
    lowest_hz = lines[0].frequency_hz
    for part in range(1, 13):
        base_hz = lowest_hz / part
        places = [line.frequency_hz / base_hz for line in lines]
        whole = [round(place) for place in places]
        if all(abs(p - w) <= min(0.12, SAME * w) for p, w in zip(places, whole, strict=True)):
            values = [line.frequency_hz / w for line, w in zip(lines, whole, strict=True)]
            mean = sum(values) / len(values)
            return Quantity(mean, 2.0 * max(abs(v - mean) for v in values), "Hz")
    return None
