"""AC coupling of an interface input, and how to undo it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class Coupling:
    """High-pass of an input, relative to the frequency it was calibrated at.

    Parameters
    ----------
    poles_hz : tuple of float
        Corner of each first-order high-pass, Hz, above 0; empty for a DC-coupled input.
    reference_hz : float
        Frequency at which the scale holds as it is, Hz, above 0.

    Raises
    ------
    ValueError
        If a frequency is not above 0 and finite.
    """

    poles_hz: tuple[float, ...]
    reference_hz: float

    def __post_init__(self) -> None:
        for frequency in (*self.poles_hz, self.reference_hz):
            if not (math.isfinite(frequency) and frequency > 0.0):
                raise ValueError(f"a frequency must be above 0 Hz, got {frequency}")

    def transfer(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Return H(f) = product of jf / (jf + f_i).

        Parameters
        ----------
        frequency_hz : array_like
            Frequencies, Hz, above 0.

        Returns
        -------
        ndarray of complex
            Same shape. First-order RC high-pass (any circuit textbook).
        """
        import numpy as np

        jf = 1j * np.asarray(frequency_hz, dtype=np.float64)
        h = np.ones_like(jf)
        for pole in self.poles_hz:
            h *= jf / (jf + pole)
        return h

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Return H(f) / H(reference): what a reading is divided by to fit the scale."""
        h: NDArray[np.complex128] = self.transfer(frequency_hz) / self.transfer(self.reference_hz)
        return h

    def log_sensitivity(self, frequency_hz: float) -> tuple[float, ...]:
        """Return how a relative error of each pole changes the correction.

        Parameters
        ----------
        frequency_hz : float
            Frequency of the tone, Hz, above 0.

        Returns
        -------
        tuple of float
            d ln|response| / d ln(pole), one per pole:
            f_r**2-term less f**2-term, where each term is f_i**2 / (f**2 + f_i**2).
        """

        def term(pole: float, at_hz: float) -> float:
            return pole * pole / (at_hz * at_hz + pole * pole)

        return tuple(term(p, self.reference_hz) - term(p, frequency_hz) for p in self.poles_hz)
