"""Looks at consecutive live windows for what a tone cannot have done by itself.

Cheap signs are looked for in every window: a phase that jumps, codes that stand still, codes that
come again. Only where there is one, the last windows together are inspected as by the path check
(`levelset.analysis.path_trust`). A level that moves is never held against the path by itself: a
hand on a knob does that.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.continuity import LEAST_JUMP_RAD, BlockPhases
from levelset.analysis.fit import hann, strongest_line
from levelset.analysis.path_trust import CRYSTALS_PPM, FEWEST_STEPS, LONGEST_BLOCK_S, Faults
from levelset.analysis.result import Void, VoidCode
from levelset.analysis.same_codes import (
    LEAST_COPY,
    CopySigns,
    effective_bits,
    joined_codes,
    off_the_period_before,
    still_runs,
    whole_periods,
)
from levelset.analysis.tone_movement import level_finding, movement_of
from levelset.analysis.tone_track import frequency, track_tone, unbroken
from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.path_finding import Place
    from levelset.analysis.tone_track import ToneTrack

TAIL_S = 0.1
TAIL_PERIODS = 20.0
"""What is looked at before a window: the longest usual block, and periods enough for a phase."""
CLOSE_S = 0.35
"""What a closer look takes in at least: the longest block of zeros, and the tone beside it."""
KEEP_S = 2.5
"""How much is kept for a path that is known to change the samples, s."""
CHANGE_S = 0.2
"""How often it is said anew what changes the samples, s."""
MOST_FAULTS = 64
HOP_PERIODS = 2.0
LEAST_PERIODS = 12.0
STILL_DEPTH = 0.05
"""Part of the swing by which codes that stand still must be off the period before."""
GUARD_HOPS = 4
"""A break so close to the end of a window is only seen with the next one."""
SAME_LEVEL_DB = 0.2
"""Lost samples leave the level as it was; a click of a volume control with a filter does not."""
SCATTERS = 4.0
LEVEL_SCATTERS = 2.0
"""The mean of four hops scatters half as much as one of them."""
OTHER = 0.05
"""Part of the power that may change from period to period beside a loss."""
NOISE_FS = 2.0**-22
"""Two inputs with noise above this are not alike by themselves; rounding to 24 bits is below."""
COARSE_BITS = 16
"""An input of so few bits may give zeros by itself where nothing is connected."""
COARSE_COPY = 64
"""Shortest copy that counts there: where a low tone turns, few codes come in the same order."""

SAME_CODES = (
    "Both inputs carry the same samples, code for code: one is shown twice, or both are mixed to "
    "one; choose a profile with two input channels, or read one channel."
)


class PathWatch:
    """Sees the samples of one input as they come, each once, and keeps what was found in them.

    Parameters
    ----------
    rate_hz : float
        Sample rate, Hz.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._signs = CopySigns()
        self._kept: list[NDArray[np.float64]] = []
        self._stream = -1
        self._start = self._looked = self._end = 0
        self._told = -1
        self._bits = 0
        self._hz: float | None = None
        self._faults: list[_Fault] = []
        self._alike = (0, 0)
        self._change: _Change | None = None

    def look(
        self,
        samples: NDArray[np.float64],
        stream: int,
        first: int,
        *,
        tone_hz: float | None = None,
        port_void: Void | None = None,
    ) -> Void | None:
        """Look at what is new in the next window, and judge the window; see `take` and `void`."""
        self.take(samples, stream, first, tone_hz=tone_hz)
        if not bool(np.isfinite(samples[:, :2]).all()):
            return port_void
        return self.void(first, len(samples), port_void)

    def take(
        self,
        samples: NDArray[np.float64],
        stream: int,
        first: int,
        *,
        tone_hz: float | None = None,
    ) -> None:
        """Look at samples as far as they are new.

        Parameters
        ----------
        samples : ndarray, shape (n, channels)
            Codes as multiples of 2**-23. What is lost is lost in all channels: the loudest of the
            first two is looked at.
        stream, first : int
            Stream and index of the first frame; what does not follow the samples before without
            a gap is looked at alone.
        tone_hz : float or None
            Frequency of the tone where it is known, Hz.
        """
        channels = np.ascontiguousarray(samples[:, :2].T)
        if not bool(np.isfinite(channels).all()):
            return
        if tone_hz is not None:
            self._hz = tone_hz
        stop = first + channels.shape[1]
        known = stream == self._stream and self._start <= first <= self._end
        if known and len(self._kept[0]) == len(channels):
            channels = channels[:, self._end - first :]
        else:
            self._begin(stream, first)
        if channels.shape[1] == 0:
            return
        self._kept.append(channels)
        fresh_from, self._end = self._end, stop
        while sum(kept.shape[1] for kept in self._kept[1:]) >= KEEP_S * self._rate_hz:
            self._start += self._kept.pop(0).shape[1]
        self._bits |= joined_codes(channels)
        if len(channels) == 2 and _one_input(channels):
            joins = self._alike[1] == fresh_from
            self._alike = (self._alike[0] if joins else fresh_from, stop)
        found = self._broken()
        if found is not None:
            self._faults.append(found)
            del self._faults[:-MOST_FAULTS]

    def void(self, first: int, frames: int, port_void: Void | None = None) -> Void | None:
        """Return what spoils a stretch of the samples that were seen.

        Parameters
        ----------
        first, frames : int
            The stretch, in the newest stream.
        port_void : Void or None
            What the port says against it; its word counts where the samples say nothing more
            exact.

        Returns
        -------
        Void or None
            ``drop_out``, ``repeated_block`` or ``processed`` with the place and the reason, the
            port's own void, or None.
        """
        if port_void is not None and port_void.code in ("input_overload", "device_lost"):
            return port_void
        if port_void is not None and port_void.code == "processed":
            return self._changed(port_void)
        stop = first + frames
        # The newest knows the whole length of what is said twice.
        for fault in reversed(self._faults):
            if fault.first < stop and first < fault.stop:
                return fault.void
        if port_void is not None:
            return port_void
        # Nothing is common with an empty stretch, wherever it lies.
        if max(first, self._alike[0]) < min(stop, self._alike[1]):
            return Void("processed", SAME_CODES)
        return None

    def _begin(self, stream: int, first: int) -> None:
        self._kept.clear()
        self._faults.clear()
        self._told, self._bits, self._alike, self._change = -1, 0, (first, first), None
        self._stream, self._start, self._looked, self._end = stream, first, first, first

    def _newest(self, channel: int, frames: int) -> NDArray[np.float64]:
        """Return the newest frames of one channel, as far as they are kept."""
        parts: list[NDArray[np.float64]] = []
        for window in reversed(self._kept):
            parts.append(window[channel, -frames:])
            frames -= len(parts[-1])
            if frames <= 0:
                break
        return np.concatenate(parts[::-1])

    def _loudest(self) -> int:
        return int(np.argmax(np.ptp(self._kept[-1], axis=1)))

    def _broken(self) -> _Fault | None:
        """Return what is lost, repeated or held since the last look that could tell."""
        count = min(self._end - self._looked, self._end - self._start)
        channel = self._loudest()
        window = self._newest(channel, count)
        if np.ptp(window) == 0.0 and (self._hz is None or self._looked == self._start):
            self._looked = self._end
            return None
        hz = self._tone_hz(window) if self._hz is None else self._hz
        x = self._newest(channel, count + self._tail(hz))
        looked = self._looked
        if x.size >= LEAST_PERIODS * self._rate_hz / hz:
            # With fewer periods a phase cannot be judged: the next look takes them once more.
            self._looked = self._end
        if not self._signs_in(x, count, hz):
            return None
        x = self._newest(channel, max(x.size, round(CLOSE_S * self._rate_hz)))
        track = track_tone(x, self._rate_hz, hz, hop_periods=HOP_PERIODS)
        if track is None:
            # A tone with a break has two lines; each half is likely to have one.
            for half in (window[: count // 2], window[count // 2 :]):
                if track is None and np.ptp(half) > 0.0:
                    hz = self._tone_hz(half)
                    track = track_tone(x, self._rate_hz, hz, hop_periods=HOP_PERIODS)
        bits = effective_bits(self._bits)
        if track is None or track.amplitude < FEWEST_STEPS * 2.0 ** (1 - bits):
            return None
        faults = Faults.of(x, track)
        first = self._end - x.size
        since = max(looked - GUARD_HOPS * track.hop, self._told + 1)

        def told(places: list[Place], *, there: bool) -> list[Place]:
            """Return what is new, counted from the start of the stream.

            What is `there` takes frames of the stream; missing samples do not.
            """
            moved = [replace(place, at=place.at + first) for place in places]
            return [p for p in moved if p.at + (p.frames if there else 0) > since]

        faults.missing = told([p for p in faults.missing if _jumps(track, x, p)], there=False)
        least = COARSE_COPY if bits <= COARSE_BITS else 0
        faults.copies = told([p for p in faults.copies if p.frames >= least], there=True)
        faults.zeroed = told([p for p in faults.zeroed if _between(track, p)], there=True)
        faults.frozen = told([p for p in faults.frozen if _between(track, p)], there=True)
        findings = faults.findings(self._rate_hz)
        if findings:
            places = [place for found in findings for place in found.places]
            self._told = max(place.at + place.frames for place in places)
            found = min(findings, key=lambda one: one.places[0].at)
            code: VoidCode = "repeated_block" if found.code == "block_repeated" else "drop_out"
            # What was found too late for its own window spoils the one in which it was found.
            return _Fault(min(p.at for p in places), self._end, Void(code, found.sentence))
        return self._muted(
            x, first, told([p for p in faults.faded if _between(track, p)], there=True)
        )

    def _signs_in(self, x: NDArray[np.float64], count: int, hz: float) -> bool:
        """Return whether a closer look is worth while: it costs several times as much."""
        phases = BlockPhases.of(x, self._rate_hz, hz)
        w = 2.0 * math.pi * hz / self._rate_hz if phases is None else phases.w
        recent = x[-count - round(TAIL_S * self._rate_hz) :]
        least = COARSE_COPY if effective_bits(self._bits) <= COARSE_BITS else LEAST_COPY
        return (
            _stands_still(recent, w)
            or (phases is not None and phases.jumps)
            or self._signs.seen(recent, w, least)
        )

    def _muted(self, x: NDArray[np.float64], first: int, faded: list[Place]) -> _Fault | None:
        """Return a tone that gives way to exact zeros: no fine converter does that."""
        for place in faded:
            zeros = x[place.at - first : place.at - first + place.frames]
            if place.frames >= LONGEST_BLOCK_S * self._rate_hz and not np.any(zeros):
                self._told = place.at + place.frames
                void = Void(
                    "processed",
                    f"At {place.at / self._rate_hz:.3f} s the tone gives way to exact zeros: a "
                    "noise gate or a mute switch is in the path; switch it off.",
                )
                return _Fault(place.at, self._end, void)
        return None

    def _tone_hz(self, x: NDArray[np.float64]) -> float:
        return strongest_line(x) * self._rate_hz / (2.0 * math.pi)

    def _tail(self, hz: float) -> int:
        return round(max(TAIL_S, TAIL_PERIODS / hz) * self._rate_hz)

    def _changed(self, port_void: Void) -> Void:
        """Say what changes the samples, where the port is sure that something does."""
        sure = _sure(port_void.reason)
        if self._change is None or self._end - self._change.end >= CHANGE_S * self._rate_hz:
            self._change = _Change(self._end, self._what_changes())
        words = self._change.words
        return Void("processed", " ".join((sure, *words))) if words else port_void

    def _what_changes(self) -> list[str]:
        if not self._kept:
            return []
        x = self._newest(self._loudest(), round(KEEP_S * self._rate_hz))
        track = track_tone(x, self._rate_hz, self._hz, hop_periods=HOP_PERIODS)
        words = [] if track is None else _what_moves(track, self._hz)
        if len(self._kept[-1]) == 2 and _one_input(self._kept[-1]):
            words.append("both inputs carry the same samples: mixed to one.")
        return words


@dataclass(frozen=True, slots=True)
class _Fault:
    """What was found: frames `first` to `stop` of the stream are void by it."""

    first: int
    stop: int
    void: Void


@dataclass(frozen=True, slots=True)
class _Change:
    """What changes the samples, as said at a frame of the stream."""

    end: int
    words: list[str]


def _stands_still(x: NDArray[np.float64], w: float) -> bool:
    """Return whether codes stand still where a tone would not, or for over a period."""
    period = 2.0 * math.pi / w
    far_fs = STILL_DEPTH * float(np.ptp(x))
    return any(
        frames >= period or off_the_period_before(x, at, frames, period) > far_fs
        for at, frames in still_runs(x)
    )


def _sure(reason: str) -> str:
    return f"{reason.split(':')[0]}: a program on the way changes the samples."


def _what_moves(track: ToneTrack, tone_hz: float | None) -> list[str]:
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


def _between(track: ToneTrack, place: Place) -> bool:
    """Return whether the tone is there on both sides of a place, not only begins or ends."""
    before, after = place.at // track.hop - 2, (place.at + place.frames) // track.hop + 1
    there = track.present
    return before >= 0 and after < there.size and bool(there[before] and there[after])


def _jumps(track: ToneTrack, x: NDArray[np.float64], place: Place) -> bool:
    """Return whether one and the same steady wave goes on after a place with another phase."""
    hop = place.at // track.hop
    # Each hop looks at two hops' length: those that touch the place are left out.
    before = track.phasors[max(0, hop - 5) : max(0, hop - 1)]
    after = track.phasors[hop + 1 : hop + 5]
    if before.size == 0 or after.size == 0:
        return False
    moves = track.phasors[1:] * track.phasors[:-1].conj()
    scatter_rad = 1.4826 * float(np.median(np.abs(np.angle(moves))))
    scatter_db = 1.4826 * float(np.median(np.abs(np.diff(track.levels_db))))
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


def _one_input(channels: NDArray[np.float64]) -> bool:
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
