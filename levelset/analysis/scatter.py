"""How much values scatter among which some are far off."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

PER_MEDIAN = 1.4826
"""Standard deviation of normal noise over the median of its magnitude: one over the 75 % point of
the normal distribution (P. J. Huber, "Robust Statistics", 1981, section 5.1; from memory)."""


def usual_scatter(deviations: NDArray[np.float64]) -> float:
    """Return the standard deviation of normal noise that is as large by the median.

    Parameters
    ----------
    deviations : ndarray, shape (n,)
        Differences to the middle, at least one; up to half of them may be anything.
    """
    return PER_MEDIAN * float(np.median(np.abs(deviations)))
