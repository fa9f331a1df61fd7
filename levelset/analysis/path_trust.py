"""What lies between converter and reader: named from the samples of a steady tone.

A steady tone must keep level and phase. Samples that are missing, come twice or are zeroed leave
marks of their own; so do programs that ride the gain, cut what they take for noise, change the
rate or mix channels. Each finding is one line for a person, with numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.continuity import HELD_DEPTH, LEAST_JUMP_RAD, Break, find_breaks
from levelset.analysis.path_finding import Finding, FindingCode, Place
from levelset.analysis.same_codes import (
    effective_bits,
    find_copies,
    joined_codes,
    off_the_period_before,
    still_runs,
)
from levelset.analysis.tone_movement import Movement, movement_of
from levelset.analysis.tone_track import ToneTrack, frequency, track_tone, unbroken

if TYPE_CHECKING:
    from numpy.typing import NDArray

COPY_DEPTH = 0.05
FEWEST_STEPS = 30
"""A tone of fewer steps of the codes comes again code for code by chance."""
SOFT_EDGE = 0.5
"""A zero that the tone has faded into by this much was faded, not zeroed."""
LONGEST_BLOCK_S = 0.2
"""Zeros for longer are no lost block: something mutes."""
SAME_CLOCK_PPM = 3.0
CRYSTALS_PPM = 300.0
"""Two crystals differ by less: each is within 100 parts in a million."""
WANDER_S = 1.0
_TURN = 2.0 * math.pi


@dataclass(frozen=True, slots=True)
class SteadyTone:
    """What one window of a steady tone says.

    Parameters
    ----------
    findings : tuple of Finding
        Breaks of the samples and the clock; empty where the path gives no reason for doubt.
    movement : Movement or None
        How the level moves; None without a tone.
    frequency_hz, frequency_u_hz : float or None
        By the input's clock, with 95 % uncertainty, Hz.
    """

    findings: tuple[Finding, ...]
    movement: Movement | None
    frequency_hz: float | None
    frequency_u_hz: float | None


def inspect_tone(
    samples: NDArray[np.float64],
    rate_hz: float,
    played_hz: float | None,
    *,
    same_clock: bool,
) -> SteadyTone:
    """Look for whatever a steady tone cannot have done by itself.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel, full scale = 1, finite, with one steady tone; a second or more is best.
    rate_hz : float
        Sample rate, Hz.
    played_hz : float or None
        Frequency that is played, Hz; None where it is not known: the rate is not judged.
    same_clock : bool
        True where input and output are one device: the frequency must agree.

    Returns
    -------
    SteadyTone
        A loss of a whole number of periods is invisible, and the length of another is known up
        to whole periods only.
    """
    still = _still_finding(samples)
    if still is not None:
        return SteadyTone((still,), None, None, None)
    track = track_tone(samples, rate_hz, played_hz)
    if track is None:
        words = "No steady tone comes back: check the cable, and that nothing else plays."
        return SteadyTone((Finding("no_tone", words),), None, None, None)
    faults = Faults.of(samples, track)
    findings = list(faults.findings(rate_hz))
    start, stop = unbroken(track.present & ~faults.touched())
    hz = u_hz = None
    if stop - start >= 4:
        hz, u_hz = frequency(track, start, stop)
        if played_hz is not None:
            clock = _clock_finding(track, start, stop, played_hz, same_clock)
            if clock is not None:
                findings.append(clock)
    return SteadyTone(tuple(findings), movement_of(track, faults.touched()), hz, u_hz)


def _still_finding(samples: NDArray[np.float64]) -> Finding | None:
    if samples.size and np.ptp(samples) > 0.0:
        return None
    if samples.size == 0 or samples[0] == 0.0:
        words = "Nothing but exact zeros: muted, or the terminal may not use the microphone."
        return Finding("all_zero", words)
    words = f"The input stands still at {samples[0]:g} of full scale: plug the device in again."
    return Finding("stands_still", words)


class Faults:
    """Stretches of one window that are not the tone running on; `of` finds them."""

    def __init__(self, samples: NDArray[np.float64], track: ToneTrack) -> None:
        self.track = track
        self.size = samples.size
        self.zeroed: list[Place] = []
        self.frozen: list[Place] = []
        self.faded: list[Place] = []
        self.copies: list[Place] = []
        self.missing: list[Place] = []

    @classmethod
    def of(cls, samples: NDArray[np.float64], track: ToneTrack) -> Faults:
        """Find them: what stands still, then copies, then jumps of phase beside both."""
        faults = cls(samples, track)
        for at, frames in still_runs(samples):
            faults._add_still(samples, at, frames)
        step = 2.0 ** (1 - effective_bits(joined_codes(samples)))
        enough = track.amplitude >= FEWEST_STEPS * step
        for copy in find_copies(samples, track.rate_hz) if enough else ():
            inside = any(abs(copy.at - p.at) < p.frames for p in (*faults.zeroed, *faults.frozen))
            # Where the tone is cut, few codes are left, which come again by chance.
            hop = min(copy.at // track.hop, track.phasors.size - 1)
            gone = inside or not track.present[hop]
            # Behind by whole periods, a wave of few codes is its own copy.
            behind = abs(math.remainder(copy.lag * track.w, _TURN)) > COPY_DEPTH
            if not gone and behind and track.off_by(samples, copy.at, copy.frames) > COPY_DEPTH:
                faults.copies.append(Place(copy.at, copy.frames))
        for first, stop in faults._stretches():
            for found in find_breaks(samples[first:stop], track.rate_hz, _hz(track)):
                faults._add_break(found, first)
        return faults

    def _add_still(self, samples: NDArray[np.float64], at: int, frames: int) -> None:
        track = self.track
        if track.off_by(samples, at, frames) < HELD_DEPTH:
            # The tone may have been faded out before; then its end is near zero as well.
            if frames * track.w < _TURN:
                return
            self.faded.append(Place(at, frames))
            return
        off_fs = off_the_period_before(samples, at, frames, _TURN / track.w)
        if off_fs < HELD_DEPTH * track.amplitude:
            return
        span = math.ceil(1.25 * _TURN / track.w)
        sides = (samples[max(0, at - span) : at], samples[at + frames : at + frames + span])
        swings = [0.5 * float(np.ptp(side)) for side in sides if side.size >= span]
        soft = swings and min(swings) < SOFT_EDGE * track.amplitude
        if soft or frames > LONGEST_BLOCK_S * track.rate_hz:
            self.faded.append(Place(at, frames))
        elif samples[at] == 0.0:
            self.zeroed.append(Place(at, frames))
        else:
            self.frozen.append(Place(at, frames))

    def _stretches(self) -> list[tuple[int, int]]:
        """Return the frames between what stands still and where the tone is gone."""
        track = self.track
        good = np.ones(self.size, dtype=bool)
        for index in np.flatnonzero(~track.present):
            good[index * track.hop : (index + 2) * track.hop] = False
        for place in (*self.zeroed, *self.frozen, *self.faded):
            good[place.at : place.at + place.frames] = False
        edges = np.flatnonzero(np.diff(np.concatenate(([False], good, [False])).astype(np.int8)))
        return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]

    def _add_break(self, found: Break, first: int) -> None:
        at = first + found.at
        jump = math.remainder(found.frames * self.track.w, _TURN)
        if found.held or abs(jump) < LEAST_JUMP_RAD:
            # Held values are known already; without a jump the tone was only weak for a moment.
            return
        near = 3 * self.track.hop
        for place in (*self.copies, *self.zeroed, *self.frozen):
            if place.at - near <= at <= place.at + place.frames + near:
                return
        kind = self.copies if found.kind == "repeated_block" else self.missing
        kind.append(Place(at, found.frames))

    def touched(self) -> NDArray[np.bool_]:
        """Return which hops look at one of them."""
        hop = self.track.hop
        touched = np.zeros(self.track.phasors.size, dtype=bool)
        for place in (*self.zeroed, *self.frozen, *self.copies, *self.missing):
            first = max(0, place.at // hop - 2)
            touched[first : (place.at + place.frames) // hop + 2] = True
        return touched

    def findings(self, rate_hz: float) -> list[Finding]:
        """Return one finding for each kind, its places counted from the start of the window."""
        found = []
        if self.missing:
            words = f"{_times(self.missing, rate_hz)} samples are missing, at least {{}}"
            found.append(_finding("samples_missing", words, self.missing, rate_hz))
        if self.copies:
            words = f"{_times(self.copies, rate_hz)} a block comes again, {{}}"
            found.append(_finding("block_repeated", words, self.copies, rate_hz))
        if self.zeroed:
            words = f"{_times(self.zeroed, rate_hz)} samples are replaced by zeros, {{}}"
            found.append(_finding("block_zeroed", words, self.zeroed, rate_hz))
        if self.frozen:
            words = f"{_times(self.frozen, rate_hz)} the value stands still, {{}}"
            found.append(_finding("stands_still", words, self.frozen, rate_hz))
        return found


def _hz(track: ToneTrack) -> float:
    return track.w * track.rate_hz / _TURN


def _times(places: list[Place], rate_hz: float) -> str:
    at = ", ".join(f"{place.at / rate_hz:.3f}" for place in sorted(places, key=lambda p: p.at)[:3])
    more = ", ..." if len(places) > 3 else ""
    return f"At {at}{more} s" + (f" ({len(places)} times)" if len(places) > 1 else "")


def _finding(code: FindingCode, words: str, places: list[Place], rate_hz: float) -> Finding:
    most = max(place.frames for place in places)
    length = f"{most} samples ({1e3 * most / rate_hz:.1f} ms)"
    todo = ": close other programs and use a larger buffer."
    ordered = tuple(sorted(places, key=lambda p: p.at))
    return Finding(code, words.format(length) + todo, ordered)


def _clock_finding(
    track: ToneTrack, start: int, stop: int, played_hz: float, same_clock: bool
) -> Finding | None:
    hz, u_hz = frequency(track, start, stop)
    ppm, u_ppm = 1e6 * (hz / played_hz - 1.0), 1e6 * u_hz / played_hz
    if abs(ppm) > CRYSTALS_PPM + u_ppm:
        return Finding(
            "resampled",
            f"The tone comes back {ppm:+.0f} parts in a million off ({hz:.3f} Hz for "
            f"{played_hz:.3f} Hz): a rate converter is in the path; set one rate everywhere.",
        )
    middle = (start + stop) // 2
    if (stop - start) * track.hop > WANDER_S * track.rate_hz:
        early, early_u = frequency(track, start, middle)
        late, late_u = frequency(track, middle, stop)
        moved, least = 1e6 * abs(late - early) / hz, 4e6 * math.hypot(early_u, late_u) / hz
        if moved > 20.0 + least:
            return Finding(
                "resampled",
                f"The frequency of the tone wanders by {moved:.0f} parts in a million: a rate "
                "converter follows another clock; use one device, or set one rate everywhere.",
            )
    if same_clock and abs(ppm) > SAME_CLOCK_PPM + 2.0 * u_ppm:
        return Finding(
            "other_clock",
            f"The tone comes back {ppm:+.1f} parts in a million off: input and output run on two "
            "clocks; volts are not touched by it.",
        )
    return None
