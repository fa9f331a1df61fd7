"""Contact of a tip that a hand puts on: late by some milliseconds, and bouncing at first."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

LATE_S = 0.02
"""Two tips that are put on together touch within this time, s."""

BOUNCE_S = (0.005, 0.05)
"""Shortest and longest time until contact is firm, s."""

SPELL_S = 0.004
"""Mean time between two changes while it bounces, s."""


class Contact:
    """One tip.

    Parameters
    ----------
    rate_hz : int
        Sample rate, Hz.
    seed : list of int
        Seed of its bounces.
    """

    def __init__(self, rate_hz: int, seed: list[int]) -> None:
        self._rate_hz = rate_hz
        self._random = np.random.default_rng(seed)
        self._pending = np.empty(0, dtype=np.bool_)

    def close(self) -> None:
        """Begin to touch with the next sample."""
        rate, uniform = self._rate_hz, self._random.uniform
        late = round(uniform(0.0, LATE_S) * rate)
        closed = np.zeros(late + round(uniform(*BOUNCE_S) * rate), dtype=np.bool_)
        at, on = late, True
        while at < len(closed):
            spell = 1 + round(self._random.exponential(SPELL_S) * rate)
            closed[at : at + spell] = on
            at, on = at + spell, not on
        self._pending = closed

    def interrupt(self, volts: NDArray[np.float64]) -> None:
        """Take the voltage away, in place, from the samples without contact, shape (n,)."""
        if self._pending.size == 0:
            return
        now = self._pending[: len(volts)]
        volts[: len(now)] *= now
        self._pending = self._pending[len(now) :]
