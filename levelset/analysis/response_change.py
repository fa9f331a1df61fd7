"""What changes in a response between two volumes: bass that is withdrawn, treble that is not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.quantity import Quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.response import Curve

MIDDLE_HZ = (400.0, 4000.0)
BASS_HZ = (20.0, 200.0)
NOTICED_DB = 0.5


@dataclass(frozen=True, slots=True)
class ResponseChange:
    """Loud less quiet.

    Parameters
    ----------
    frequency_hz : ndarray, shape (P,)
        Where both are clear of the noise, Hz.
    change_db : ndarray, shape (P,)
        Level of the loud one less that of the quiet one, the middle band taken as 0 dB.
    u_db : ndarray, shape (P,)
        95 % expanded uncertainty, dB.
    volume_db : float
        How much louder the middle band is, dB.
    bass_db : Quantity or None
        Largest change in the bass, dB: negative where it is withdrawn; None where nothing of the
        bass is seen.
    bass_hz : float or None
        Where, Hz.
    """

    frequency_hz: NDArray[np.float64]
    change_db: NDArray[np.float64]
    u_db: NDArray[np.float64]
    volume_db: float
    bass_db: Quantity | None
    bass_hz: float | None

    @property
    def bass_withdrawn(self) -> bool:
        """Bass falls by more than can be doubted and by at least half a decibel."""
        return (
            self.bass_db is not None
            and self.bass_db.high < 0.0
            and (self.bass_db.value < -NOTICED_DB)
        )


def response_change(quiet: Curve, loud: Curve) -> ResponseChange | None:
    """Compare two curves at the same frequencies.

    Parameters
    ----------
    quiet, loud : Curve
        At a low and at a high volume.

    Returns
    -------
    ResponseChange or None
        None where they share no middle band that is clear of the noise.

    Raises
    ------
    ValueError
        If the frequencies differ.
    """
    if not np.array_equal(quiet.frequency_hz, loud.frequency_hz):
        raise ValueError("two curves at the same frequencies are needed")
    both = ~(quiet.below | loud.below)
    hz = quiet.frequency_hz[both]
    middle = (hz >= MIDDLE_HZ[0]) & (hz <= MIDDLE_HZ[1])
    if not bool(middle.any()):
        return None
    change = (loud.level_db - quiet.level_db)[both]
    u = np.hypot(loud.u_db, quiet.u_db)[both]
    volume_db = float(np.median(change[middle]))
    change = change - volume_db
    bass = np.flatnonzero((hz >= BASS_HZ[0]) & (hz <= BASS_HZ[1]))
    if bass.size == 0:
        return ResponseChange(hz, change, u, volume_db, None, None)
    most = int(bass[np.abs(change[bass]).argmax()])
    return ResponseChange(
        hz,
        change,
        u,
        volume_db,
        Quantity(float(change[most]), float(u[most]), "dB"),
        float(hz[most]),
    )
