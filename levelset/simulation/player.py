"""What feeds the simulated source: its own player, and levelset's output."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.signals.channels import ChannelSignals, played_on
from levelset.signals.multitone import PeriodicTones
from levelset.signals.signal import Signal
from levelset.signals.steps import SteppedTone
from levelset.simulation.sines import sines_of, sum_of_sines

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.signals.signal import Playable

    Values = NDArray[np.float64]

FADE_S = 0.015
"""Every sound ends within this time, s."""

DENSE_HZ = 200.0
"""Frequency that many sines and noise count as: with an oversampling by 8 at
48 kHz, what clips folds back 50 dB or more below all that clipping adds (it falls by 12 dB an
octave)."""

Mix = tuple[tuple[str, float], ...]
"""Channels of the player with their ratios, which add up at one tap."""

LEFT: Mix = (("left", 1.0),)
"""The left channel; whatever is no signal for several channels is on all of them."""


@dataclass(slots=True)
class Sound:
    """One signal that plays, as a function of the frame position: no state moves with time.

    Parameters
    ----------
    signal : Playable
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

    signal: Playable
    gain: float
    seconds_per_frame: float
    start: float
    fade_in: float
    fade_out: float
    end: float = math.inf

    def rows(self, first: float, frames: int, factor: int, mix: Mix) -> Values:
        """Return the oversampled values in full scale.

        Parameters
        ----------
        first : float
            Position of the first value, frames.
        frames, factor : int
            Number of frames, and of values in each.
        mix : Mix
            Channels to add up.

        Returns
        -------
        ndarray, shape (frames, factor)
            A row per frame; exact for sums of sines.
        """
        if first + frames <= self.start:
            return np.zeros((frames, factor))
        own = first - self.start
        scaled = []
        for ratio, part in self.parts(mix):
            one = self._exact(part, own, frames, factor)
            one *= ratio
            scaled.append(one)
        value = _added(scaled, frames, factor)
        if own < self.fade_in or first + frames > self.end:
            position = own + np.arange(frames)[:, np.newaxis] + np.arange(factor) / factor
            value *= np.clip(position / self.fade_in, 0.0, 1.0)
            left = 1.0 - (position + self.start - self.end) / self.fade_out
            value *= np.clip(left, 0.0, 1.0)
        return value

    def over(self, position: float) -> bool:
        """Tell whether it is silent from this position on."""
        return position >= self.end + self.fade_out

    def at(self, time_s: Values, mix: Mix) -> Values:
        """Return its values at its own times, s, without fades, shape (n,)."""
        total = np.zeros_like(time_s)
        for ratio, part in self.parts(mix):
            total += ratio * part.at(time_s)
        return total

    def single_hz(self, mix: Mix) -> float | None:
        """Return the frequency if it is one sine, None if it is more, 0 for silence."""
        parts = [part for _, part in self.parts(mix)]
        if not all(isinstance(part, Signal) for part in parts):
            return None
        hz = {c.frequency_hz for p in parts if isinstance(p, Signal) for c in p.components}
        return None if len(hz) > 1 else next(iter(hz), 0.0)

    def parts(self, mix: Mix) -> list[tuple[float, Playable]]:
        """Return the signals of these channels with their ratios, each once."""
        found: list[tuple[float, Playable]] = []
        for channel, weight in mix:
            for ratio, part in played_on(self.signal, channel):
                total = self.gain * weight * ratio
                for n, (other_ratio, other) in enumerate(found):
                    if other is part:
                        found[n] = (other_ratio + total, part)
                        break
                else:
                    found.append((total, part))
        return found

    def _exact(self, part: Playable, own: float, frames: int, factor: int) -> Values:
        frame_s = self.seconds_per_frame
        if isinstance(part, Signal | PeriodicTones):
            return sum_of_sines(sines_of(part.components), own, frame_s, frames, factor)
        place = own + np.arange(frames)[:, np.newaxis] + np.arange(factor) / factor
        return part.at(np.maximum(place.ravel() * frame_s, 0.0)).reshape(frames, factor)


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
        self.changes = 0
        """Counts every change of what plays."""

    @property
    def highest_hz(self) -> float:
        """Highest frequency of the tones that play, Hz; 0 for silence.

        Many sines and noise have no harmonics to tell from aliases: they count as a tone
        of `DENSE_HZ`, for which less is computed.
        """
        return max((_tone_hz(sound.signal) for sound in self._sounds), default=0.0)

    def play_track(self, signal: Playable | None, at: int, gain: float = 1.0) -> None:
        """Let the vehicle's player change to this signal from frame ``at``; None stops it."""
        self.changes += 1
        self._end(self._track, at)
        self._track = None
        if signal is not None:
            self._track = self._start(signal, gain, self._track_seconds, at, FADE_S)

    def play_aux(self, signal: Playable, gain: float, at: int, fade_in_s: float) -> None:
        """Let levelset's output play; it runs by the interface's own clock."""
        self.end_aux(at)
        self._aux = self._start(signal, gain, 1.0 / self._rate_hz, at, fade_in_s)

    def end_aux(self, at: int) -> None:
        """Fade levelset's output out from frame ``at``."""
        self.changes += 1
        self._end(self._aux, at)
        self._aux = None

    def lease_aux(self, now: int, until: int) -> None:
        """Let levelset's output fade out from frame ``until`` unless it is leased again.

        A lease that has run out before frame ``now`` cannot be renewed.
        """
        if self._aux is not None and self._aux.end > now:
            self._aux.end = float(until)

    def forget_before(self, position: float) -> None:
        """Drop what is silent from this frame on."""
        self._sounds = [sound for sound in self._sounds if not sound.over(position)]
        if self._aux is not None and self._aux.over(position):
            self._aux = None
            self.changes += 1

    def rows(self, first: float, frames: int, factor: int, mix: Mix = LEFT) -> Values:
        """Return the oversampled values of some channels in full scale, shape (frames, factor)."""
        return _added([s.rows(first, frames, factor, mix) for s in self._sounds], frames, factor)

    def steady(self, mix: Mix = LEFT) -> tuple[Values, float]:
        """Return one span of what plays now, in full scale, as if it had always played.

        Returns
        -------
        values : ndarray, shape (n,)
            One period of a single sine, else one second or a longer period; a single 0 for
            silence.
        span_s : float
            Length of the span, s.
        """
        playing = [sound for sound in (self._track, self._aux) if sound is not None]
        single_hz = [sound.single_hz(mix) for sound in playing]
        tones_hz = {hz for hz in single_hz if hz != 0.0}
        if not tones_hz:
            return np.zeros(1), 1.0
        (first_hz, *others) = tones_hz
        if first_hz is not None and not others:
            time_s, span_s = np.arange(8192) / (8192 * first_hz), 1.0 / first_hz
        else:
            periods = [getattr(part, "period_s", 1.0) for s in playing for _, part in s.parts(mix)]
            span_s = max(1.0, *periods)
            time_s = np.arange(1 << 18) / (1 << 18) * span_s
        total = np.zeros_like(time_s)
        for sound in playing:
            total += sound.at(time_s, mix)
        return total, span_s

    def _start(
        self, signal: Playable, gain: float, seconds_per_frame: float, at: int, fade_in_s: float
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


def _added(rows: list[Values], frames: int, factor: int) -> Values:
    """Return the sum, which may be the first of them."""
    if not rows:
        return np.zeros((frames, factor))
    total = rows[0]
    for other in rows[1:]:
        total += other
    return total


def _tone_hz(signal: Playable) -> float:
    """Return the frequency of its highest tone, or `DENSE_HZ`."""
    if isinstance(signal, ChannelSignals):
        return max(_tone_hz(part) for part in signal.parts)
    tonal = isinstance(signal, Signal | SteppedTone)
    return signal.highest_hz if tonal else min(signal.highest_hz, DENSE_HZ)
