"""The high-pass of an input as a recursion: s**m / (s**m + c1 s**(m-1) + c2 s**(m-2) + ...)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Values = NDArray[np.float64]


@dataclass(frozen=True)
class Section:
    """A high-pass at one row rate, by the bilinear transform s = 2 rate (1 - z) / (1 + z).

    The trapezoid rule behind it integrates rows without content above half their rate exactly,
    and its warping of a corner at 10 Hz is 0.03 %, which identification takes up.

    One pole, two poles (equal or not), a complex pair and no pole at all are points inside the
    range of the coefficients, so that a search has no corners to get stuck in.

    Parameters
    ----------
    coefficients : tuple of float
        c1, c2, ... in rad/s, (rad/s)**2, ...; empty for a DC-coupled input.
    rate_hz : float
        Rows per second.
    """

    coefficients: tuple[float, ...]
    rate_hz: float

    @property
    def order(self) -> int:
        """Number of poles."""
        return len(self.coefficients)

    def term(self, number: int) -> Values:
        """Return s**(m - number) times (2 rate)**-m (1 + z)**m as a polynomial in z**-1."""
        k = 2.0 * self.rate_hz
        poly = np.ones(1)
        for _ in range(self.order - number):
            poly = np.convolve(poly, (1.0, -1.0))
        for _ in range(number):
            poly = np.convolve(poly, (1.0 / k, 1.0 / k))
        return poly

    @property
    def numerator(self) -> Values:
        """Numerator, not normalised."""
        return self.term(0)

    @property
    def denominator(self) -> Values:
        """Denominator, not normalised."""
        total = self.term(0)
        for number, c in enumerate(self.coefficients, 1):
            total = total + c * self.term(number)
        return total

    def bounded(self, rows: int) -> bool:
        """Tell whether nothing it makes grows by more than a small factor within these rows.

        A pole at zero, known with noise, may lie a little on the wrong side; one far beyond is a
        trial that leads nowhere, and its numbers overflow.
        """
        return bool(np.all(np.abs(np.roots(self.denominator)) < 1.0 + 3.0 / rows))

    def passed(self, columns: Values) -> Values:
        """Return what the input makes of these columns, shape (n, k), from rest."""
        return _filtered(self.numerator, self.denominator, columns)

    def decays(self, rows: int) -> Values:
        """Return the free decays that its state can make, shape (rows, order)."""
        starts = np.eye(rows, self.order)
        return _filtered(np.ones(1), self.denominator, starts)

    def changes(self, output: Values) -> Values:
        """Return how an output, shape (n,), changes with each coefficient, shape (n, order).

        d (N u / D) / dc = - (dD / dc) / D applied to the output itself; free decays likewise.
        """
        d = self.denominator
        columns = [_filtered(-self.term(n), d, output) for n in range(1, self.order + 1)]
        return np.column_stack(columns) if columns else np.empty((len(output), 0))

    def undone(self, output: Values) -> Values:
        """Return the input behind an output, shape (n, k), up to a constant and slow drift."""
        return _filtered(self.denominator, self.numerator, output)


def section_of_poles(poles_hz: Sequence[float]) -> tuple[float, ...]:
    """Return c1, c2, ... of first-order high-passes in a row: prod(s + 2 pi f_i)."""
    poly = np.ones(1)
    for pole in poles_hz:
        poly = np.convolve(poly, (1.0, 2.0 * np.pi * pole))
    return tuple(float(c) for c in poly[1:])


def _filtered(b: Values, a: Values, columns: Values) -> Values:
    if columns.size == 0:
        return columns
    from scipy.signal import lfilter

    out: Values = lfilter(b, a, columns, axis=0)
    return out
