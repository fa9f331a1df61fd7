"""Whole 24-bit codes out of what a driver handed over."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from levelset.ports.base import Block
from levelset.ports.ring import Status

if TYPE_CHECKING:
    from levelset.ports.base import Flag
    from levelset.ports.ring import RawBlock

CODE_SCALE = 2.0**23


def block_from(
    raw: RawBlock, *, stream: int, began_s: float, rate_hz: int, after_gap: bool
) -> Block:
    """Return what a procedure gets of a block as the driver handed it over.

    Parameters
    ----------
    raw : RawBlock
        Samples as they came, float32.
    stream : int
        Number of the stream.
    began_s : float
        Stream time of its first frame, s.
    rate_hz : int
        Nominal rate, Hz.
    after_gap : bool
        True where the reader fell behind before this block.

    Returns
    -------
    Block
        Whole 24-bit codes; flagged ``processed`` where they had to be rounded to become that.
    """
    samples = raw.samples.astype(np.float64)
    codes = np.rint(samples * CODE_SCALE)
    exact = bool(np.array_equal(codes, samples * CODE_SCALE))
    if not exact:
        samples = codes / CODE_SCALE
    flags: set[Flag] = set()
    if raw.status & (Status.INPUT_OVERFLOW | Status.INPUT_UNDERFLOW):
        flags.add("overflow")
    if raw.status & Status.OUTPUT_UNDERFLOW:
        flags.add("underflow")
    if after_gap:
        flags.add("gap")
    if not exact:
        flags.add("processed")
    time_s = began_s + raw.first_frame / rate_hz
    return Block(samples, stream, raw.first_frame, rate_hz, time_s, frozenset(flags))
