"""A limiter that turns the level down slowly and so keeps a tone clean."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]

HOLD_S = 0.1
"""Longer than half a period of anything audible: the largest value of a steady tone within it is
the same at every moment, and so is the gain."""

MOVE_S = 0.05
"""Time constant of the gain, s."""


class SlowLimiter:
    """Gain that follows the largest value of the last tenth of a second.

    Parameters
    ----------
    limit_v_peak : float
        Largest value that passes once the gain has settled, V.
    rate_hz : int
        Frames a second, Hz.
    """

    settle_s = HOLD_S
    """What came before this time does not count any more once it has started, s."""

    def __init__(self, limit_v_peak: float, rate_hz: int) -> None:
        self._limit_v_peak = limit_v_peak
        self._past = np.zeros(math.ceil(HOLD_S * rate_hz) - 1)
        self._keep = math.exp(-1.0 / (MOVE_S * rate_hz))
        self._gain: float | None = None

    def run(self, rows: Values) -> Values:
        """Return the next values, shape (frames, factor).

        The very first ones are taken as if they had always been there.
        """
        from scipy.ndimage import maximum_filter1d
        from scipy.signal import lfilter

        frames, hold = len(rows), len(self._past) + 1
        peaks = np.concatenate((self._past, np.abs(rows).max(axis=1)))
        self._past = peaks[frames:]
        # The largest of each value and the hold - 1 before it.
        held = maximum_filter1d(peaks, hold, origin=(hold - 1) // 2)[-frames:]
        wanted = self._limit_v_peak / np.maximum(held, self._limit_v_peak)
        before = float(wanted[-1]) if self._gain is None else self._gain
        gain, _ = lfilter([1.0 - self._keep], [1.0, -self._keep], wanted, zi=[self._keep * before])
        self._gain = float(gain[-1])
        turned_down: Values = rows * gain[:, np.newaxis]
        return turned_down


def settled_gain(values: Values, limit_v_peak: float) -> float:
    """Return the gain that a span comes to when it goes on for ever; shape (n,)."""
    return limit_v_peak / max(float(np.abs(values).max()), limit_v_peak)
