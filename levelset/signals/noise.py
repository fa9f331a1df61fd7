"""Pink noise: sampled once, periodic, and known between its samples."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from levelset.units import SQRT2, db_from_ratio, ratio_from_db

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TABLE_RATE_HZ = 96_000
TABLE_FRAMES = 2**21
"""Period of 21.8 s; the lines of its spectrum lie 0.046 Hz apart."""
BAND_HZ = (20.0, 20_000.0)
SEED = 1


@dataclass(frozen=True, slots=True)
class PinkNoise:
    """Noise of equal power in every octave from 20 Hz to 20 kHz.

    Parameters
    ----------
    name : str
        Plain name by purpose.
    purpose : str
        One line: what it is for.
    rms_dbfs : float
        Level, so that a full-scale sine is 0 dBFS (AES17).
    """

    name: str
    purpose: str
    rms_dbfs: float

    @property
    def level_dbfs(self) -> float | None:
        """The level."""
        return self.rms_dbfs

    @property
    def peak_fs(self) -> float:
        """True peak of the whole period, full scale."""
        return _table_peak() * ratio_from_db(self.rms_dbfs)

    @property
    def highest_hz(self) -> float:
        """Upper end of its band, Hz."""
        return BAND_HZ[1]

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the value in full scale at each time.

        Parameters
        ----------
        time_s : ndarray, shape (n,)
            Times by the player's clock, s, not negative.

        Returns
        -------
        ndarray, shape (n,)
            Lagrange interpolation between the nearest points of the period.
        """
        from levelset.signals.interpolation import between_points

        value = between_points(_table(), time_s * TABLE_RATE_HZ)
        return value * ratio_from_db(self.rms_dbfs)


@lru_cache(maxsize=1)
def _table() -> NDArray[np.float64]:
    """One period at a level of 0 dBFS: random lines whose power falls as 1/f."""
    import numpy as np

    from levelset.signals.random_codes import near_normal

    lines = np.fft.rfft(near_normal(SEED, TABLE_FRAMES))
    frequency_hz = np.arange(lines.size) * (TABLE_RATE_HZ / TABLE_FRAMES)
    inside = (frequency_hz >= BAND_HZ[0]) & (frequency_hz <= BAND_HZ[1])
    lines[~inside] = 0.0
    lines[inside] /= np.sqrt(frequency_hz[inside])
    noise = np.fft.irfft(lines, TABLE_FRAMES)
    noise /= SQRT2 * math.sqrt(float(np.square(noise).mean()))
    noise.setflags(write=False)
    return noise


@lru_cache(maxsize=1)
def _table_peak() -> float:
    import numpy as np

    from levelset.signals.true_peak import true_peak

    table = _table()
    # The period wraps: its end is put before its beginning and the other way round.
    return true_peak(np.concatenate((table[-64:], table, table[:64])))


def pink_noise(name: str, purpose: str, level_dbfs: float) -> PinkNoise:
    """Return pink noise at a level.

    Parameters
    ----------
    name, purpose : str
        As in `PinkNoise`.
    level_dbfs : float
        Level, dBFS.

    Raises
    ------
    ValueError
        If its peaks would exceed full scale.
    """
    noise = PinkNoise(name, purpose, level_dbfs)
    if noise.peak_fs > 1.0:
        raise ValueError(
            f"pink noise at {level_dbfs:g} dBFS peaks at {db_from_ratio(noise.peak_fs):.1f} dBFS"
        )
    return noise
