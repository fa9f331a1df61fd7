"""A value that levers change in one go and that moves over one block."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


class Glide:
    """The value in force; it moves in a straight line.

    Parameters
    ----------
    value : float
        Where it begins.
    """

    def __init__(self, value: float) -> None:
        self.now = value

    def to(self, target: float, count: int) -> float | NDArray[np.float64]:
        """Return the value over the next ``count`` samples: a number where it rests."""
        start, self.now = self.now, target
        if start == target:
            return target
        return start + (target - start) * (np.arange(1, count + 1) / count)
