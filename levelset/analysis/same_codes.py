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
LEAST_STILL = 16
EVERY = 0.7
"""Part of the periods that must have a stretch for it to be the wave's own shape."""
MOST_ALIKE = 0.05
"""Part of the codes that may come again before the signal itself counts as periodic."""
_BASE = np.uint64(0x9E3779B97F4A7C15)
_CODE_SCALE = 2.0**23
_STEPS = (0, 3, 7, 11, 15, 19)
_WEIGHTS = (1.0, *(math.sqrt(prime) for prime in (2.0, 3.0, 5.0, 7.0, 11.0)))


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


def may_repeat(samples: NDArray[np.float64]) -> bool:
    """Return whether it is worth while to look for copies; a fifth of the work.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        As for `find_copies`.

    Returns
    -------
    bool
        False where no copy of 32 frames or more can be: each of its frames but the last ones
        makes the same weighted sum with five later ones as its original.
    """
    if samples.size < 2 * LEAST_COPY:
        return False
    count = samples.size - _STEPS[-1]
    sums = samples[:count] * _WEIGHTS[0]
    for step, weight in zip(_STEPS[1:], _WEIGHTS[1:], strict=True):
        sums += samples[step : step + count] * weight
    sums.sort()
    return int(np.count_nonzero(sums[1:] == sums[:-1])) >= LEAST_COPY - _STEPS[-1]


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
    count = samples.size - COMPARED + 1
    if count < 2:
        return ()
    codes = np.rint(samples * _CODE_SCALE).astype(np.int64).view(np.uint64)
    # A rolling hash modulo 2**64; what agrees in it is compared code for code below.
    hashes = np.zeros(count, dtype=np.uint64)
    for offset in range(COMPARED):
        hashes *= _BASE
        hashes += codes[offset : offset + count]
    order = np.argsort(hashes, kind="stable")
    ranked = hashes[order]
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


def _moving(samples: NDArray[np.float64], places: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Return where the codes compared are not all one and the same."""
    changes = np.concatenate(([0], np.cumsum(samples[1:] != samples[:-1])))
    # Some codes must change: a stretch that mostly stands still is no evidence of a copy.
    moving: NDArray[np.bool_] = changes[places + COMPARED - 1] - changes[places] >= COMPARED // 2
    return moving


def still_runs(samples: NDArray[np.float64]) -> tuple[tuple[int, int], ...]:
    """Return start and length of every run of at least 16 equal codes; shape (n,)."""
    flags = np.concatenate(([False], samples[1:] == samples[:-1], [False]))
    edges = np.flatnonzero(np.diff(flags.astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    return tuple(
        (int(start), int(stop - start) + 1)
        for start, stop in zip(starts, stops, strict=True)
        if stop - start + 1 >= LEAST_STILL
    )


def in_every_period(runs: int, periods: float) -> bool:
    """Return whether so many equal stretches belong to the shape of a wave: flat tops."""
    return runs >= EVERY * periods


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
