"""What of an earlier window still stands for a later one, and need not be worked out again."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.fit import HarmonicFit
    from levelset.analysis.fitted import FittedTone
    from levelset.analysis.result import Clipping

SAME_RESIDUAL = 0.1
SAME_LEVEL = 0.1
"""Relative changes within which the noise of the last complete analysis still stands."""
SAME_HARMONICS = 5.0
"""Standard deviations within which harmonics have not changed."""
SAME_SHARE = 5e-6
"""Part of the fundamental within which they have not either: the least flat top that can be told,
2.5 degrees to each side, makes harmonics of 2e-5 of it (the Fourier series of its cap)."""
STANDS_S = 1.0
"""Time for which anything stands at most."""


@dataclass(frozen=True, slots=True)
class Complete:
    """A window that was analysed completely, noise, hum and all, and where it ended."""

    fitted: FittedTone
    end: int

    def holds(self, fit: HarmonicFit, n: int, end: int) -> bool:
        """Return whether a later fit leaves what this one left, so that the rest stands too.

        Whatever comes or goes, be it noise, hum or a level that moves, is in what the fit leaves.
        """
        mine = self.fitted.parts
        return (
            mine.fit.order == fit.order
            and mine.clean.size == n
            and mine.hum is None
            and end - self.end < STANDS_S * self.fitted.rate_hz
            and self.fitted.steady.level_spread <= self.fitted.steady.noise_spread
            and abs(fit.residual_energy / mine.fit.residual_energy - 1.0) < SAME_RESIDUAL
            and abs(abs(fit.phasors[0]) / abs(mine.fit.phasors[0]) - 1.0) < SAME_LEVEL
        )


@dataclass(frozen=True, slots=True)
class Judged:
    """A shape of the tops, the window it was judged on, and where that ended."""

    clipping: Clipping
    fitted: FittedTone
    over_limit: bool
    end: int

    def holds(self, fitted: FittedTone, end: int, *, over_limit: bool) -> bool:
        """Return whether a later window has the same harmonics, and so the same shape."""
        mine = self.fitted.phasors
        if fitted.phasors.size != mine.size or over_limit != self.over_limit:
            return False
        if end - self.end >= STANDS_S * fitted.rate_hz:
            return False
        moved = np.abs(_aligned(fitted.phasors) - _aligned(mine))
        scatter = fitted.noise * math.sqrt(2.0 / fitted.parts.clean.size)
        least = SAME_SHARE * abs(mine[0])
        return bool(moved.max() <= max(SAME_HARMONICS * scatter, least))


def _aligned(phasors: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Return the harmonics in the fundamental's cosine phase."""
    turn = phasors[0] / abs(phasors[0])
    return np.asarray(phasors / turn ** np.arange(1, phasors.size + 1))
