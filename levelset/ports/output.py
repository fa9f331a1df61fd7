"""What the audio process plays: exact signals with ramps, on a lease."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from levelset.ports.base import FADE_IN_S, LEASE_S
from levelset.ports.codes import CODE_SCALE
from levelset.signals.channels import values_on

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.ports.ring import Ring
    from levelset.signals.signal import Playable

RAMP_S = 0.02
"""A signal falls for this long, s."""

HIGHEST_DBFS = -1.0
"""Highest peak of anything played, dBFS: converters and mixers limit above it."""

HIGHEST_FS = 10.0 ** (HIGHEST_DBFS / 20.0)


@dataclass(slots=True)
class Sound:
    """A signal that is being played.

    Parameters
    ----------
    number : int
        Counts up with every order to play.
    signal : Playable
        What.
    outputs : tuple of int or None
        Output channels from 0; None is all.
    start_frame : int
        Output frame at which its time is 0.
    gain, target, step : float
        Ratio now, ratio wanted, change a frame.
    """

    number: int
    signal: Playable
    outputs: tuple[int, ...] | None
    start_frame: int
    gain: float
    target: float
    step: float

    def same_as(self, other: Sound) -> bool:
        """Tell whether the other differs in level only."""
        return (self.signal, self.outputs) == (other.signal, other.outputs)


class Output:
    """Fills the output's buffers.

    Parameters
    ----------
    ring : Ring
        Where the lease is renewed and the state is shown.
    rate_hz : int
        Rate of the output, Hz.
    """

    def __init__(self, ring: Ring, rate_hz: int) -> None:
        self.frame = 0
        self._ring = ring
        self._rate_hz = rate_hz
        self._sounds: tuple[Sound, ...] = ()
        self._orders: list[Sound] = []
        self._renewals = ring.get("renewals")
        self._renewed_s = float("-inf")
        self._ended = False

    @property
    def silent(self) -> bool:
        """True when nothing sounds and nothing is ordered."""
        return not self._sounds and not self._orders

    def play(
        self, number: int, signal: Playable, ratio: float, outputs: tuple[int, ...] | None
    ) -> None:
        """Order a signal; the next buffer begins it, and ends what sounded before.

        The same signal on the same outputs goes on without a jump of phase to the new ratio.
        """
        # A signal may make a table at its first use, for which the callback has no time.
        signal.at(np.zeros(1))
        step = ratio / (FADE_IN_S * self._rate_hz)
        self._orders.append(Sound(number, signal, outputs, 0, 0.0, ratio, step))

    def end(self) -> None:
        """Ramp to silence for good."""
        self._ended = True

    def fill(self, out: NDArray[Any], scale: float, now_s: float) -> None:
        """Fill a buffer of the output; the only work of its callback.

        Parameters
        ----------
        out : ndarray, shape (frames, channels)
            The driver's buffer.
        scale : float
            Driver's value of full scale.
        now_s : float
            Now, s, by a clock that only runs forward.
        """
        renewals = self._ring.get("renewals")
        if renewals != self._renewals:
            self._renewals, self._renewed_s = renewals, now_s
        if self._orders:
            self._begin(self._orders.pop(0), now_s)
        if self._sounds:
            self._end_what_must(now_s)
            count, channels = out.shape
            mixed = np.zeros((count, channels))
            for sound in self._sounds:
                gain, time_s = self._next(sound, count)
                outputs = range(channels) if sound.outputs is None else sound.outputs
                for channel, value in values_on(sound.signal, outputs, time_s):
                    mixed[:, channel] += gain * value
            np.clip(mixed, -HIGHEST_FS, HIGHEST_FS, out=mixed)
            # Whole codes of 24 bits at most, so that a perfect path returns what was played.
            codes = CODE_SCALE if scale == 1.0 else min(scale, CODE_SCALE)
            np.rint(mixed * codes, out=mixed)
            np.multiply(mixed, scale / codes, out=out, casting="unsafe")
            self._sounds = tuple(s for s in self._sounds if s.gain > 0.0 or s.target > 0.0)
        else:
            out.fill(0)
        self.frame += len(out)
        self._ring.put("played", self.frame)
        self._ring.put("sounding", max((s.number for s in self._sounds), default=0))

    def _begin(self, order: Sound, now_s: float) -> None:
        # An order is as good as a renewal: whoever gave it was alive.
        self._renewed_s = now_s
        before = self._sounds[-1] if self._sounds else None
        if before is None or before.target == 0.0 or not before.same_as(order):
            for sound in self._sounds:
                self._let_fall(sound)
            order.start_frame = self.frame
            self._sounds = (*self._sounds, order)
            return
        span_s = FADE_IN_S if order.target > before.gain else RAMP_S
        before.number, before.target = order.number, order.target
        before.step = (order.target - before.gain) / (span_s * self._rate_hz)

    def _end_what_must(self, now_s: float) -> None:
        lost = now_s - self._renewed_s > LEASE_S
        floor = self._ring.get("silence_below")
        for sound in self._sounds:
            if sound.target > 0.0 and (lost or self._ended or sound.number < floor):
                self._let_fall(sound)
                if lost:
                    self._ring.put("lease_lost", sound.number)

    def _let_fall(self, sound: Sound) -> None:
        if sound.target > 0.0:
            sound.target = 0.0
            sound.step = -max(sound.gain, 1e-9) / (RAMP_S * self._rate_hz)

    def _next(self, sound: Sound, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return its gain and its own time, s, for the next frames."""
        frames = np.arange(count, dtype=np.float64)
        gain = sound.gain + sound.step * (frames + 1)
        low, high = sorted((sound.gain, sound.target))
        np.clip(gain, low, high, out=gain)
        sound.gain = float(gain[-1])
        if sound.gain == sound.target:
            sound.step = 0.0
        time_s = (self.frame - sound.start_frame + frames) / self._rate_hz
        return gain, time_s
