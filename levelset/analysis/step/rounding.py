"""Codes so coarse that the noise does not move them: what rounding hides, made into noise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]

STILL_PART = 0.5
"""Part of neighbours with the same code from which the noise no longer covers the rounding: that of
Gaussian noise of half a code, which is what it takes to make a mean linear (Lipshitz, Wannamaker
and Vanderkooy, Quantization and Dither, J. Audio Eng. Soc. 40 (1992); from memory)."""

ROW_NOISE = 0.5
"""Standard deviation of the noise that is added to the rows, in codes: the most that a constant
can be off by."""


def coarse_code(samples: Values) -> Values:
    """Return the size of a code for every channel whose noise does not cover it.

    Parameters
    ----------
    samples : ndarray, shape (n, channels)
        Raw codes, full scale = 1.

    Returns
    -------
    ndarray, shape (channels,)
        Full scale; 0 where noise covers the rounding, or where nothing moves at all.
    """
    code = np.inf
    for channel in samples.T:
        found = np.diff(np.unique(channel))
        code = min(code, float(found.min(initial=np.inf)))
    if not np.isfinite(code):
        return np.zeros(samples.shape[1])
    still = np.mean(samples[1:] == samples[:-1], axis=0)
    sizes: Values = np.where(still > STILL_PART, code, 0.0)
    return sizes


def roughened(rows: Values, code: Values) -> Values:
    """Return the rows with noise as large as what the rounding of their codes can hide.

    A level between two codes reads as one of them, without any noise that would say so; a fit would
    believe it. The noise is the same in every run, so that a stored touch reads the same again.

    Parameters
    ----------
    rows : ndarray, shape (m, channels)
        Full scale.
    code : ndarray, shape (channels,)
        As `coarse_code` gives it.
    """
    if not code.any():
        return rows
    noise = np.random.default_rng(0).standard_normal(rows.shape)
    added: Values = rows + ROW_NOISE * code * noise
    return added
