"""The last seconds of input: a reading names its frames, its capture is exactly those."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from levelset.ports.base import Block
from levelset.probe.reading import Frames

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

KEEP_S = 30.0
"""How much is kept; longer than any reading may wait for its acceptance."""

CODE_SCALE = 2**23
"""Codes per full scale in a 24-bit capture."""


class Tape:
    """Consecutive blocks of the newest stream."""

    def __init__(self) -> None:
        self._blocks: deque[Block] = deque()

    def add(self, block: Block) -> None:
        """Append a block; a block of another stream, or after a gap, starts a new tape."""
        if self._blocks:
            last = self._blocks[-1]
            expected = last.first_frame + len(last.samples)
            if block.stream != last.stream or block.first_frame != expected:
                self._blocks.clear()
        self._blocks.append(block)
        limit = self.end - int(KEEP_S * block.rate_hz)
        while self._blocks[0].first_frame + len(self._blocks[0].samples) < limit:
            self._blocks.popleft()

    @property
    def stream(self) -> int:
        """Number of the stream on the tape; -1 when empty."""
        return self._blocks[-1].stream if self._blocks else -1

    @property
    def start(self) -> int:
        """Index of the first frame that is still there."""
        return self._blocks[0].first_frame if self._blocks else 0

    @property
    def end(self) -> int:
        """Index after the last frame."""
        last = self._blocks[-1] if self._blocks else None
        return 0 if last is None else last.first_frame + len(last.samples)

    def cut(self, frames: Frames) -> NDArray[np.float64]:
        """Return the samples of these frames.

        Parameters
        ----------
        frames : Frames
            Frames of the stream that is on the tape.

        Returns
        -------
        ndarray, shape (frames.count, channels)
            Full scale = 1.0.

        Raises
        ------
        LookupError
            If they are not, or no longer, on the tape.
        """
        import numpy as np

        last = frames.first + frames.count
        if frames.stream != self.stream or frames.first < self.start or last > self.end:
            raise LookupError(f"frames {frames.first} to {last} are not on the tape")
        parts = []
        for block in self._blocks:
            low = max(frames.first - block.first_frame, 0)
            high = min(last - block.first_frame, len(block.samples))
            if low < high:
                parts.append(block.samples[low:high])
        return np.concatenate(parts)


def codes_from_samples(samples: NDArray[np.float64]) -> NDArray[np.int32]:
    """Return the 24-bit codes of samples that are exact multiples of 2**-23.

    Raises
    ------
    ValueError
        If a sample is not an exact code: then it did not come from the input.
    """
    import numpy as np

    scaled = samples * CODE_SCALE
    codes = np.rint(scaled)
    if not np.array_equal(codes, scaled) or np.abs(codes).max(initial=0) > CODE_SCALE:
        raise ValueError("samples are not exact 24-bit codes")
    return codes.clip(-CODE_SCALE, CODE_SCALE - 1).astype(np.int32)
