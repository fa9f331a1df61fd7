"""A response as filters: level, high-pass, low-pass, tone controls and boosts that explain a curve.

Candidates are Butterworth filters of order 1 to 8 and Linkwitz-Riley filters of order 2, 4 and 8;
tone controls are shelves of first or second order, boosts and cuts second-order bells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.filter_fit import Fit
from levelset.analysis.filter_model import (
    BellPart,
    EdgePart,
    End,
    Family,
    Kind,
    ShelfPart,
    Side,
)
from levelset.analysis.response_search import Search
from levelset.quantity import Quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.response import Curve

CURVE_DB = 0.03
"""Scatter allowed to a real filter against its ideal, beside the uncertainty of the curve, dB."""
LEAST_BELL_DB = 0.4
OPEN = 0.03
"""A corner that is uncertain by more than this part of it is said to be uncertain."""
MISSED = 2.0
"""By so much more a corner may be off where not every explanation was met."""
DEEPEST_DB = 45.0
"""Below the highest place by more the curve tells more about leakage than about filters."""


@dataclass(frozen=True, slots=True)
class Edge:
    """A high-pass or a low-pass.

    Parameters
    ----------
    side : {"high_pass", "low_pass"}
        Which.
    family : {"butterworth", "linkwitz_riley"}
        The better of both; alike at the first order.
    order : int
        6 dB an octave each.
    corner_hz : Quantity
        3.01 dB below the level between the edges, without boosts and tone controls, Hz.
    half_hz : Quantity
        6.02 dB below it, Hz: what a Linkwitz-Riley filter is named by.
    """

    side: Side
    family: Family
    order: int
    corner_hz: Quantity
    half_hz: Quantity

    @property
    def slope_db_per_octave(self) -> float:
        """Final slope, dB per octave."""
        return 6.0 * self.order


@dataclass(frozen=True, slots=True)
class ToneControl:
    """A shelf: one end of the band raised or lowered.

    Parameters
    ----------
    end : {"bass", "treble"}
        Which.
    order : {1, 2}
        Its order.
    half_hz : Quantity
        Where half of the gain in dB is reached, Hz.
    gain_db : Quantity
        dB; negative is lowered.
    """

    end: End
    order: int
    half_hz: Quantity
    gain_db: Quantity


@dataclass(frozen=True, slots=True)
class Boost:
    """A bell.

    Parameters
    ----------
    centre_hz : Quantity
        Hz.
    gain_db : Quantity
        dB; negative is a cut.
    width_octaves : float
        Between the places of half the gain in dB.
    """

    centre_hz: Quantity
    gain_db: Quantity
    width_octaves: float


@dataclass(frozen=True, slots=True)
class FittedResponse:
    """What explains a curve.

    Parameters
    ----------
    level_db : Quantity
        Between the edges, without boosts and tone controls, dB.
    high_pass, low_pass : Edge or None
        None where the curve shows none.
    tone_controls : tuple of ToneControl
        Bass before treble.
    boosts : tuple of Boost
        By frequency.
    left_db : float
        RMS of what the model leaves of the curve, dB; above about 0.5 it is no good description.
    """

    level_db: Quantity
    high_pass: Edge | None
    low_pass: Edge | None
    tone_controls: tuple[ToneControl, ...]
    boosts: tuple[Boost, ...]
    left_db: float


def fit_response(curve: Curve) -> FittedResponse | None:
    """Explain a curve by filters.

    Parameters
    ----------
    curve : Curve
        Preferably at the tones' own frequencies.

    Returns
    -------
    FittedResponse or None
        None with fewer than 12 places to go by.
    """
    usable = ~curve.below
    if not bool(usable.any()):
        return None
    usable &= curve.level_db > float(curve.level_db[usable].max()) - DEEPEST_DB
    if int(usable.sum()) < 12:
        return None
    search = Search(
        curve.frequency_hz[usable],
        curve.level_db[usable],
        np.hypot(curve.u_db[usable] / 1.96, CURVE_DB),
    )
    best = search.run()
    return _described(search, best)


def _described(search: Search, fit: Fit) -> FittedResponse:
    """Return the fit as quantities."""
    left = search.level - fit.model.level_db(fit.parameters, search.hz)
    u = search.spread(fit)
    edges: dict[Side, Edge] = {}
    controls: list[ToneControl] = []
    boosts: list[Boost] = []
    for index, part in enumerate(fit.model.parts):
        values, spread = fit.at(index), u[fit.model.place(index)]
        match part:
            case EdgePart(side=side, kind=kind):
                edge = _edge(side, kind, math.exp(values[0]), float(spread[0]))
                edges[side] = _doubted(edge, search, fit)
            case _ if abs(values[1]) < LEAST_BELL_DB:
                continue
            case ShelfPart(end=end, order=order):
                controls.append(ToneControl(end, order, *_centre_and_gain(values, spread)))
            case BellPart():
                width = 2.0 * math.asinh(0.5 / math.exp(values[2])) / math.log(2.0)
                boosts.append(Boost(*_centre_and_gain(values, spread), width))
    return FittedResponse(
        Quantity(float(fit.parameters[0]), float(u[0]), "dB"),
        edges.get("high_pass"),
        edges.get("low_pass"),
        tuple(sorted(controls, key=lambda one: one.end)),
        tuple(sorted(boosts, key=lambda one: one.centre_hz.value)),
        float(np.sqrt(np.mean(left * left))),
    )


def _centre_and_gain(
    values: NDArray[np.float64], spread: NDArray[np.float64]
) -> tuple[Quantity, Quantity]:
    centre_hz = math.exp(values[0])
    return (
        Quantity(centre_hz, centre_hz * min(float(spread[0]), 1.0), "Hz"),
        Quantity(float(values[1]), float(spread[1]), "dB"),
    )


def _doubted(edge: Edge, search: Search, best: Fit) -> Edge:
    """Widen the corner's uncertainty to where models that explain as much have it.

    A boost on a corner can be told from another corner only by so much. Where others put the
    corner elsewhere, the boost's own size is open, or several stand there, not every explanation
    was met: then twice as much is allowed.
    """
    apart = 0.0
    most = search.criterion(best) + search.alike
    for other in search.ends:
        index = other.model.edge(edge.side)
        if index is None or search.criterion(other) > most:
            continue
        part = other.model.parts[index]
        assert isinstance(part, EdgePart)
        there = _edge(part.side, part.kind, math.exp(other.at(index)[0]), 0.0)
        apart = max(apart, abs(there.corner_hz.value - edge.corner_hz.value))
    corner_hz = edge.corner_hz
    is_elsewhere = apart > OPEN * corner_hz.value
    u_hz = max(apart, corner_hz.u)
    if is_elsewhere or search.undecided(best, edge.side) or search.crowded(best, edge.side):
        u_hz = min(MISSED * u_hz, corner_hz.value)
    return replace(edge, corner_hz=Quantity(corner_hz.value, u_hz, "Hz"))


def _edge(side: Side, kind: Kind, named_hz: float, u: float) -> Edge:
    family, order = kind
    sign = -1.0 if side == "high_pass" else 1.0
    if family == "butterworth":
        corner, half = 1.0, 3.0 ** (0.5 / order)
    else:
        corner, half = (math.sqrt(2.0) - 1.0) ** (1.0 / order), 1.0
    corner_hz, half_hz = (named_hz * ratio**sign for ratio in (corner, half))
    return Edge(
        side,
        family,
        order,
        Quantity(corner_hz, corner_hz * min(u, 1.0), "Hz"),
        Quantity(half_hz, half_hz * min(u, 1.0), "Hz"),
    )
