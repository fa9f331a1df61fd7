"""What feeds the simulated source: its own player, and levelset's output."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.signals.signal import Signal

    Values = NDArray[np.float64]

FADE_S = 0.015
"""Every sound ends within this time, s."""


@dataclass(slots=True)
class Sound:
    """One signal that plays, as a function of the frame position: no state moves with time.

    Parameters
    ----------
    signal : Signal
        What plays.
    gain : float
        Ratio to the signal's own level.
    seconds_per_frame : float
        By the clock of whoever plays it.
    start : float
        Frame at which it starts, at its own time 0.
    fade_in, fade_out : float
        Lengths of the linear fades, frames.
    end : float
        Frame at which the fade out begins.
    """

    signal: Signal
    gain: float
    seconds_per_frame: float
    start: float
    fade_in: float
    fade_out: float
    end: float = math.inf

    def rows(self, first: int, frames: int, factor: int) -> Values:
        """Return the exact oversampled values in full scale.

        Parameters
        ----------
        first : int
            First frame.
        frames, factor : int
            Number of frames, and of values in each.

        Returns
        -------
        ndarray, shape (frames, factor)
            A row per frame.
        """
        own = np.arange(first, first + frames, dtype=np.float64) - self.start
        value = self.gain * _sines(
            self.signal, own * self.seconds_per_frame, self.seconds_per_frame / factor, factor
        )
        if own[0] < self.fade_in or first + frames > self.end:
            position = own[:, np.newaxis] + np.arange(factor) / factor
            value *= np.clip(position / self.fade_in, 0.0, 1.0)
            left = 1.0 - (position + self.start - self.end) / self.fade_out
            value *= np.clip(left, 0.0, 1.0)
        return value

    def over(self, position: float) -> bool:
        """Tell whether it is silent from this position on."""
        return position >= self.end + self.fade_out


class Player:
    """All that plays into the source at one moment.

    Parameters
    ----------
    rate_hz : int
        Rate of the interface by its own clock, Hz.
    clock_ppm : float
        How much faster the vehicle's player runs, parts per million.
    """

    def __init__(self, rate_hz: int, clock_ppm: float) -> None:
        self._rate_hz = rate_hz
        self._track_seconds = (1.0 + clock_ppm * 1e-6) / rate_hz
        self._track: Sound | None = None
        self._aux: Sound | None = None
        self._sounds: list[Sound] = []

    @property
    def highest_hz(self) -> float:
        """Highest frequency that plays, Hz; 0 for silence."""
        parts = (part.frequency_hz for sound in self._sounds for part in sound.signal.components)
        return max(parts, default=0.0)

    def play_track(self, signal: Signal | None, at: int) -> None:
        """Let the vehicle's player change to this signal from frame ``at``; None stops it."""
        self._end(self._track, at)
        self._track = None
        if signal is not None:
            self._track = self._start(signal, 1.0, self._track_seconds, at, FADE_S)

    def play_aux(self, signal: Signal, gain: float, at: int, fade_in_s: float) -> None:
        """Let levelset's output play; it runs by the interface's own clock."""
        self.end_aux(at)
        self._aux = self._start(signal, gain, 1.0 / self._rate_hz, at, fade_in_s)

    def end_aux(self, at: int) -> None:
        """Fade levelset's output out from frame ``at``."""
        self._end(self._aux, at)
        self._aux = None

    def lease_aux(self, now: int, until: int) -> None:
        """Let levelset's output fade out from frame ``until`` unless it is leased again.

        A lease that has run out before frame ``now`` cannot be renewed.
        """
        if self._aux is not None and self._aux.end > now:
            self._aux.end = float(until)

    def forget_before(self, position: int) -> None:
        """Drop what is silent from this frame on."""
        self._sounds = [sound for sound in self._sounds if not sound.over(position)]
        if self._aux is not None and self._aux.over(position):
            self._aux = None

    def rows(self, first: int, frames: int, factor: int) -> Values:
        """Return the oversampled values in full scale, shape (frames, factor)."""
        total = np.zeros((frames, factor))
        for sound in self._sounds:
            total += sound.rows(first, frames, factor)
        return total

    def steady(self) -> Values:
        """Return one span of what plays now, in full scale, as if it had always played.

        Returns
        -------
        ndarray, shape (n,)
            One period of a single sine, else one second; a single 0 for silence.
        """
        playing = [sound for sound in (self._track, self._aux) if sound is not None]
        parts = [part for sound in playing for part in sound.signal.components]
        if not parts:
            return np.zeros(1)
        if len(parts) == 1:
            time_s = np.arange(8192) / (8192 * parts[0].frequency_hz)
        else:
            time_s = np.arange(1 << 18) / (1 << 18)
        total = np.zeros_like(time_s)
        for sound in playing:
            total += sound.gain * sound.signal.at(time_s)
        return total

    def _start(
        self, signal: Signal, gain: float, seconds_per_frame: float, at: int, fade_in_s: float
    ) -> Sound:
        sound = Sound(
            signal=signal,
            gain=gain,
            seconds_per_frame=seconds_per_frame,
            start=float(at),
            fade_in=fade_in_s * self._rate_hz,
            fade_out=FADE_S * self._rate_hz,
        )
        self._sounds.append(sound)
        return sound

    def _end(self, sound: Sound | None, at: int) -> None:
        if sound is not None:
            sound.end = min(sound.end, float(at))


def _sines(signal: Signal, start_s: Values, step_s: float, count: int) -> Values:
    """Return `Signal.at` at every start plus 0 ... count - 1 steps, shape (starts, count).

    By sin(a + b) = sin a cos b + cos a sin b it is one matrix product instead of a sine for
    every value; the result is the same to a few units in the last place.
    """
    if not signal.components:
        return np.zeros((len(start_s), count))
    omega = np.array([2.0 * np.pi * part.frequency_hz for part in signal.components])
    phase = np.array([part.phase_rad for part in signal.components])
    size = np.array([part.amplitude_fs for part in signal.components])
    a = np.multiply.outer(start_s, omega) + phase
    b = np.multiply.outer(omega, step_s * np.arange(count))
    left = np.concatenate((size * np.sin(a), size * np.cos(a)), axis=1)
    right = np.concatenate((np.cos(b), np.sin(b)))
    product: Values = left @ right
    return product
