"""A tone that falls back at regular times: the moments to turn a knob by one step."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from levelset.units import ratio_from_db

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.signals.signal import Signal


@dataclass(frozen=True, slots=True)
class SteppedTone:
    """A tone that holds, falls back, and comes again without a jump of phase.

    Parameters
    ----------
    tone : Signal
        The tone; it gives name, purpose and level.
    hold_s, low_s : float
        How long it holds at its level and how long it is low, s, both ramps included in the
        latter.
    low_db : float
        Level while it is low, relative, dB, below 0.
    ramp_s : float
        Length of each raised-cosine ramp, s, at most half of `low_s`.
    """

    tone: Signal
    hold_s: float
    low_s: float
    low_db: float
    ramp_s: float

    @property
    def name(self) -> str:
        """Name of the tone."""
        return self.tone.name

    @property
    def purpose(self) -> str:
        """Purpose of the tone."""
        return self.tone.purpose

    @property
    def peak_fs(self) -> float:
        """Peak while it holds."""
        return self.tone.peak_fs

    @property
    def level_dbfs(self) -> float | None:
        """Level while it holds."""
        return self.tone.level_dbfs

    @property
    def highest_hz(self) -> float:
        """Frequency of the tone, Hz."""
        return self.tone.highest_hz

    @property
    def period_s(self) -> float:
        """From one step to the next, s."""
        return self.hold_s + self.low_s

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the exact value in full scale at each time, s; shape (n,)."""
        import numpy as np

        place = np.mod(time_s, self.period_s) - self.hold_s
        # Distance into the low part from its nearer end, in ramps.
        depth = np.clip(np.minimum(place, self.low_s - place) / self.ramp_s, 0.0, 1.0)
        low = ratio_from_db(self.low_db)
        gain = 1.0 - (1.0 - low) * (0.5 - 0.5 * np.cos(math.pi * depth))
        return gain * self.tone.at(time_s)
