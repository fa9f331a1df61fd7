"""The steady part of a stretch of tone: without silence and fades at its ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.fit import strongest_line
from levelset.analysis.scatter import usual_scatter

if TYPE_CHECKING:
    from numpy.typing import NDArray

BLOCK_S = 0.05
LOOK_S = 0.25
LOUD = 0.5
"""Part of the usual level from which the tone is there."""
LOW = 0.25
"""An end that begins below this part of the level is silence or a fade, above it is a change."""
AT_LEVEL = 0.9
"""A block of a low tone, which holds no whole periods, still has that part of its level."""
TOLERANCE = 0.012
"""0.1 dB."""
MARGIN_BLOCKS = 2
"""What a soft fade still lacks within the tolerance."""


def steady_part(samples: NDArray[np.float64], rate_hz: float) -> tuple[int, int]:
    """Find where the tone stands at its level.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel.
    rate_hz : float
        Sample rate, Hz.

    Returns
    -------
    start, stop : int
        Frames; everything where there is no silence and no fade at an end. A level that changes
        without coming from silence, or going to it, is left in for the reading to refuse.
    """
    n = samples.size
    block = max(8, round(BLOCK_S * rate_hz))
    if n < 8 * block or not bool(np.isfinite(samples).all()):
        return 0, n
    # Blocks counted from either end, so that none of the two ends falls between them.
    from_start, from_stop = _levels(samples, block), _levels(samples[::-1], block)
    usual = float(np.percentile(from_start, 80.0))
    loud = np.flatnonzero(from_start > LOUD * usual), np.flatnonzero(from_stop > LOUD * usual)
    if usual == 0.0 or min(loud[0].size, loud[1].size) < 4:
        return 0, n
    cut_start, cut_stop = _from_silence(from_start, usual), _from_silence(from_stop, usual)
    if not (cut_start or cut_stop):
        return 0, n
    first, last = int(loud[0][0]) * block, n - int(loud[1][0]) * block
    middle, half = (first + last) // 2, min(round(LOOK_S * rate_hz), last - first) // 2
    period = 2.0 * np.pi / strongest_line(samples[middle - half : middle + half])
    # Whole periods, so that the level of a block does not depend on where it begins.
    block = max(1, round(np.ceil(block / period) * period))
    start = first + _settled(samples[first:last], block) if cut_start else 0
    stop = last - _settled(samples[first:last][::-1], block) if cut_stop else n
    if stop - start < 4 * block:
        return first if cut_start else 0, last if cut_stop else n
    return start, stop


def _levels(samples: NDArray[np.float64], block: int) -> NDArray[np.float64]:
    """Return the RMS of every whole block about its mean."""
    whole = samples[: samples.size // block * block].reshape(-1, block)
    return np.asarray(whole.std(axis=1))


def _from_silence(levels: NDArray[np.float64], usual: float) -> bool:
    """Return whether levels begin in silence, in a fade, or with one too short to show as such."""
    short = levels[0] < AT_LEVEL * usual and bool(np.all(levels[2:5] > AT_LEVEL * usual))
    return bool(levels[0] < LOW * usual) or short


def _settled(samples: NDArray[np.float64], block: int) -> int:
    """Return the frames until the level has come to its median."""
    levels = _levels(samples, block)
    if levels.size < 6:
        return 0
    usual = float(np.median(levels))
    scatter = usual_scatter(levels - usual)
    inside = np.abs(levels - usual) <= max(TOLERANCE * usual, 4.0 * scatter)
    for index in range(levels.size - 2):
        if bool(inside[index : index + 3].all()):
            return (index + MARGIN_BLOCKS) * block
    return 0
