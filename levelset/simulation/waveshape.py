"""Memoryless curves of the simulated stages: low-order distortion, hard and soft limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]


def limited(values: Values, limit: float | Values, soft_knee: float, thd_percent: float) -> Values:
    """Return what a stage with this limit makes of its ideal output.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Output without limit, V.
    limit : float or ndarray, shape (n,)
        Largest magnitude, V, above 0.
    soft_knee : float
        0 clips hard; see `soft_limit`.
    thd_percent : float
        Distortion of a sine that just reaches the limit of a hard clipping stage, %.

    Returns
    -------
    ndarray, shape (n,)
        Output, V, within +- limit.
    """
    part = values / limit
    part = soft_limit(part, soft_knee) if soft_knee > 0.0 else np.clip(part, -1.0, 1.0, out=part)
    if thd_percent > 0.0:
        part = low_order(part, thd_percent)
    part *= limit
    return part


def soft_limit(part: Values, soft_knee: float) -> Values:
    """Return the soft limit of values in parts of the limit.

    With a = 1 - soft_knee: unchanged up to a; beyond it
    ``a + soft_knee * tanh((|u| - a) / soft_knee)``, which has the slope 1 at a and comes near 1
    but never reaches a flat top.

    Parameters
    ----------
    part : ndarray, shape (n,)
        Input, 1 = the limit.
    soft_knee : float
        Above 0, up to 1.

    Returns
    -------
    ndarray, shape (n,)
        Output within -1 to 1.
    """
    linear = 1.0 - soft_knee
    straight = np.clip(part, -linear, linear)
    excess = part - straight
    excess /= soft_knee
    np.tanh(excess, out=excess)
    excess *= soft_knee
    straight += excess
    return straight


def low_order(part: Values, thd_percent: float) -> Values:
    """Return values within -1 to 1 with weak odd distortion.

    ``u - b (u^3 - u^5)``. The bracket is 0 at 0 and +-1 and so is its slope at 0: the limit and
    the small-signal gain stay exact. For a sine of amplitude 1 its fundamental is 1/8, its 3rd
    and 5th harmonic -1/16 each (cos^3 = (3 c1 + c3) / 4, cos^5 = (10 c1 + 5 c3 + c5) / 16 with
    c_k = cos k x; any table of power reductions), so that b = d / (sqrt 2 / 16 + d / 8) gives
    exactly the THD d there. At lower levels the THD is smaller, in the end with the square of the
    level; the gain is lower by 2.6 d at the most. It is monotonic, and steeper towards the limit,
    so that only the limit itself makes tops flat.

    Parameters
    ----------
    part : ndarray, shape (n,)
        Input within -1 to 1.
    thd_percent : float
        THD of a sine of amplitude 1, 0 to 5 %.

    Returns
    -------
    ndarray, shape (n,)
        Output within -1 to 1.
    """
    thd = thd_percent / 100.0
    weight = thd / (math.sqrt(2.0) / 16.0 + thd / 8.0)
    square = part * part
    factor = 1.0 - square
    factor *= square
    factor *= -weight
    factor += 1.0
    factor *= part
    return factor
