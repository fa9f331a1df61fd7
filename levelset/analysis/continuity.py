"""Whether a steady tone runs through, or samples were lost or played twice.

A tone whose frequency is known tells time by its phase. Where samples are missing, the phase
jumps ahead by ``w L``; where a block comes twice it falls back by ``w L``. Both are known modulo
the period only. A block that comes twice in the recording is the same code for code, noise
included, which tells the two apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from levelset.analysis.result import Void
from levelset.analysis.same_codes import off_the_period_before, still_runs
from levelset.analysis.scatter import usual_scatter

if TYPE_CHECKING:
    from numpy.typing import NDArray

PERIODS = 2.0
SHORTEST_BLOCK = 64
FEWEST_BLOCKS = 6
LEAST_JUMP_RAD = 0.05
SCATTERS = 8.0
LONGEST_REPEAT_S = 0.5
COMPARED = 24
"""Codes that must agree for a block to be a repeat; also the shortest block found."""
SEARCHED = (0, 4, 16, 64, 256, 1024)
"""Frames after the jump at which the codes are compared."""
HELD_DEPTH = 0.3
"""A value that stands is a gap where the tone would be elsewhere by this part of its peak."""
_TURN = 2.0 * math.pi


@dataclass(frozen=True, slots=True)
class Break:
    """One place where the tone does not run through.

    Parameters
    ----------
    kind : {"drop_out", "repeated_block"}
        What happened.
    at : int
        Frame at which it happened.
    frames : int
        Frames that stand still, are missing (least number that fits the phase), or come twice.
    held : bool
        True where the value stands still instead of being left out.
    """

    kind: Literal["drop_out", "repeated_block"]
    at: int
    frames: int
    held: bool

    def void(self, first_s: float, rate_hz: float) -> Void:
        """Return the void that it makes of a reading that began at `first_s`."""
        where = f"at {first_s + self.at / rate_hz:.3f} s"
        length = f"{1e3 * self.frames / rate_hz:.1f} ms"
        todo = "close other programs, use a larger buffer, and record again."
        if self.kind == "repeated_block":
            return Void("repeated_block", f"A block of {length} comes twice {where}: {todo}")
        if self.held:
            return Void("drop_out", f"{length} of the signal are missing {where}: {todo}")
        return Void("drop_out", f"Samples are missing {where}, at least {length}: {todo}")


def find_breaks(
    samples: NDArray[np.float64], rate_hz: float, frequency_hz: float
) -> tuple[Break, ...]:
    """Find where a steady tone does not run through; see `BlockPhases`."""
    phases = BlockPhases.of(samples, rate_hz, frequency_hz)
    return () if phases is None else phases.breaks()


@dataclass(frozen=True, slots=True)
class BlockPhases:
    """Phase of a steady tone, block after block of at least two periods and 64 frames.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel.
    rate_hz : float
        Sample rate, Hz.
    w : float
        Angular frequency of the tone as the phases say, rad per sample.
    block : int
        Frames in a block.
    theta : ndarray, shape (m,)
        Phase at frame 0 as each block says, rad.
    scatter : float
        Of the phase from block to block, rad.
    amplitude : float
        Of the tone, full scale.
    """

    samples: NDArray[np.float64]
    rate_hz: float
    w: float
    block: int
    theta: NDArray[np.float64]
    scatter: float
    amplitude: float

    @classmethod
    def of(
        cls, samples: NDArray[np.float64], rate_hz: float, frequency_hz: float
    ) -> BlockPhases | None:
        """Follow a tone.

        Parameters
        ----------
        samples : ndarray, shape (n,)
            One channel with one steady tone, at least 12 periods.
        rate_hz : float
            Sample rate, Hz.
        frequency_hz : float
            Frequency of the tone, within half a period over the window.

        Returns
        -------
        BlockPhases or None
            None with fewer than 6 blocks, or without a tone.
        """
        w = _TURN * frequency_hz / rate_hz
        period = _TURN / w
        block = round(math.ceil(max(PERIODS, SHORTEST_BLOCK / period)) * period)
        count = samples.size // block
        if count < FEWEST_BLOCKS:
            return None
        # One block's sine and cosine serve all blocks, each turned to where it stands.
        angle = w * np.arange(block)
        waves = np.stack((np.cos(angle), np.sin(angle)), 1)
        sums = samples[: count * block].reshape(count, block) @ waves
        sums -= samples.mean() * waves.sum(axis=0)
        turn = np.exp(-1j * w * block * np.arange(count))
        phasors = (sums[:, 0] - 1j * sums[:, 1]) * turn * (2.0 / block)
        amplitude = float(np.median(np.abs(phasors)))
        if amplitude == 0.0:
            return None
        theta = np.unwrap(np.angle(phasors))
        moves = np.diff(theta)
        usual = float(np.median(moves))
        scatter = usual_scatter(moves - usual)
        # What is left is the phase at frame 0 of the tone at its true frequency.
        theta = theta - usual * (np.arange(count) + 0.5 * (block - 1) / block)
        return cls(samples, rate_hz, w + usual / block, block, theta, scatter, amplitude)

    @property
    def _large(self) -> NDArray[np.bool_]:
        """Where a block's two neighbours differ by more than they scatter; shape (m - 2,)."""
        steps = self.theta[2:] - self.theta[:-2]
        limit = max(LEAST_JUMP_RAD, SCATTERS * self.scatter)
        return np.abs(steps - _TURN * np.rint(steps / _TURN)) > limit

    @property
    def jumps(self) -> bool:
        """Whether there is a break other than a value that stands still."""
        return bool(self._large[1:-1].any())

    def breaks(self) -> tuple[Break, ...]:
        """Return where the tone does not run through, in order.

        Jumps below 0.05 rad, or within 8 times the scatter of the phase, stay hidden.
        """
        samples, theta, block = self.samples, self.theta, self.block
        x = samples - samples.mean()
        held = _held(samples, x, self.w, theta, block, self.amplitude)
        found = [held] if held is not None else []
        large = self._large
        index, count = 2, theta.size
        while index < count - 2:
            if not large[index - 1]:
                index += 1
                continue
            # It happens in this block or the next, which have a phase between the two.
            before, after = float(theta[index - 1]), float(theta[index + 2])
            jump = math.remainder(after - before, _TURN)
            at = _split(x, self.w, before, after, block, index)
            if held is None or not held.at - block <= at <= held.at + held.frames + block:
                found.append(_kind(samples, at, jump, self.w, self.rate_hz))
            index += 4
        return tuple(sorted(found, key=lambda b: b.at))


