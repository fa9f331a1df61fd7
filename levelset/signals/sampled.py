"""A signal that is known by its samples: an excerpt of music, speech or noise."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.signals.interpolation import between_points
from levelset.units import SQRT2, db_from_ratio

if TYPE_CHECKING:
    from numpy.typing import NDArray

FINER = 4
"""Points of the table for each sample."""
LONGEST_S = 60.0
GAP_S = 0.01
"""Silence after an excerpt that does not repeat, before the end meets the beginning, s."""


@dataclass(frozen=True, slots=True, eq=False)
class SampledSignal:
    """Samples between which the value is known too.

    Parameters
    ----------
    name, purpose : str
        Plain name by purpose, and one line of what it is for.
    table : ndarray, shape (m,)
        The band-limited signal through the samples, at `FINER` times their rate, full scale.
    rate_hz : float
        Rate of the samples, Hz.
    repeats : bool
        Whether it begins again where it ends; else it is silent from there on.
    peak_fs : float
        Bound of its magnitude, at most 2 % above the true peak, full scale.
    level_dbfs : float or None
        Level, so that a full-scale sine is 0 dBFS (AES17); None for silence.
    """

    name: str
    purpose: str
    table: NDArray[np.float64]
    rate_hz: float
    repeats: bool
    peak_fs: float
    level_dbfs: float | None

    @property
    def highest_hz(self) -> float:
        """Half the rate of the samples, Hz."""
        return 0.5 * self.rate_hz

    @property
    def length_s(self) -> float:
        """Length, or period, s."""
        return len(self.table) / (FINER * self.rate_hz)

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the value in full scale at each time, s, from 0; shape (n,)."""
        value = between_points(self.table, time_s * (FINER * self.rate_hz))
        if not self.repeats:
            value[(time_s < -GAP_S) | (time_s > self.length_s)] = 0.0
        return value


def sampled_signal(
    name: str, purpose: str, samples: NDArray[np.float64], rate_hz: float, *, repeats: bool
) -> SampledSignal:
    """Return samples as a signal.

    The points between them come from zero-padding the spectrum, which is exact for what repeats
    and is band limited.

    Parameters
    ----------
    name, purpose, rate_hz, repeats
        As in `SampledSignal`.
    samples : ndarray, shape (n,)
        At most a minute, finite, full scale.

    Raises
    ------
    ValueError
        If there are none, too many, or not all are finite.
    """
    if samples.ndim != 1 or not 0 < samples.size <= LONGEST_S * rate_hz:
        raise ValueError(f"one channel of up to {LONGEST_S:g} s is needed, got {samples.shape}")
    if not np.isfinite(samples).all():
        raise ValueError("a sample is not finite")
    if not repeats:
        samples = np.concatenate((samples, np.zeros(math.ceil(GAP_S * rate_hz))))
    lines = np.fft.rfft(samples)
    if samples.size % 2 == 0:
        # The line at half the rate stands for two lines of half its size.
        lines[-1] *= 0.5
    table = np.fft.irfft(lines, FINER * samples.size) * FINER
    table.setflags(write=False)
    power = float(np.square(samples).mean())
    level_dbfs = db_from_ratio(SQRT2 * math.sqrt(power)) if power > 0.0 else None
    # No trigonometric polynomial is larger between points that are so close (H. Ehlich and
    # K. Zeller, Math. Z. 86, 1964).
    close = np.fft.irfft(lines, 2 * FINER * samples.size) * (2 * FINER)
    peak_fs = float(np.abs(close).max()) / math.cos(math.pi / (4 * FINER))
    return SampledSignal(name, purpose, table, rate_hz, repeats, peak_fs, level_dbfs)
