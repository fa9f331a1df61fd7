"""Codes that stand still, and codes that come a second time, found in the codes alone.

A converter's noise never gives the same 24 codes in a row twice; only a program between converter
and reader does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

COMPARED = 24
"""Codes in a row that must agree for a copy."""
LEAST_COPY = 32
"""Shortest copy that is reported, frames."""
LONGEST_LAG_S = 0.5
SPARE = 8
"""So many codes fewer than the shortest copy are hashed at a time: it gives nine equal hashes."""
FEWEST_HASHES = 4
TABLE_BITS = 18
WHOLE_RAD = 0.05
NEAR = 20e-6
"""How well the frequency is known, relative."""
LEAST_STILL = 16
LIKE_PERIODS = 6
MOST_ALIKE = 0.05
"""Part of the codes that may come again before the signal itself counts as periodic."""
_BASE = 0x9E3779B1
_CODE_SCALE = 2.0**23
_TURN = 2.0 * math.pi


@dataclass(frozen=True, slots=True)
class Copy:
    """A stretch that is a copy of what came `lag` frames before.

    Parameters
    ----------
    at : int
        First frame of the copy.
    frames : int
        Its length.
    lag : int
        How many frames before the original stands.
    """

    at: int
    frames: int
    lag: int


class CopySigns:
    """Tells whether it is worth while to look for copies; a fraction of the work.

    It keeps a table of the last place of every hash: fresh memory for each look costs more than
    the look.
    """

    def __init__(self) -> None:
        self._last: NDArray[np.int32] = np.empty(1 << TABLE_BITS, dtype=np.int32)

    def seen(
        self, samples: NDArray[np.float64], w: float | None = None, least: int = LEAST_COPY
    ) -> bool:
        """Return False where `find_copies` finds none that counts.

        Parameters
        ----------
        samples : ndarray, shape (n,)
            As for `find_copies`.
        w : float or None
            Angular frequency of the tone, within 20 parts in a million, rad per sample: what
            comes again whole periods later is not counted.
        least : int
            Shortest copy that counts, frames, from 16.
        """
        if samples.size < least:
            return False
        hashes = _hashes(samples, least - SPARE)
        place = np.arange(hashes.size, dtype=np.int32)
        # Two hashes that fall on one entry hide each other, one of four at most; of the nine in
        # the shortest copy some are left.
        entry = hashes >> np.uint32(32 - TABLE_BITS)
        self._last[entry] = place
        first = np.flatnonzero(self._last[entry] != place)
        second = self._last[entry[first]].astype(np.intp)
        same = hashes[first] == hashes[second]
        first, second = first[same], second[same]
        if w is not None:
            turn = w * np.abs(second - first)
            off = np.abs(turn - _TURN * np.rint(turn / _TURN))
            apart = off > WHOLE_RAD - NEAR * turn
            first, second = first[apart], second[apart]
        if first.size < FEWEST_HASHES:
            return False
        return int(np.count_nonzero(_moving(samples, second))) >= FEWEST_HASHES


def find_copies(samples: NDArray[np.float64], rate_hz: float) -> tuple[Copy, ...]:
    """Find stretches whose codes are those of an earlier stretch, code for code.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel, multiples of 2**-23.
    rate_hz : float
        Sample rate, Hz.

    Returns
    -------
    tuple of Copy
        In order, at least 32 frames and at most 0.5 s behind their original. Empty where the
        signal itself repeats its codes (a tone without noise whose period is a whole number of
        frames).
    """
    if samples.size < COMPARED + 1:
        return ()
    hashes = _hashes(samples, COMPARED)
    count = hashes.size
    # Hash and place in one number: a plain sort is several times as fast as a stable one.
    ranked = np.sort(
        (hashes.astype(np.uint64) << np.uint64(32)) | np.arange(count, dtype=np.uint64)
    )
    order = (ranked & np.uint64(0xFFFFFFFF)).astype(np.intp)
    ranked >>= np.uint64(32)
    same = np.flatnonzero(ranked[1:] == ranked[:-1])
    first, second = order[same], order[same + 1]
    moving = _moving(samples, second)
    first, second = first[moving], second[moving]
    lag = second - first
    near = lag <= LONGEST_LAG_S * rate_hz
    second, lag = second[near], lag[near]
    if second.size == 0 or second.size > MOST_ALIKE * count + rate_hz * LONGEST_LAG_S:
        return ()
    by_place = np.argsort(second)
    second, lag = second[by_place], lag[by_place]
    ends = np.flatnonzero((np.diff(second) != 1) | (np.diff(lag) != 0))
    starts = np.concatenate(([0], ends + 1))
    ends = np.concatenate((ends, [second.size - 1]))
    found = []
    for start, end in zip(starts, ends, strict=True):
        at, behind = int(second[start]), int(lag[start])
        frames = int(second[end]) - at + COMPARED
        original = samples[at - behind : at - behind + frames]
        if frames >= LEAST_COPY and np.array_equal(original, samples[at : at + frames]):
            found.append(Copy(at, frames, behind))
    return tuple(found)


def _hashes(samples: NDArray[np.float64], length: int) -> NDArray[np.uint32]:
    """Return a rolling hash of `length` codes for each first frame, shape (n - length + 1,).

    It is ``sum c[i + k] B**(length - 1 - k)`` modulo 2**32, put together from stretches of 1, 2,
    4, ... codes; what agrees in it is compared code for code later.
    """
    codes = (samples * _CODE_SCALE).astype(np.int32)
    # Low bits that are never used would be low bits of every hash as well.
    unused = 24 - effective_bits(int(np.bitwise_or.reduce(codes)))
    part = (codes >> np.int32(unused)).view(np.uint32)
    whole = np.zeros(samples.size + 1, dtype=np.uint32)
    done, size, base = 0, 1, _BASE
    while True:
        if length & size:
            # What is whole already follows this part.
            shift = np.uint32(pow(_BASE, done, 1 << 32))
            done += size
            count = samples.size - done + 1
            whole = part[:count] * shift + whole[size : size + count]
        if done == length:
            return whole
        part = part[:-size] * np.uint32(base) + part[size:]
        size *= 2
        base = base * base % (1 << 32)


def _moving(samples: NDArray[np.float64], places: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Return where the codes compared are not all one and the same."""
    changes = np.concatenate(([0], np.cumsum(samples[1:] != samples[:-1])))
    # Some codes must change: a stretch that mostly stands still is no evidence of a copy.
    moving: NDArray[np.bool_] = changes[places + COMPARED - 1] - changes[places] >= COMPARED // 2
    return moving


