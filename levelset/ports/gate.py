"""The measurement gate: what blocks say about the path that they came through."""

from __future__ import annotations

import itertools
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from levelset.analysis.health import EXTREME
from levelset.analysis.result import Void

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.ports.base import Block, Flag

Cause = Literal[
    "device_lost", "drop_out", "repeated_block", "processed", "silent_input", "input_overload"
]

QUIET_S = 0.5
QUIET_BLOCKS = 8
RATE_OVER_S = 10.0
RATE_LIMIT = 500e-6
"""Largest deviation of the frame rate by the computer's clock; crystals stay within 100e-6."""

STEP_BLOCKS = 16
"""Blocks before and after that a step of the clock is seen over."""

STILL_FOR_S = 0.5

KEEP_S = 40.0


@dataclass(frozen=True, slots=True)
class BlockFacts:
    """What is kept of a block.

    Parameters
    ----------
    stream, first_frame, frames : int
        Where it stands.
    arrived_s : float
        When the driver handed it over, s.
    crc : int
        CRC-32 of its bytes.
    flags : frozenset of Flag
        What is known to be wrong.
    peak_to_peak_fs : float
        Of the channel that moves most, full scale.
    mean_fs : float
        Of the channel that moves most, full scale.
    extreme : int
        Samples at the ends of the scale.
    periodic : bool
        True where the second half is exactly the first: a repeat says nothing then.
    """

    stream: int
    first_frame: int
    frames: int
    arrived_s: float
    crc: int
    flags: frozenset[Flag]
    peak_to_peak_fs: float
    mean_fs: float
    extreme: int
    periodic: bool

    @classmethod
    def of(cls, block: Block, *, arrived_s: float, crc: int) -> BlockFacts:
        """Return the facts of a block."""
        samples = block.samples
        if samples.size == 0:
            return cls(
                block.stream, block.first_frame, len(samples), arrived_s, crc, block.flags,
                0.0, 0.0, 0, True,
            )  # fmt: skip
        spans = np.ptp(samples, axis=0)
        most = int(np.argmax(spans))
        half = len(samples) // 2
        extreme = np.count_nonzero(np.abs(samples) >= EXTREME)
        return cls(
            block.stream,
            block.first_frame,
            len(samples),
            arrived_s,
            crc,
            block.flags,
            float(spans[most]),
            float(samples[:, most].mean()),
            int(extreme),
            bool(np.array_equal(samples[:half], samples[half : 2 * half])),
        )


@dataclass(frozen=True, slots=True)
class Fault:
    """One reason not to trust frames.

    Parameters
    ----------
    cause : Cause
        The word for a void reading.
    sentence : str
        For the person, with numbers.
    """

    cause: Cause
    sentence: str


