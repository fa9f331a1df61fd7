"""A few steady tones at once: hum or whine beside a tone beats, but nothing in it changes.

Seen through short frames two tones near each other rise and fall like a chime. Over the whole
stretch they are lines of constant height, whose sum leaves next to nothing; what rings, glides or
is switched leaves the rest of its band.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.fit import hann

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_TONES = 4
LEFT = 0.05
"""Part of the power that four tones may leave. Measured: steady ones leave their noise; a tone
switched eight times a second leaves 0.06, one that rings 0.08, sounds of a desktop 0.05 to 0.99."""
APART_BINS = 1.5
"""Lines nearer than this over the stretch's length make up whatever fades, by beating once."""
LONGEST_S = 2.0
_STEPS = 3


def is_few_tones(samples: NDArray[np.float64], rate_hz: float) -> bool:
    """Tell whether two to four tones of constant height make up all but 5 % of the power.

    One tone that leaves so little does not beat: it may be turned. The strongest line of what is
    left is added until enough is explained; heights, phases and frequencies of all are fitted
    together by least squares (Gauss-Newton).

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel or a pair, any unit; of more than 2 s the first 2 s count.
    rate_hz : float
        Sample rate, Hz.

    Returns
    -------
    bool
    """
    x = samples[: int(LONGEST_S * rate_hz)]
    x = x - x.mean()
    n, power = x.size, float(x @ x)
    window, padded = hann(n), 1 << math.ceil(math.log2(2 * n))
    at = np.arange(n) - 0.5 * (n - 1)
    rest, w = x, np.empty(0)
    for _ in range(MOST_TONES):
        spectrum = np.abs(np.fft.rfft(rest * window, padded))
        # Below two periods a stretch nothing is told from a drift.
        lowest = 2 * padded // n
        place = lowest + int(spectrum[lowest:].argmax())
        w, rest = _fitted(x, at, np.append(w, 2.0 * math.pi * place / padded))
        if w.size > 1 and float(np.diff(np.sort(w)).min()) * n < 2.0 * math.pi * APART_BINS:
            return False
        if float(rest @ rest) <= LEFT * power:
            return w.size > 1
    return False


def _fitted(
    x: NDArray[np.float64], at: NDArray[np.float64], w: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the angular frequencies that fit best, rad per sample, and what is left."""
    w, k = w.copy(), w.size
    for step in range(_STEPS):
        phase = np.outer(w, at)
        waves = np.concatenate((np.cos(phase), np.sin(phase)))
        sizes = _least_squares(waves, x)
        if step == _STEPS - 1:
            break
        slopes = at * (sizes[k:, np.newaxis] * waves[:k] - sizes[:k, np.newaxis] * waves[k:])
        moved = _least_squares(np.concatenate((waves, slopes)), x)[2 * k :]
        # Farther off than half a bin lies another line.
        w += np.clip(moved, -math.pi / x.size, math.pi / x.size)
    return w, x - sizes @ waves


def _least_squares(rows: NDArray[np.float64], x: NDArray[np.float64]) -> NDArray[np.float64]:
    sizes: NDArray[np.float64] = np.linalg.pinv(rows @ rows.T, hermitian=True) @ (rows @ x)
    return sizes
