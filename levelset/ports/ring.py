"""Shared memory between the audio process and its reader: one writer, one reader, no lock."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from multiprocessing.shared_memory import SharedMemory
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = NDArray[np.float32]

KEEP_S = 8.0
"""How far the reader may fall behind before blocks are lost, s."""

HEAD = np.dtype(
    [
        ("written", "<i8"),  # blocks written so far; stored after the block itself
        ("renewals", "<i8"),  # by the reader: any change renews the lease on the output
        ("silence_below", "<i8"),  # by the reader: a sound with a lower number must end
        ("sounding", "<i8"),  # number of the sound that can be heard; 0 is silence
        ("lease_lost", "<i8"),  # highest number of a sound that ended for want of a lease
        ("played", "<i8"),  # frames given to the output
    ]
)
SLOT = np.dtype(
    [
        ("sequence", "<i8"),
        ("first_frame", "<i8"),
        ("arrived_s", "<f8"),
        ("status", "<i4"),
        ("crc", "<u4"),
    ]
)


@dataclass(frozen=True, slots=True)
class RingSpec:
    """What another process needs to attach.

    Parameters
    ----------
    name : str
        Name of the shared memory.
    frames, channels, slots : int
        Frames in a block, channels (0 where only the output runs), blocks in the ring.
    """

    name: str
    frames: int
    channels: int
    slots: int


@dataclass(frozen=True, slots=True)
class RawBlock:
    """One block as the driver gave it.

    Parameters
    ----------
    sequence : int
        Number of the block.
    first_frame : int
        Index of its first frame.
    arrived_s : float
        When the driver handed it over, s, by a clock that all processes share.
    status : int
        Bits of `Status`.
    crc : int
        CRC-32 of the samples' bytes.
    samples : ndarray, shape (frames, channels)
        Full scale = 1.0.
    """

    sequence: int
    first_frame: int
    arrived_s: float
    status: int
    crc: int
    samples: Samples


class Status:
    """Bits of a block's status."""

    INPUT_OVERFLOW = 1
    INPUT_UNDERFLOW = 2
    OUTPUT_UNDERFLOW = 4


class Ring:
    """The shared memory with its three views.

    Parameters
    ----------
    memory : SharedMemory
        At least as long as the spec asks.
    spec : RingSpec
        Its layout.
    """

    def __init__(self, memory: SharedMemory, spec: RingSpec) -> None:
        self.spec = spec
        self._memory: SharedMemory | None = memory
        buffer = memory.buf
        self._head: NDArray[Any] = np.ndarray((1,), HEAD, buffer)
        self._slots: NDArray[Any] = np.ndarray((spec.slots,), SLOT, buffer, offset=HEAD.itemsize)
        offset = HEAD.itemsize + spec.slots * SLOT.itemsize
        shape = (spec.slots, spec.frames, spec.channels)
        self._samples: Samples = np.ndarray(shape, np.float32, buffer, offset=offset)

    @classmethod
    def create(cls, *, frames: int, channels: int, rate_hz: int) -> Ring:
        """Make a new ring of `KEEP_S` for the reader's side."""
        slots = max(8, round(KEEP_S * rate_hz / frames))
        size = HEAD.itemsize + slots * (SLOT.itemsize + 4 * frames * channels)
        memory = SharedMemory(create=True, size=size)
        ring = cls(memory, RingSpec(memory.name, frames, channels, slots))
        ring._head[:] = 0  # noqa: SLF001 - not every platform hands out zeros
        return ring

    @classmethod
    def attach(cls, spec: RingSpec) -> Ring:
        """Join a ring that the reader made."""
        return cls(SharedMemory(name=spec.name), spec)

    def get(self, field: str) -> int:
        """Return a number of the head."""
        return int(self._head[field][0])

    def put(self, field: str, value: int) -> None:
        """Set a number of the head; every field has one writer."""
        self._head[field][0] = value

    def write(
        self, samples: NDArray[Any], scale: float, first_frame: int, arrived_s: float, status: int
    ) -> None:
        """Write the next block: the only work of the audio callback.

        Parameters
        ----------
        samples : ndarray, shape (frames, channels)
            As the driver gave them.
        scale : float
            Power of two that takes them to full scale = 1.0.
        first_frame, arrived_s, status
            See `RawBlock`.
        """
        sequence = self.get("written")
        place = sequence % self.spec.slots
        target = self._samples[place]
        np.multiply(samples, scale, out=target, casting="unsafe")
        crc = zlib.crc32(target)
        self._slots[place] = (sequence, first_frame, arrived_s, status, crc)
        self.put("written", sequence + 1)

    def read(self, sequence: int) -> RawBlock | None:
        """Return a copy of a block; None where it is not, not yet, or no longer whole.

        The check sum also covers processors that show another's writes out of order.
        """
        place = sequence % self.spec.slots
        found, first_frame, arrived_s, status, crc = self._slots[place].tolist()
        samples = self._samples[place].copy()
        if found != sequence or zlib.crc32(samples) != crc:
            return None
        return RawBlock(sequence, first_frame, arrived_s, status, crc, samples)

    def close(self, *, remove: bool) -> None:
        """Leave the memory, and remove it from the system as its maker."""
        memory, self._memory = self._memory, None
        if memory is None:
            return
        del self._head, self._slots, self._samples
        memory.close()
        if remove:
            memory.unlink()