def _split(
    x: NDArray[np.float64], w: float, before: float, after: float, block: int, index: int
) -> int:
    """Return the frame at which the tone before gives way to the tone after."""
    first, stop = (index - 1) * block, min((index + 3) * block, x.size)
    scale = math.sqrt(2.0) * float(x[first:stop].std())
    part, t = x[first:stop], np.arange(first, stop, dtype=np.float64)
    left = np.square(part - scale * np.cos(w * t + before))
    right = np.square(part - scale * np.cos(w * t + after))
    cost = np.concatenate(([0.0], np.cumsum(left - right)))
    return first + int(cost.argmin())


def _kind(samples: NDArray[np.float64], at: int, jump: float, w: float, rate_hz: float) -> Break:
    if not _periodic(samples, at, _TURN / w):
        lag = _repeat(samples, at, jump, w, int(LONGEST_REPEAT_S * rate_hz))
        if lag is not None:
            return Break("repeated_block", at, lag, held=False)
    return Break("drop_out", at, max(1, round(jump % _TURN / w)), held=False)


def _repeat(
    samples: NDArray[np.float64], at: int, jump: float, w: float, longest: int
) -> int | None:
    """Return how many frames before the codes after `at` were there already, or None.

    `at` is not exact, and only within the block that comes twice do the codes agree: several
    beginnings are tried.
    """
    for later in SEARCHED:
        first = at + later
        if first + COMPARED > samples.size:
            break
        now = samples[first : first + COMPARED]
        if np.ptp(now) == 0.0:
            continue
        earliest = max(0, first - longest)
        same = np.flatnonzero(samples[earliest:first] == now[0]) + earliest
        for place in same[::-1]:
            lag = first - int(place)
            fits = abs(math.remainder(jump + w * lag, _TURN)) < 0.5
            if fits and np.array_equal(now, samples[place : place + COMPARED]):
                return lag
    return None


def _periodic(samples: NDArray[np.float64], at: int, period: float) -> bool:
    """Return whether the codes before `at` repeat anyway, so that nothing can be told apart."""
    for multiple in range(1, 12):
        lag = round(multiple * period)
        if at - COMPARED - lag < 0:
            return False
        before = samples[at - COMPARED - 8 : at - 8]
        if np.array_equal(before, samples[at - COMPARED - 8 - lag : at - 8 - lag]):
            return True
    return False


def _held(
    samples: NDArray[np.float64],
    x: NDArray[np.float64],
    w: float,
    theta: NDArray[np.float64],
    block: int,
    amplitude: float,
) -> Break | None:
    """Return the longest stretch that stands still where the tone would move on."""
    runs = still_runs(samples)
    if not runs:
        return None
    start, frames = max(runs, key=lambda run: run[1])
    index = max(0, min(start // block - 1, theta.size - 1))
    t = np.arange(start, start + frames, dtype=np.float64)
    tone = amplitude * np.cos(w * t + float(theta[index]))
    off = float(np.abs(x[start : start + frames] - tone).max())
    off = min(off, off_the_period_before(samples, start, frames, _TURN / w))
    if off < HELD_DEPTH * amplitude:
        return None
    return Break("drop_out", start, frames, held=True)
