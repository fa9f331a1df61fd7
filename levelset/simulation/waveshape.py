"""Memoryless curves of the simulated stages: low-order distortion, hard and soft limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]

_HARMONICS = (-0.0375, 0.0125, 0.025)
"""Amplitudes of the 3rd, 5th and 7th harmonic of ``u^3 - 2.6 u^5 + 1.6 u^7`` at u = cos."""


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

    ``u + b (u^3 - 2.6 u^5 + 1.6 u^7)``. The bracket is 0 at 0 and +-1, its slope at 0 is 0, and
    its fundamental for a sine of amplitude 1 is 0 (with cos^3 = (3 c1 + c3) / 4, cos^5 = (10 c1 +
    5 c3 + c5) / 16, cos^7 = (35 c1 + 21 c3 + 7 c5 + c7) / 64, c_k = cos k x; any table of power
    reductions). So the limit, the small-signal gain and the level of a full sine stay exact, the
    THD of a full sine is exactly the stated one, and at lower levels it falls with the square of
    the level. It is monotonic for all ``thd_percent`` up to 9.

    Parameters
    ----------
    part : ndarray, shape (n,)
        Input within -1 to 1.
    thd_percent : float
        THD of a sine of amplitude 1, %.

    Returns
    -------
    ndarray, shape (n,)
        Output within -1 to 1.
    """
    weight = thd_percent / 100.0 / math.hypot(*_HARMONICS)
    square = part * part
    bracket = square * 1.6
    bracket -= 2.6
    bracket *= square
    bracket += 1.0
    bracket *= square
    bracket *= weight
    bracket += 1.0
    bracket *= part
    return bracket
