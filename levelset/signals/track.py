"""A track: a signal with silence, fades, length and dither, as codes for a player."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

from levelset.errors import UsageError
from levelset.signals.channels import ChannelSignals, part_of
from levelset.signals.multitone import PeriodicTones
from levelset.units import db_from_ratio

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.signals.signal import Playable

Bits = Literal[16, 24]
SILENCE_S = 2.0
FADE_S = 1.0
LENGTH_S = 300.0
"""Long enough that the repeat of a player falls into a reading no more than once in 5 minutes."""
RATES_HZ = (44_100, 48_000, 88_200, 96_000)
HEADROOM_CODES = 2
"""Codes that a full-scale signal is lowered by: dither of up to one code and rounding to the next
stay within the largest positive code."""
_BLOCK = 1 << 16


@dataclass(frozen=True, slots=True)
class Track:
    """A signal as it is written for a player.

    Parameters
    ----------
    signal : Playable
        The signal; the track has its name.
    caution : str
        What to mind when it is played.
    frequency_hz : float or None
        Frequency of a tone, Hz.
    length_s : float
        Whole length: 2 s of silence, 1 s fade-in, signal, 1 s fade-out, s.
    """

    signal: Playable
    caution: str
    frequency_hz: float | None
    length_s: float = LENGTH_S

    @property
    def name(self) -> str:
        """Plain name by purpose."""
        return self.signal.name

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels that have a signal of their own; none where all are alike."""
        return self.signal.channels if isinstance(self.signal, ChannelSignals) else ()

    def frames(self, rate_hz: int) -> int:
        """Return its length in frames at a rate, Hz."""
        return round(self.length_s * rate_hz)

    def gain(self, bits: Bits) -> float:
        """Return the ratio that keeps signal and dither within full scale: 1 or just below."""
        if self.signal.peak_fs == 0.0:
            return 1.0
        return min(1.0, (1.0 - HEADROOM_CODES * 2.0 ** (1 - bits)) / self.signal.peak_fs)

    def lowered_codes(self, bits: Bits) -> float:
        """Return by how many codes its peak is lowered for the sake of the dither."""
        return self.signal.peak_fs * (1.0 - self.gain(bits)) * 2.0 ** (bits - 1)

    def true_peak_dbfs(self, bits: Bits) -> float | None:
        """Return the true peak, dB over full scale, without dither; None for silence."""
        peak = self.signal.peak_fs * self.gain(bits)
        return db_from_ratio(peak) if peak > 0.0 else None

    def at(self, time_s: NDArray[np.float64], channel: int = 0) -> NDArray[np.float64]:
        """Return the value of a channel in full scale at each time of the track, s; shape (n,)."""
        import numpy as np

        part = part_of(self.signal, channel)
        value: NDArray[np.float64] = self._fade(time_s) * part.at(
            np.maximum(time_s - SILENCE_S, 0.0)
        )
        return value

    def frame_values(
        self, first: int, count: int, rate_hz: int, channel: int
    ) -> NDArray[np.float64]:
        """Return the values of a channel at the frames of a rate, Hz; shape (count,).

        A signal whose period is a whole number of frames is computed for one period only.
        """
        import numpy as np

        time_s = (first + np.arange(count)) / rate_hz
        part = part_of(self.signal, channel)
        if not isinstance(part, PeriodicTones) or (part.period_s * rate_hz) % 1.0:
            return self.at(time_s, channel)
        period = _one_period(part, rate_hz)
        place = first - round(SILENCE_S * rate_hz) + np.arange(count)
        value: NDArray[np.float64] = self._fade(time_s) * period[place % len(period)]
        return value

    def _fade(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        import numpy as np

        inside = np.minimum(time_s - SILENCE_S, self.length_s - time_s)
        gain: NDArray[np.float64] = 0.5 - 0.5 * np.cos(math.pi * np.clip(inside / FADE_S, 0.0, 1.0))
        return gain


@lru_cache(maxsize=8)
def _one_period(part: PeriodicTones, rate_hz: int) -> NDArray[np.float64]:
    import numpy as np

    return part.at(np.arange(round(part.period_s * rate_hz)) / rate_hz)


def codes(track: Track, rate_hz: int, bits: Bits, channels: int) -> Iterator[NDArray[np.int32]]:
    """Render a track, a block at a time.

    Parameters
    ----------
    track : Track
        What.
    rate_hz : int
        One of `RATES_HZ`.
    bits : {16, 24}
        Word length.
    channels : int
        Channels, each with dither of its own; as many as the track has where it is no signal for
        all alike.

    Yields
    ------
    ndarray of int32, shape (frames, channels)
        Codes of that word length, rounded after triangular dither of +-1 code (S. P. Lipshitz,
        R. A. Wannamaker and J. Vanderkooy, "Quantization and dither", J. Audio Eng. Soc. 40(5),
        1992), which keeps the error's mean and power free of the signal.

    Raises
    ------
    UsageError
        If the rate or the word length is not one of those.
    ValueError
        If the track has another number of channels.
    """
    import numpy as np

    from levelset.signals.random_codes import triangular

    require_format(rate_hz, bits)
    if track.channels and len(track.channels) != channels:
        raise ValueError(f"{track.name} has {len(track.channels)} channels, not {channels}")
    total = track.frames(rate_hz)
    scale = track.gain(bits) * 2.0 ** (bits - 1)
    for first in range(0, total, _BLOCK):
        count = min(_BLOCK, total - first)
        block = np.empty((count, channels), dtype=np.int32)
        for channel in range(channels):
            if channel == 0 or track.channels:
                value = scale * track.frame_values(first, count, rate_hz, channel)
            block[:, channel] = np.rint(value + triangular(channel + 1, first, count))
        yield block


def require_format(rate_hz: int, bits: int) -> Bits:
    """Return the word length if tracks are offered with it at this rate.

    Raises
    ------
    UsageError
        If not.
    """
    if rate_hz not in RATES_HZ:
        raise UsageError(
            f"rate of {rate_hz} Hz is not offered", f"give one of {', '.join(map(str, RATES_HZ))}"
        )
    if bits == 16:
        return 16
    if bits == 24:
        return 24
    raise UsageError(f"word length of {bits} bits is not offered", "give 16 or 24")
