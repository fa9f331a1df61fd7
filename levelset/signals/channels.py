"""Signals for a player with several channels: one for each, and which channel hears what."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import numpy as np
    from numpy.typing import NDArray

    from levelset.signals.signal import Playable

LAYOUTS: dict[int, tuple[str, ...]] = {
    2: ("left", "right"),
    4: ("front-left", "front-right", "rear-left", "rear-right"),
    6: ("front-left", "front-right", "centre", "low", "rear-left", "rear-right"),
}
"""Channels of a file in their order: RFC 9639 (FLAC), 9.1.3, the same as in WAV files; `low` is
what it calls low-frequency effects."""

_INSTEAD: dict[str, tuple[tuple[str, ...], ...]] = {
    "left": (("front-left",),),
    "right": (("front-right",),),
    "front-left": (("left",),),
    "front-right": (("right",),),
    "rear-left": (("left",),),
    "rear-right": (("right",),),
    "centre": (("left", "right"), ("front-left", "front-right")),
    "low": (("left", "right"), ("front-left", "front-right")),
}
"""What a player's channel carries of a track without it: the first of these that is there."""

CHANNELS = tuple(_INSTEAD)
"""Every channel that a player may have."""


@dataclass(frozen=True, slots=True)
class ChannelSignals:
    """One signal for each channel of a player.

    Parameters
    ----------
    name, purpose : str
        Plain name by purpose, and one line of what it is for.
    channels : tuple of str
        Names of the channels, in the order of a file.
    parts : tuple of Playable
        What each plays.
    """

    name: str
    purpose: str
    channels: tuple[str, ...]
    parts: tuple[Playable, ...]

    @property
    def peak_fs(self) -> float:
        """Largest bound of all channels, full scale."""
        return max(part.peak_fs for part in self.parts)

    @property
    def level_dbfs(self) -> float | None:
        """Level of the loudest channel; None for silence."""
        levels = [part.level_dbfs for part in self.parts if part.level_dbfs is not None]
        return max(levels, default=None)

    @property
    def highest_hz(self) -> float:
        """Highest frequency of all channels, Hz."""
        return max(part.highest_hz for part in self.parts)

    @property
    def period_s(self) -> float:
        """Longest period of its channels, s; 0 where none has one."""
        return max(float(getattr(part, "period_s", 0.0)) for part in self.parts)

    def at(self, time_s: NDArray[np.float64], channel: int = 0) -> NDArray[np.float64]:
        """Return the value of one channel in full scale at each time, s; shape (n,)."""
        return self.parts[channel].at(time_s)


def part_of(signal: Playable, channel: int) -> Playable:
    """Return what a file's channel, from 0, holds of a signal."""
    return signal.parts[channel] if isinstance(signal, ChannelSignals) else signal


def values_on(
    signal: Playable, outputs: Iterable[int], time_s: NDArray[np.float64]
) -> Iterator[tuple[int, NDArray[np.float64]]]:
    """Yield what each output, from 0, plays of a signal at these times, s.

    A signal that is no `ChannelSignals` is on all of them alike; of one that is, an output beyond
    its channels plays nothing.
    """
    if isinstance(signal, ChannelSignals):
        for output in outputs:
            if output < len(signal.parts):
                yield output, signal.parts[output].at(time_s)
        return
    value = signal.at(time_s)
    for output in outputs:
        yield output, value


def played_on(signal: Playable, channel: str) -> tuple[tuple[float, Playable], ...]:
    """Return what a player puts on one of its channels.

    Parameters
    ----------
    signal : Playable
        What it plays; a signal that is no `ChannelSignals` is on all channels.
    channel : str
        One of `CHANNELS`.

    Returns
    -------
    tuple of (float, Playable)
        Ratios and signals that add up; a channel that a track does not have carries what is
        nearest to it (common practice, no source).
    """
    if not isinstance(signal, ChannelSignals):
        return ((1.0, signal),)
    for names in ((channel,), *_INSTEAD[channel]):
        if all(name in signal.channels for name in names):
            return tuple(
                (1.0 / len(names), signal.parts[signal.channels.index(name)]) for name in names
            )
    return ()
