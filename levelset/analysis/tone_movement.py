"""How the level of a steady tone moves, and what that means: gain that is ridden, gates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.path_finding import Finding, Place
from levelset.analysis.scatter import usual_scatter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.tone_track import ToneTrack

STEADY_DB = 0.1
"""A steady tone that moves by less is steady."""
SMOOTH_S = 0.1
END_S = 0.2
FAST_S = 0.15
FAST_DB = 2.0
SCATTERS = 8.0


@dataclass(frozen=True, slots=True)
class Movement:
    """How the level of a steady tone moves.

    Parameters
    ----------
    end_fs : float
        Peak of the tone at the end (the last 0.2 s), full scale.
    end_u_db : float
        Its 95 % uncertainty by the scatter of the hops, dB.
    rise_db, fall_db : float
        Largest slow rise and fall, dB; 0 within what noise explains or 0.1 dB.
    cut_db : float
        Depth of the fastest cut, dB; 0 without one.
    cuts : tuple of Place
        Where it is cut.
    """

    end_fs: float
    end_u_db: float
    rise_db: float
    fall_db: float
    cut_db: float
    cuts: tuple[Place, ...]


def level_finding(movement: Movement) -> Finding | None:
    """Return what a level that moves means, without knowing what was played before."""
    if movement.cut_db > 0.0:
        times = f"{len(movement.cuts)} times" if len(movement.cuts) > 1 else "once"
        return Finding(
            "noise_gate",
            f"A steady tone is cut {times}, by {movement.cut_db:.1f} dB: a noise gate or noise "
            "suppression is in the path; switch it off.",
            movement.cuts,
        )
    if movement.rise_db > 0.0:
        most = max(movement.rise_db, movement.fall_db)
        return Finding(
            "automatic_gain",
            f"The level of a steady tone is ridden by {most:.2f} dB: automatic gain is in the "
            "path; switch it off.",
        )
    if movement.fall_db > 0.0:
        return Finding(
            "noise_gate",
            f"A steady tone sags by {movement.fall_db:.2f} dB: noise suppression or automatic "
            "gain is in the path; switch it off.",
        )
    return None


def movement_of(track: ToneTrack, touched: NDArray[np.bool_]) -> Movement:
    """Return how the level moves.

    Parameters
    ----------
    track : ToneTrack
        The tone hop by hop.
    touched : ndarray of bool, shape (m,)
        Hops that look at a fault of the samples; they are left out.
    """
    good = np.flatnonzero(~touched)
    if good.size < 2:
        return Movement(track.amplitude, 60.0, 0.0, 0.0, 0.0, ())
    levels = track.levels_db[good]
    cut_db, cuts = _cuts(track, good, levels)
    tail = max(2, round(END_S * track.rate_hz / track.hop))
    end_fs = float(np.median(np.abs(track.phasors[good[-tail:]])))
    # Differences of neighbours that share half of their samples scatter like single hops.
    hop_db = usual_scatter(np.diff(levels))
    # The median of n scatters 1.25 times as much as their mean; 95 % are two deviations.
    end_u_db = 2.0 * 1.25 * hop_db / math.sqrt(min(tail, good.size))
    if cut_db > 0.0:
        return Movement(end_fs, end_u_db, 0.0, 0.0, cut_db, cuts)
    width = min(max(1, round(SMOOTH_S * track.rate_hz / track.hop)), good.size // 2)
    smooth = np.convolve(levels, np.full(width, 1.0 / width), mode="valid")
    scatter = hop_db / math.sqrt(width)
    limit = max(STEADY_DB, SCATTERS * scatter)
    rise = float((smooth - np.minimum.accumulate(smooth)).max())
    fall = float((np.maximum.accumulate(smooth) - smooth).max())
    return Movement(
        end_fs,
        end_u_db,
        rise if rise > limit else 0.0,
        fall if fall > limit else 0.0,
        0.0,
        (),
    )


def _cuts(
    track: ToneTrack, good: NDArray[np.intp], levels: NDArray[np.float64]
) -> tuple[float, tuple[Place, ...]]:
    """Return depth and places where the level falls or comes back at once.

    Gates act within some 100 ms; what rides the gain does not move most of its way so quickly.
    """
    span = max(3, math.ceil(FAST_S * track.rate_hz / track.hop))
    if levels.size <= span:
        return 0.0, ()
    whole = float(np.ptp(levels))
    scatter = usual_scatter(np.diff(levels))
    moves = levels[span:] - levels[:-span]
    fast = max(FAST_DB, 0.6 * whole, SCATTERS * scatter)
    hits = np.flatnonzero(np.abs(moves) >= fast)
    if hits.size == 0:
        return 0.0, ()
    groups = np.split(hits, np.flatnonzero(np.diff(hits) > span) + 1)
    places: list[Place] = []
    for group in groups:
        falling = float(moves[group].min()) < 0.0
        hop = int(good[group[0] + span])
        if falling or not places:
            places.append(Place(hop * track.hop, 0))
    return whole, tuple(places)