class Gate:
    """Keeps the facts of the last blocks and judges any stretch of frames.

    Parameters
    ----------
    rate_hz : int
        Nominal rate, Hz.
    block_frames : int
        Frames in a block.
    """

    def __init__(self, rate_hz: int, block_frames: int) -> None:
        self._rate_hz = rate_hz
        self._block_s = block_frames / rate_hz
        self._facts: deque[BlockFacts] = deque(maxlen=round(KEEP_S / self._block_s))
        self._steps: deque[tuple[int, float]] = deque(maxlen=64)
        self._rate_ppm: float | None = None
        self.longest_wait_s = max(QUIET_S, QUIET_BLOCKS * self._block_s)
        """Longest usual time from block to block, s; what comes later is a new stream."""

    def add(self, facts: BlockFacts) -> None:
        """Take the facts of the next block."""
        if self._facts and facts.stream != self._facts[-1].stream:
            self._facts.clear()
            self._steps.clear()
            self._rate_ppm = None
        self._facts.append(facts)
        self._look_for_a_step()
        if facts.first_frame // facts.frames % round(1.0 / self._block_s) == 0:
            self._rate_ppm = self._measured_ppm()

    @property
    def rate_ppm(self) -> float | None:
        """Deviation of the frame rate over the last 10 s, parts in a million; None before."""
        return self._rate_ppm

    @property
    def last_arrived_s(self) -> float:
        """When the driver handed the last block over, s; minus infinity before the first."""
        return self._facts[-1].arrived_s if self._facts else float("-inf")

    @property
    def end(self) -> int:
        """Index after the last frame of the stream."""
        return self._facts[-1].first_frame + self._facts[-1].frames if self._facts else 0

    def faults(self, stream: int, first_frame: int, frames: int) -> tuple[Fault, ...]:
        """Judge a stretch of frames.

        Parameters
        ----------
        stream, first_frame, frames : int
            The frames of a reading.

        Returns
        -------
        tuple of Fault
            The gravest first; empty where the path gives no reason for doubt.
        """
        last = first_frame + frames
        facts: list[BlockFacts] = []
        before = None
        for fact in reversed(self._facts):
            if fact.stream != stream or fact.first_frame + fact.frames <= first_frame:
                before = fact if fact.stream == stream else None
                break
            if fact.first_frame < last:
                facts.append(fact)
        facts.reverse()
        found = [*_lost_data(facts), *_repeats(facts, before)]
        found += [
            Fault("drop_out", f"{1000 * lost_s:.0f} ms of input were lost")
            for frame, lost_s in self._steps
            if first_frame < frame + STEP_BLOCKS * self._block_s * self._rate_hz
            and frame < last
            and facts
        ]
        found += _processed(facts)
        ppm = self.rate_ppm
        if ppm is not None and abs(ppm) > 1e6 * RATE_LIMIT:
            found.append(
                Fault("drop_out", f"the frame rate is off by {ppm:+.0f} parts in a million")
            )
        found += _still(facts, self._rate_hz)
        extreme = sum(f.extreme for f in facts)
        if extreme:
            found.append(Fault("input_overload", f"{extreme} samples at the ends of the scale"))
        return tuple(found)

    def void(self, stream: int, first_frame: int, frames: int) -> Void | None:
        """Return the gravest fault of a stretch of frames as a reason not to trust it."""
        faults = self.faults(stream, first_frame, frames)
        if not faults:
            return None
        sentence = faults[0].sentence
        return Void(faults[0].cause, f"{sentence[0].upper()}{sentence[1:]}: repeat the reading.")

    def _measured_ppm(self) -> float | None:
        now_s = self._facts[-1].arrived_s
        span = [f for f in self._facts if now_s - f.arrived_s <= RATE_OVER_S]
        frames = span[-1].first_frame - span[0].first_frame
        # By frames as well, for a device that hands them out as fast as they are taken.
        longest_s = max(now_s - span[0].arrived_s, frames / self._rate_hz)
        if longest_s < 0.9 * RATE_OVER_S:
            return None
        arrived_s = np.array([f.arrived_s for f in span])
        slope = frame_rate_hz(arrived_s, np.array([f.first_frame for f in span]))
        return 1e6 * (slope / self._rate_hz - 1.0)

    def _look_for_a_step(self) -> None:
        """Notice frames that the driver lost without a word: all later blocks come later.

        Single late blocks are the computer's; the earliest of some blocks is the device's.
        """
        recent = list(itertools.islice(reversed(self._facts), 2 * STEP_BLOCKS))
        if len(recent) < 2 * STEP_BLOCKS:
            return
        late_s = [f.arrived_s - f.first_frame / self._rate_hz for f in recent]
        lost_s = min(late_s[:STEP_BLOCKS]) - min(late_s[STEP_BLOCKS:])
        at = recent[STEP_BLOCKS].first_frame
        known = self._steps and at - self._steps[-1][0] < 2 * STEP_BLOCKS * recent[0].frames
        if lost_s > self._block_s and not known:
            self._steps.append((at, lost_s))


def frame_rate_hz(arrived_s: NDArray[np.float64], first_frame: NDArray[np.int64]) -> float:
    """Return the least-squares slope of frames over arrival times, Hz."""
    time_s = arrived_s - arrived_s.mean()
    frames = first_frame - first_frame.mean()
    return float(np.dot(time_s, frames) / np.dot(time_s, time_s))


def _lost_data(facts: list[BlockFacts]) -> list[Fault]:
    found = []
    if any(f.flags & {"overflow", "gap"} for f in facts):
        found.append(Fault("drop_out", "the driver or the reader lost input"))
    if any("underflow" in f.flags for f in facts):
        found.append(Fault("drop_out", "the output ran dry, so the tone was interrupted"))
    for one, two in zip(facts, facts[1:], strict=False):
        if two.first_frame != one.first_frame + one.frames:
            found.append(Fault("drop_out", "frames are missing between two blocks"))
            break
    return found


def _repeats(facts: list[BlockFacts], before: BlockFacts | None) -> list[Fault]:
    chain = facts if before is None else [before, *facts]
    repeats = sum(
        one.crc == two.crc and two.peak_to_peak_fs > 0.0 and not two.periodic
        for one, two in zip(chain, chain[1:], strict=False)
    )
    if not repeats:
        return []
    return [Fault("repeated_block", f"{repeats} blocks are copies of the block before")]


def _processed(facts: list[BlockFacts]) -> list[Fault]:
    if not any("processed" in f.flags for f in facts):
        return []
    return [
        Fault("processed", "finer than 24 bits: a gain stage or a rate converter is in the path")
    ]


def _still(facts: list[BlockFacts], rate_hz: int) -> list[Fault]:
    still = 0
    for fact in facts:
        still = still + fact.frames if fact.peak_to_peak_fs == 0.0 else 0
        if still >= STILL_FOR_S * rate_hz:
            if fact.mean_fs == 0.0:
                words = "exact zeros: muted, or the terminal may not use the microphone"
            else:
                words = f"the input stands still at {fact.mean_fs:g} of full scale"
            return [Fault("silent_input", words)]
    return []
