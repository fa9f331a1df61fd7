"""Signs in a stretch of samples that a tone alone does not leave, and what tells them from a hand.

A knob that is turned, a tip that is lifted and a tone that begins leave marks too: a sign counts
only where one and the same wave goes on beside it.
"""

from __future__ import annotations

import cmath
import math
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.continuity import LEAST_JUMP_RAD
from levelset.analysis.fit import hann
from levelset.analysis.path_trust import CRYSTALS_PPM
from levelset.analysis.same_codes import off_the_period_before, still_runs, whole_periods
from levelset.analysis.scatter import usual_scatter
from levelset.analysis.tone_movement import level_finding, movement_of
from levelset.analysis.tone_track import frequency, unbroken
from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.path_finding import Place
    from levelset.analysis.tone_track import ToneTrack

STILL_DEPTH = 0.05
"""Part of the swing by which codes that stand still must be off the period before."""
SAME_LEVEL_DB = 0.2
"""Lost samples leave the level as it was; a click of a volume control with a filter does not."""
SCATTERS = 4.0
LEVEL_SCATTERS = 2.0
"""The mean of four hops scatters half as much as one of them."""
OTHER = 0.05
"""Part of the power that may change from period to period beside a loss."""
NOISE_FS = 2.0**-22
"""Two inputs with noise above this are not alike by themselves; rounding to 24 bits is below."""


def stands_still(x: NDArray[np.float64], w: float) -> bool:
    """Return whether codes stand still where a tone would not, or for over a period."""
    period = 2.0 * math.pi / w
    far_fs = STILL_DEPTH * float(np.ptp(x))
    return any(
        frames >= period or off_the_period_before(x, at, frames, period) > far_fs
        for at, frames in still_runs(x)
    )


def what_moves(track: ToneTrack, tone_hz: float | None) -> list[str]:
    """Return what is known of a path that changes the samples, a sentence each: level and rate."""
    none = np.zeros(track.phasors.size, dtype=bool)
    words = []
    moved = level_finding(movement_of(track, none))
    if moved is not None:
        words.append(f"If nobody turned a knob: {moved.sentence[0].lower()}{moved.sentence[1:]}")
    start, stop = unbroken(track.present)
    if tone_hz is not None and stop - start >= 4:
        hz, u_hz = frequency(track, start, stop)
        ppm, u_ppm = 1e6 * (hz / tone_hz - 1.0), 1e6 * u_hz / tone_hz
        if abs(ppm) > CRYSTALS_PPM + u_ppm:
            words.append(
                f"The tone is {ppm:+.0f} parts in a million off: a rate converter; set one rate "
                "everywhere."
            )
    return words


def between(track: ToneTrack, place: Place) -> bool:
    """Return whether the tone is there on both sides of a place, not only begins or ends."""
    before, after = place.at // track.hop - 2, (place.at + place.frames) // track.hop + 1
    there = track.present
    return before >= 0 and after < there.size and bool(there[before] and there[after])


def jumps(track: ToneTrack, x: NDArray[np.float64], place: Place) -> bool:
    """Return whether one and the same steady wave goes on after a place with another phase."""
    hop = place.at // track.hop
    # Each hop looks at two hops' length: those that touch the place are left out.
    before = track.phasors[max(0, hop - 5) : max(0, hop - 1)]
    after = track.phasors[hop + 1 : hop + 5]
    if before.size == 0 or after.size == 0:
        return False
    moves = track.phasors[1:] * track.phasors[:-1].conj()
    scatter_rad = usual_scatter(np.angle(moves))
    scatter_db = usual_scatter(np.diff(track.levels_db))
    change = complex(after.mean() / before.mean())
    if abs(cmath.phase(change)) < max(LEAST_JUMP_RAD, SCATTERS * scatter_rad):
        return False
    if abs(db_from_ratio(abs(change))) > SAME_LEVEL_DB + LEVEL_SCATTERS * scatter_db:
        return False
    reach, edge = 5 * track.hop, track.hop // 2
    sides = (x[max(0, place.at - reach) : place.at - edge], x[place.at + edge : place.at + reach])
    return all(_repeats(side, 2.0 * math.pi / track.w) for side in sides)


def _repeats(x: NDArray[np.float64], period: float) -> bool:
    """Return whether a stretch is a wave that repeats, and no music."""
    shift = whole_periods(period)
    if x.size <= shift + period:
        shift = round(period)
    moved = x[shift:] - x[:-shift]
    return bool(moved.size and float(np.square(moved).mean()) <= 2.0 * OTHER * float(x.var()))


def one_input(channels: NDArray[np.float64]) -> bool:
    """Return whether two inputs are alike though there is noise of a converter in them."""
    left, right = channels
    if not np.array_equal(left, right):
        return False
    # Between the lines of a spectrum stands the noise; |X|^2 of it is exponential, whose median
    # is ln 2 of its mean (H. L. Van Trees, "Detection, Estimation, and Modulation Theory", 1968).
    window = hann(left.size)
    power = np.square(np.abs(np.fft.rfft(left * window)))
    noise = math.sqrt(float(np.median(power)) / (math.log(2.0) * float(window @ window)))
    return noise > NOISE_FS
