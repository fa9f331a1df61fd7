"""Filters as models of a response: level, high-pass, low-pass and bells, with their derivatives.

Edges are Butterworth filters of order 1 to 8 and Linkwitz-Riley filters of order 2, 4 and 8; boosts
and cuts are second-order bells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

Side = Literal["high_pass", "low_pass"]
Family = Literal["butterworth", "linkwitz_riley"]
Kind = tuple[Family, int]

BELL_SIZE = 3
"""Parameters of a bell."""

ORDERS: tuple[Kind, ...] = (
    *(("butterworth", n) for n in range(1, 9)),
    *(("linkwitz_riley", n) for n in (2, 4, 8)),
)


@dataclass(frozen=True, slots=True)
class Model:
    """Kinds of the edges and number of bells.

    Its parameters are the level in dB, ln of each corner in Hz (high-pass first), then ln centre in
    Hz, gain in dB and ln q of every bell.

    Parameters
    ----------
    high, low : (Family, int) or None
        Family and order of high-pass and low-pass.
    bells : int
        How many.
    """

    high: Kind | None
    low: Kind | None
    bells: int

    @property
    def edges(self) -> int:
        """Number of edges."""
        return (self.high is not None) + (self.low is not None)

    @property
    def size(self) -> int:
        """Number of parameters."""
        return 1 + self.edges + BELL_SIZE * self.bells

    def edge(self, side: Side) -> Kind | None:
        """Return the kind of one edge."""
        return self.high if side == "high_pass" else self.low

    def with_edge(self, side: Side, kind: Kind | None) -> Model:
        """Return the same with another edge, or without."""
        return replace(self, high=kind) if side == "high_pass" else replace(self, low=kind)

    def level_db(
        self, parameters: NDArray[np.float64], frequency_hz: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the level at each frequency, dB, shape (places,)."""
        total = np.full(frequency_hz.size, float(parameters[0]))
        place = 1
        for kind, sign in ((self.high, -1.0), (self.low, 1.0)):
            if kind is not None:
                ratio = np.exp(sign * (np.log(frequency_hz) - parameters[place]))
                total += edge_db(kind, ratio)
                place += 1
        for bell in parameters[place:].reshape(-1, 3):
            total += bell_db(frequency_hz, math.exp(bell[0]), float(bell[1]), math.exp(bell[2]))
        return total

    def slopes(
        self, parameters: NDArray[np.float64], frequency_hz: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the derivative of `level_db` by every parameter, shape (places, size)."""
        out = np.ones((frequency_hz.size, self.size))
        place = 1
        for kind, sign in ((self.high, -1.0), (self.low, 1.0)):
            if kind is not None:
                ratio = np.exp(sign * (np.log(frequency_hz) - parameters[place]))
                out[:, place] = -sign * _edge_slope(kind, ratio)
                place += 1
        for first in range(place, self.size, 3):
            centre, gain, q = parameters[first : first + 3]
            out[:, first : first + 3] = _bell_slopes(frequency_hz / math.exp(centre), gain, q)
        return out


def edge_db(kind: Kind, ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the level of an edge, dB, at frequency over corner (a low-pass).

    Butterworth: ``-10 lg(1 + r**(2n))`` (S. Butterworth, 1930). Linkwitz-Riley: two Butterworth
    filters of half the order in a row, -6.02 dB at the corner (S. Linkwitz, 1976).
    """
    family, order = kind
    if family == "butterworth":
        return -10.0 * np.log10(1.0 + np.minimum(ratio, 1e12) ** (2 * order))
    return -20.0 * np.log10(1.0 + np.minimum(ratio, 1e12) ** order)


def bell_db(
    frequency_hz: NDArray[np.float64], centre_hz: float, gain_db: float, q: float
) -> NDArray[np.float64]:
    """Return the level of a bell, dB.

    Magnitude of ``(s**2 + s A/Q + 1) / (s**2 + s/(A Q) + 1)``, ``A = 10**(gain/40)``: the analog
    prototype of the common digital equaliser (common practice, no source).
    """
    r = frequency_hz / centre_hz
    a = 10.0 ** (gain_db / 40.0)
    off = np.square(1.0 - r * r)
    across = np.square(r / q)
    level: NDArray[np.float64] = 10.0 * np.log10((off + across * a * a) / (off + across / (a * a)))
    return level


def _edge_slope(kind: Kind, ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the derivative of `edge_db` by ln ratio."""
    family, order = kind
    power = order if family == "linkwitz_riley" else 2 * order
    factor = (20.0 if family == "linkwitz_riley" else 10.0) / math.log(10.0)
    slope: NDArray[np.float64] = -factor * power / (1.0 + np.maximum(ratio, 1e-12) ** -power)
    return slope


def _bell_slopes(r: NDArray[np.float64], gain_db: float, ln_q: float) -> NDArray[np.float64]:
    """Return the derivatives of `bell_db` by ln centre, gain in dB and ln q, shape (places, 3)."""
    square = r * r
    off, across = np.square(1.0 - square), square * math.exp(-2.0 * ln_q)
    a = 10.0 ** (gain_db / 20.0)
    top, bottom = off + across * a, off + across / a
    d_off = 4.0 * square * (1.0 - square)
    by_centre = (d_off - 2.0 * across * a) / top - (d_off - 2.0 * across / a) / bottom
    by_gain = (across * a / top + across / a / bottom) * (math.log(10.0) / 20.0)
    by_q = -2.0 * across * (a / top - 1.0 / (a * bottom))
    return np.stack((by_centre, by_gain, by_q), axis=1) * (10.0 / math.log(10.0))
