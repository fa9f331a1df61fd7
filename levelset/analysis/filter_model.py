"""Filters as models of a response: a level and parts in a row, with their derivatives.

Edges are Butterworth filters of order 1 to 8 and Linkwitz-Riley filters of order 2, 4 and 8; tone
controls are shelves of first or second order; boosts and cuts are second-order bells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

Side = Literal["high_pass", "low_pass"]
End = Literal["bass", "treble"]
Family = Literal["butterworth", "linkwitz_riley"]
Kind = tuple[Family, int]

ORDERS: tuple[Kind, ...] = (
    *(("butterworth", n) for n in range(1, 9)),
    *(("linkwitz_riley", n) for n in (2, 4, 8)),
)
SHELF_ORDERS = (1, 2)
MOST_GAIN_DB = 15.0
USUAL_GAIN_DB, USUAL_LN_Q = 6.0, 0.8
"""Spread of equalisers' gains, dB, and of ln q: of two explanations alike the usual one is taken
(common practice, no source)."""
BEYOND = 0.7
"""A corner may lie an octave beyond what is seen, natural logarithm."""
LN_MIDDLE_HZ = math.log(1000.0)
"""Bass controls lie below, treble controls above (common practice, no source)."""
_DB = 10.0 / math.log(10.0)
"""dB per natural logarithm of power."""


@dataclass(frozen=True, slots=True)
class EdgePart:
    """A high-pass or low-pass; its parameter is ln of the corner in Hz.

    Parameters
    ----------
    side : {"high_pass", "low_pass"}
        Which.
    kind : (Family, int)
        Family and order.
    """

    side: Side
    kind: Kind
    usual: ClassVar[tuple[float, ...]] = (math.inf,)
    """Usual spread of every parameter about 0, infinite where there is none."""

    def level_db(self, at: NDArray[np.float64], ln_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the level at ln of each frequency in Hz, dB."""
        return edge_db(self.kind, np.exp(self._sign * (ln_hz - at[0])))

    def slopes(self, at: NDArray[np.float64], ln_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the derivative by every parameter, shape (places, parameters)."""
        slope = _edge_slope(self.kind, np.exp(self._sign * (ln_hz - at[0])))
        return (-self._sign * slope)[:, np.newaxis]

    def bounds(self, bottom: float, top: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Return the lowest and highest parameters for a band of so many ln Hz."""
        return (bottom - BEYOND,), (top + BEYOND,)

    def others(self, reach: int) -> tuple[EdgePart, ...]:
        """Return parts with the same parameters, up to so many orders away."""
        return tuple(
            replace(self, kind=kind)
            for kind in ORDERS
            if kind != self.kind and abs(kind[1] - self.kind[1]) <= reach
        )

    @property
    def _sign(self) -> float:
        return -1.0 if self.side == "high_pass" else 1.0


@dataclass(frozen=True, slots=True)
class ShelfPart:
    """A bass or treble control; its parameters are ln of the centre in Hz and the gain in dB.

    Parameters
    ----------
    end : {"bass", "treble"}
        The end of the band that is raised or lowered.
    order : {1, 2}
        Its order.
    """

    end: End
    order: int
    usual: ClassVar[tuple[float, ...]] = (math.inf, USUAL_GAIN_DB)

    def level_db(self, at: NDArray[np.float64], ln_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the level at ln of each frequency in Hz, dB."""
        return shelf_db(self.order, np.exp(self._sign * (ln_hz - at[0])), float(at[1]))

    def slopes(self, at: NDArray[np.float64], ln_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the derivative by every parameter, shape (places, parameters)."""
        power = np.exp(2.0 * self.order * self._sign * (ln_hz - at[0]))
        gain = 10.0 ** (float(at[1]) / 20.0)
        top, bottom = power + gain, power + 1.0 / gain
        by_centre = -2.0 * self.order * self._sign * power * (1.0 / top - 1.0 / bottom)
        by_gain = (gain / top + 1.0 / (gain * bottom)) * (math.log(10.0) / 20.0)
        return np.stack((by_centre, by_gain), axis=1) * _DB

    def bounds(self, bottom: float, top: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Return the lowest and highest parameters for a band of so many ln Hz."""
        # Treble lowered is the same as bass raised and all lowered: each has its half of the band.
        if self.end == "bass":
            top = max(min(top, LN_MIDDLE_HZ), bottom + BEYOND)
        else:
            bottom = min(max(bottom, LN_MIDDLE_HZ), top - BEYOND)
        return (bottom, -MOST_GAIN_DB), (top, MOST_GAIN_DB)

    def others(self, reach: int) -> tuple[ShelfPart, ...]:
        """Return parts with the same parameters, up to so many orders away."""
        return tuple(
            replace(self, order=order)
            for order in SHELF_ORDERS
            if order != self.order and abs(order - self.order) <= reach
        )

    @property
    def _sign(self) -> float:
        return 1.0 if self.end == "bass" else -1.0


@dataclass(frozen=True, slots=True)
class BellPart:
    """A boost or cut; its parameters are ln of the centre in Hz, the gain in dB and ln q."""

    usual: ClassVar[tuple[float, ...]] = (math.inf, USUAL_GAIN_DB, USUAL_LN_Q)

    def level_db(self, at: NDArray[np.float64], ln_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the level at ln of each frequency in Hz, dB."""
        return bell_db(np.exp(ln_hz - at[0]), 1.0, float(at[1]), math.exp(at[2]))

    def slopes(self, at: NDArray[np.float64], ln_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the derivative by every parameter, shape (places, parameters)."""
        return _bell_slopes(np.exp(ln_hz - at[0]), float(at[1]), float(at[2]))

    def bounds(self, bottom: float, top: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Return the lowest and highest parameters for a band of so many ln Hz."""
        return (bottom, -MOST_GAIN_DB, math.log(0.4)), (top, MOST_GAIN_DB, math.log(8.0))

    def others(self, reach: int) -> tuple[BellPart, ...]:  # noqa: ARG002
        """Return no other: a bell has no order."""
        return ()


Part = EdgePart | ShelfPart | BellPart


@dataclass(frozen=True, slots=True)
class Model:
    """A level and parts in a row.

    Its parameters are the level in dB, then those of every part.

    Parameters
    ----------
    parts : tuple of Part
        In any order.
    """

    parts: tuple[Part, ...] = ()

    @property
    def size(self) -> int:
        """Number of parameters."""
        return 1 + sum(len(part.usual) for part in self.parts)

    @property
    def usual(self) -> NDArray[np.float64]:
        """Usual spread of every parameter, infinite where there is none."""
        return np.array([math.inf, *(one for part in self.parts for one in part.usual)])

    def place(self, index: int) -> slice:
        """Return where the parameters of a part stand."""
        first = 1 + sum(len(part.usual) for part in self.parts[:index])
        return slice(first, first + len(self.parts[index].usual))

    def edge(self, side: Side) -> int | None:
        """Return which part is the edge of a side, None where none is."""
        return next(
            (
                i
                for i, part in enumerate(self.parts)
                if isinstance(part, EdgePart) and part.side == side
            ),
            None,
        )

    def shelf(self, end: End) -> int | None:
        """Return which part is the shelf of an end, None where none is."""
        return next(
            (
                i
                for i, part in enumerate(self.parts)
                if isinstance(part, ShelfPart) and part.end == end
            ),
            None,
        )

    def of_kind(self, kind: type[Part]) -> list[int]:
        """Return which parts are of a kind."""
        return [i for i, part in enumerate(self.parts) if isinstance(part, kind)]

    def with_part(self, index: int, part: Part) -> Model:
        """Return the same with another part of the same parameters."""
        return Model((*self.parts[:index], part, *self.parts[index + 1 :]))

    def level_db(
        self, parameters: NDArray[np.float64], frequency_hz: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the level at each frequency, dB, shape (places,)."""
        ln_hz, first = np.log(frequency_hz), 1
        total = np.full(frequency_hz.size, float(parameters[0]))
        for part in self.parts:
            total += part.level_db(parameters[first:], ln_hz)
            first += len(part.usual)
        return total

    def slopes(
        self, parameters: NDArray[np.float64], frequency_hz: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the derivative of `level_db` by every parameter, shape (places, size)."""
        ln_hz = np.log(frequency_hz)
        out = np.ones((frequency_hz.size, self.size))
        first = 1
        for part in self.parts:
            size = len(part.usual)
            out[:, first : first + size] = part.slopes(parameters[first:], ln_hz)
            first += size
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


def shelf_db(order: int, ratio: NDArray[np.float64], gain_db: float) -> NDArray[np.float64]:
    """Return the level of a shelf, dB, at frequency over centre (a bass control).

    ``10 lg((r**(2n) + g) / (r**(2n) + 1/g))``, ``g = 10**(gain/20)``: half of the gain in dB at the
    centre. First order: one pole and one zero, as of a passive tone control; second order: the
    analog prototype of the common digital shelf with slope 1 (R. Bristow-Johnson, "Cookbook
    formulae for audio EQ biquad filter coefficients", from memory).
    """
    power = np.minimum(ratio, 1e12) ** (2 * order)
    gain = 10.0 ** (gain_db / 20.0)
    level: NDArray[np.float64] = 10.0 * np.log10((power + gain) / (power + 1.0 / gain))
    return level


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
    factor = 2.0 * _DB if family == "linkwitz_riley" else _DB
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
    return np.stack((by_centre, by_gain, by_q), axis=1) * _DB
