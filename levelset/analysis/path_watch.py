"""Looks at consecutive live windows for what a tone cannot have done by itself.

Cheap signs are looked for in every window: a phase that jumps, codes that stand still, codes that
come again. Only where there is one, the last windows together are inspected as by the path check
(`levelset.analysis.path_trust`). A level that moves is never held against the path by itself: a
hand on a knob does that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.continuity import BlockPhases
from levelset.analysis.fit import strongest_line
from levelset.analysis.path_signs import between, jumps, one_input, stands_still, what_moves
from levelset.analysis.path_trust import FEWEST_STEPS, LONGEST_BLOCK_S, Faults
from levelset.analysis.result import Void, VoidCode
from levelset.analysis.same_codes import (
    LEAST_COPY,
    CopySigns,
    effective_bits,
    joined_codes,
)
from levelset.analysis.tone_track import track_tone

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.path_finding import Place

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
GUARD_HOPS = 4
"""A break so close to the end of a window is only seen with the next one."""
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
        if len(channels) == 2 and one_input(channels):
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

        faults.missing = told([p for p in faults.missing if jumps(track, x, p)], there=False)
        least = COARSE_COPY if bits <= COARSE_BITS else 0
        faults.copies = told([p for p in faults.copies if p.frames >= least], there=True)
        faults.zeroed = told([p for p in faults.zeroed if between(track, p)], there=True)
        faults.frozen = told([p for p in faults.frozen if between(track, p)], there=True)
        findings = faults.findings(self._rate_hz)
        if findings:
            places = [place for found in findings for place in found.places]
            self._told = max(place.at + place.frames for place in places)
            found = min(findings, key=lambda one: one.places[0].at)
            code: VoidCode = "repeated_block" if found.code == "block_repeated" else "drop_out"
            # What was found too late for its own window spoils the one in which it was found.
            return _Fault(min(p.at for p in places), self._end, Void(code, found.sentence))
        return self._muted(
            x, first, told([p for p in faults.faded if between(track, p)], there=True)
        )

    def _signs_in(self, x: NDArray[np.float64], count: int, hz: float) -> bool:
        """Return whether a closer look is worth while: it costs several times as much."""
        phases = BlockPhases.of(x, self._rate_hz, hz)
        w = 2.0 * math.pi * hz / self._rate_hz if phases is None else phases.w
        recent = x[-count - round(TAIL_S * self._rate_hz) :]
        least = COARSE_COPY if effective_bits(self._bits) <= COARSE_BITS else LEAST_COPY
        return (
            stands_still(recent, w)
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
        words = [] if track is None else what_moves(track, self._hz)
        if len(self._kept[-1]) == 2 and one_input(self._kept[-1]):
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


def _sure(reason: str) -> str:
    return f"{reason.split(':')[0]}: a program on the way changes the samples."
