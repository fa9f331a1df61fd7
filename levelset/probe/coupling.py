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

    Poles as labelled, or the section that a touch identified; a section may have a complex pair,
    which no poles on the real axis can stand for.

    Parameters
    ----------
    poles_hz : tuple of float
        Corner of each first-order high-pass, Hz, above 0; empty for a DC-coupled input.
    reference_hz : float
        Frequency at which the scale holds as it is, Hz, above 0.
    section : tuple of float
        c1, c2, ... of s**m / (s**m + c1 s**(m-1) + c2 s**(m-2) + ...), rad/s to their power;
        empty where nothing was identified. It multiplies the poles.

    Raises
    ------
    ValueError
        If a frequency is not above 0 and finite, or a coefficient not finite.
    """

    poles_hz: tuple[float, ...]
    reference_hz: float
    section: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        for frequency in (*self.poles_hz, self.reference_hz):
            if not (math.isfinite(frequency) and frequency > 0.0):
                raise ValueError(f"a frequency must be above 0 Hz, got {frequency}")
        if not all(math.isfinite(c) for c in self.section):
            raise ValueError(f"a coefficient must be finite, got {self.section}")

    def transfer(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Return H(f) = product of jf / (jf + f_i), times the section at s = 2 pi jf.

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

        jf = np.asarray(1j * np.asarray(frequency_hz, dtype=np.float64), dtype=np.complex128)
        h = np.ones_like(jf)
        for pole in self.poles_hz:
            h *= jf / (jf + pole)
        return h / _section_inverse(2.0 * math.pi * jf, self.section)

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

    def section_sensitivity(self, frequency_hz: float) -> tuple[float, ...]:
        """Return d ln|response| / d c_j for each coefficient of the section.

        d ln H / d c_j = - s**-j / (1 + c1 / s + c2 / s**2 + ...), by differentiation.
        """

        def term(at_hz: float, j: int) -> float:
            s = complex(0.0, 2.0 * math.pi * at_hz)
            total = 1.0 + sum(c * s**-n for n, c in enumerate(self.section, 1))
            return -(s**-j / total).real

        numbers = range(1, len(self.section) + 1)
        return tuple(term(frequency_hz, j) - term(self.reference_hz, j) for j in numbers)


def _section_inverse(
    s: NDArray[np.complex128], section: tuple[float, ...]
) -> NDArray[np.complex128]:
    """Return 1 + c1 / s + c2 / s**2 + ... (1 where there is no section)."""
    total = s * 0.0 + 1.0
    for n, c in enumerate(section, 1):
        total = total + c * s**-n
    return total