def still_runs(samples: NDArray[np.float64]) -> tuple[tuple[int, int], ...]:
    """Return start and length of every run of at least 16 equal codes; shape (n,)."""
    still = samples[1:] == samples[:-1]
    # Mostly there is none: a look at eight in a row is much cheaper than a list of all.
    eight = still
    for shift in (1, 2, 4):
        eight = eight[:-shift] & eight[shift:]
    if not eight.any():
        return ()
    flags = np.concatenate(([False], still, [False]))
    edges = np.flatnonzero(np.diff(flags.astype(np.int8)))
    starts, lengths = edges[::2], edges[1::2] - edges[::2] + 1
    long = lengths >= LEAST_STILL
    return tuple(zip(starts[long].tolist(), lengths[long].tolist(), strict=True))


def whole_periods(period: float) -> int:
    """Return the one to six periods that are nearest to a whole number of frames, frames."""
    shifts = np.arange(1, LIKE_PERIODS + 1) * period
    return round(float(shifts[np.argmin(np.abs(shifts - np.rint(shifts)))]))


def off_the_period_before(
    samples: NDArray[np.float64], at: int, frames: int, period: float
) -> float:
    """Return how far equal codes are from what stood there some whole periods before.

    Flat tops of a wave stand still in every period; a gap does not.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel.
    at, frames : int
        First frame and length of the equal codes.
    period : float
        Of the tone, frames.

    Returns
    -------
    float
        Largest difference, full scale, before the equal codes or, at the start of the window,
        after them; infinity where there are no periods on either side.
    """
    shift = whole_periods(period)
    size = min(frames, shift)
    others = [at - shift, at + frames - size + shift]
    for mine, other in zip((at, at + frames - size), others, strict=True):
        if other >= 0 and other + size <= samples.size:
            return float(np.abs(samples[mine : mine + size] - samples[other : other + size]).max())
    return math.inf


def joined_codes(samples: NDArray[np.float64]) -> int:
    """Return all 24-bit codes OR-ed; samples are multiples of 2**-23, of any shape."""
    codes = np.rint(samples * _CODE_SCALE).astype(np.int64)
    return int(np.bitwise_or.reduce(codes, axis=None)) if codes.size else 0


def effective_bits(joined: int) -> int:
    """Return how many of 24 bits codes use: 16 where the lowest 8 are always 0.

    Parameters
    ----------
    joined : int
        All codes OR-ed, as of `joined_codes`.

    Returns
    -------
    int
        0 for exact silence.
    """
    return 0 if joined == 0 else 24 - ((joined & -joined).bit_length() - 1)
