"""A signal that is known exactly: its components are fields, not samples."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Playable(Protocol):
    """Whatever can be played: its value is known at any time, not only at samples."""

    @property
    def name(self) -> str:
        """Plain name by purpose."""

    @property
    def purpose(self) -> str:
        """One line: what it is for."""

    @property
    def peak_fs(self) -> float:
        """Bound of its magnitude between the samples too, full scale."""

    @property
    def level_dbfs(self) -> float | None:
        """Level, so that a full-scale sine is 0 dBFS (AES17); None for silence."""

    @property
    def highest_hz(self) -> float:
        """Highest frequency in it, Hz; 0 for silence."""

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the value in full scale at each time, s, from 0."""


@dataclass(frozen=True, slots=True)
class Component:
    """One sine of a signal.

    Parameters
    ----------
    frequency_hz : float
        Frequency, Hz, above 0.
    amplitude_fs : float
        Peak, full scale, 0 to 1.
    phase_rad : float
        Phase of the sine at time 0.
    """

    frequency_hz: float
    amplitude_fs: float
    phase_rad: float


@dataclass(frozen=True, slots=True)
class Signal:
    """A sum of sines with a name that says its purpose.

    Parameters
    ----------
    name : str
        Plain name by purpose, such as ``set-bass``.
    purpose : str
        One line: what it is for.
    components : tuple of Component
        The sines; none is silence.
    outputs : tuple of int or None
        Output channels from 0 that it belongs on; None is all.
    """

    name: str
    purpose: str
    components: tuple[Component, ...]
    outputs: tuple[int, ...] | None = None

    @property
    def peak_fs(self) -> float:
        """Sum of the components' peaks: the true peak of one sine, a bound of several."""
        return sum(part.amplitude_fs for part in self.components)

    @property
    def level_dbfs(self) -> float | None:
        """10 lg of the sum of squared peaks: the level of components of different frequency."""
        power = sum(part.amplitude_fs**2 for part in self.components)
        return 10.0 * math.log10(power) if power > 0.0 else None

    @property
    def highest_hz(self) -> float:
        """Highest frequency of its components, Hz; 0 for silence."""
        return max((part.frequency_hz for part in self.components), default=0.0)

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the exact value in full scale at each time.

        Parameters
        ----------
        time_s : ndarray, shape (n,)
            Times by the player's clock, s.

        Returns
        -------
        ndarray, shape (n,)
            Sum of the components.
        """
        import numpy as np

        value = np.zeros_like(time_s)
        for part in self.components:
            angle = 2.0 * np.pi * part.frequency_hz * time_s + part.phase_rad
            value += part.amplitude_fs * np.sin(angle)
        return value
