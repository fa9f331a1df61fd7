"""What every port offers: blocks of samples in, one signal out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.analysis.result import Void
    from levelset.signals.signal import Playable

Flag = Literal["overflow", "underflow", "gap", "processed"]
"""What is known to be wrong with a block: the driver lost input, the output ran dry, the reader
fell behind before this block, or the samples were no whole 24-bit codes and were rounded."""

FADE_IN_S = 1.0
"""A signal that levelset plays rises for this long, s."""
LEASE_S = 0.3
"""A port that plays falls silent when ``renew`` was not called for this long (stream time)."""


def block_frames(rate_hz: int) -> int:
    """Return the frames of a block: 1024 at 48 kHz, whole multiples of it at higher rates."""
    return 1024 * max(1, round(rate_hz / 48_000))


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive samples of all input channels.

    A block without frames says that nothing has come for a while and is waited for.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        Full scale = 1.0; every value is an exact multiple of 2**-23, so that the codes can be
        stored and read again without a change.
    stream : int
        Number of the stream; a new one starts after every interruption.
    first_frame : int
        Index of the first frame in the stream.
    rate_hz : int
        Nominal sample rate, Hz.
    time_s : float
        Stream time of the first frame, s; never the wall clock.
    flags : frozenset of Flag
        What the driver said about this block.
    """

    samples: NDArray[np.float64]
    stream: int
    first_frame: int
    rate_hz: int
    time_s: float
    flags: frozenset[Flag]

    def follows(self, last: Block) -> bool:
        """Return whether no frame is missing between the last block and this one."""
        return self.stream == last.stream and self.first_frame == last.first_frame + len(
            last.samples
        )


def joined(blocks: Sequence[Block]) -> NDArray[np.float64]:
    """Return the samples of consecutive blocks, at least one; shape (frames, channels)."""
    import numpy as np

    return np.concatenate([block.samples for block in blocks])


@dataclass(frozen=True, slots=True)
class PortInfo:
    """What is known about an open port.

    Parameters
    ----------
    name : str
        Stable name of the device and input, to which a calibration belongs.
    rate_hz : int
        Nominal sample rate, Hz.
    channels : int
        Number of input channels, tip A first.
    can_play : bool
        True where ``play`` reaches an output.
    can_loop : bool
        True where that output can be led back into the input.
    """

    name: str
    rate_hz: int
    channels: int
    can_play: bool
    can_loop: bool = True


class Port(Protocol):
    """A sound card, a recording or a simulated car."""

    @property
    def info(self) -> PortInfo:
        """What is known about the port."""
        ...

    def blocks(self) -> Iterator[Block]:
        """Yield blocks as they arrive, each once; ends when the input ends."""
        ...

    def path_void(self, stream: int, first_frame: int, frames: int) -> Void | None:
        """Return what the path itself says against a stretch of frames, or None."""
        ...

    def play(self, signal: Playable, level_dbfs: float) -> None:
        """Start to play a signal at this level, faded in; raises DeviceError without output."""
        ...

    def renew(self) -> None:
        """Renew the lease on the output."""
        ...

    def silence(self) -> None:
        """Fade the output out within 20 ms; harmless when nothing plays."""
        ...

    def close(self) -> None:
        """Silence the output and release the device; harmless when closed."""
        ...


Place = Literal["open", "battery", "source", "processor", "channel"]
Leg = Literal["positive", "negative"]


@dataclass(frozen=True, slots=True)
class Point:
    """A place in the vehicle that a tip or a meter lead can touch.

    Parameters
    ----------
    place : Place
        ``open`` touches nothing; ``source`` is the tap, ``processor`` an output of the processor
        or line converter behind it, ``channel`` an amplifier's terminals.
    leg : Leg
        Positive or negative leg or terminal.
    channel : str or None
        Name of the amplifier channel for ``channel``; of another tap than the main one for
        ``source``.
    """

    place: Place
    leg: Leg = "positive"
    channel: str | None = None


class Levers(Protocol):
    """What a person's hands reach in a simulated vehicle; nothing here tells the truth."""

    def play_track(self, signal: Playable | None, level_dbfs: float = 0.0) -> None:
        """Choose what the vehicle's own player plays; None stops it."""
        ...

    def inspect(self, item: str, channel: str | None) -> str:
        """Look at what the checklist asks for; return the word of the answer."""
        ...

    def meter_ohm(self, channel: str) -> float:
        """Read the multimeter on ohms across the loose loudspeaker wires of a channel."""
        ...

    def turn_volume(self, steps: int) -> int:
        """Turn the volume by whole steps and return the number that the display shows."""
        ...

    def shown_volume(self) -> int:
        """Return the number that the display shows."""
        ...

    def turn_gain(self, channel: str | None, by_db: float) -> bool:
        """Turn a gain knob; False when it stands at its end in that direction.

        None is the level control of the processor or line converter.
        """
        ...

    def touch(self, tip: Literal["A", "B"], point: Point) -> None:
        """Put a tip on a point, or take it off with the place ``open``."""
        ...

    def meter_ac_volts(self, red: Point, black: Point | None) -> float:
        """Read the multimeter on AC volts between two points; black None is chassis."""
        ...

    def meter_dc_volts(self, red: Point, black: Point | None) -> float:
        """Read the multimeter on DC volts between two points; black None is chassis."""
        ...

    def engine(self, running: bool) -> None:
        """Start or stop the engine."""
        ...

    def engine_speed(self, rpm: float | None) -> None:
        """Hold the running engine at a speed; None lets it idle."""
        ...

    def filters(self, channel: str | None, on: bool) -> None:
        """Switch the filters of a channel on or off; None is every channel."""
        ...

    def loudspeakers(self, channel: str | None, connected: bool) -> None:
        """Connect the loudspeakers of a channel or take them off; None is every channel."""
        ...

    def mute(self, muted: bool) -> None:
        """Mute the source, or end it."""
        ...
