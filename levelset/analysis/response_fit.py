"""A response as filters: level, high-pass, low-pass and boosts that explain the curve.

Candidates are Butterworth filters of order 1 to 8 and Linkwitz-Riley filters of order 2, 4 and 8;
boosts and cuts are second-order bells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.filter_model import BELL_SIZE, Family, Kind, Side
from levelset.analysis.response_search import Fit, Search, corner_place
from levelset.quantity import Quantity

if TYPE_CHECKING:
    from levelset.analysis.response import Curve

CURVE_DB = 0.03
"""Scatter allowed to a real filter against its ideal, beside the uncertainty of the curve, dB."""
LEAST_BELL_DB = 0.4
MISSED = 1.5
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
        3.01 dB below the level between the edges, without the boosts, Hz.
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
        Between the edges, without boosts, dB.
    high_pass, low_pass : Edge or None
        None where the curve shows none.
    boosts : tuple of Boost
        By frequency.
    left_db : float
        RMS of what the model leaves of the curve, dB; above about 0.5 it is no good description.
    """

    level_db: Quantity
    high_pass: Edge | None
    low_pass: Edge | None
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
    values, place = fit.parameters, 1
    edges: dict[str, Edge] = {}
    sides: tuple[tuple[Side, Kind | None, float], ...] = (
        ("high_pass", fit.model.high, -1.0),
        ("low_pass", fit.model.low, 1.0),
    )
    for side, kind, sign in sides:
        if kind is not None:
            named_hz = math.exp(values[place])
            edge = _edge(side, kind, sign, named_hz, float(u[place]))
            edges[side] = _doubted(edge, search, fit, sign)
            place += 1
    boosts = []
    for first in range(place, values.size, 3):
        centre, gain, q = math.exp(values[first]), float(values[first + 1]), values[first + 2]
        if abs(gain) < LEAST_BELL_DB:
            continue
        boosts.append(
            Boost(
                Quantity(centre, centre * min(float(u[first]), 1.0), "Hz"),
                Quantity(gain, float(u[first + 1]), "dB"),
                2.0 * math.asinh(0.5 / math.exp(q)) / math.log(2.0),
            )
        )
    return FittedResponse(
        Quantity(float(values[0]), float(u[0]), "dB"),
        edges.get("high_pass"),
        edges.get("low_pass"),
        tuple(sorted(boosts, key=lambda b: b.centre_hz.value)),
        float(np.sqrt(np.mean(left * left))),
    )


def _doubted(edge: Edge, search: Search, best: Fit, sign: float) -> Edge:
    """Widen the corner's uncertainty to where models that explain as much have it.

    A boost on a corner can be told from another corner only by so much. Where the boost's own
    size is open not every explanation was met: then half as much again is allowed.
    """
    apart = edge.corner_hz.u
    # What needs one bell more to do as well is the same curve in other words.
    alike = search.criterion(best) + BELL_SIZE * math.log(search.hz.size) - 1.0
    for other in search.ends:
        kind = other.model.edge(edge.side)
        if kind is None or search.criterion(other) > alike:
            continue
        named_hz = math.exp(other.parameters[corner_place(other.model, edge.side)])
        there = _edge(edge.side, kind, sign, named_hz, 0.0)
        apart = max(apart, abs(there.corner_hz.value - edge.corner_hz.value))
    if search.undecided(best, edge.side):
        apart = min(MISSED * apart, edge.corner_hz.value)
    return replace(
        edge,
        corner_hz=Quantity(edge.corner_hz.value, apart, "Hz"),
    )


def _edge(side: Side, kind: Kind, sign: float, named_hz: float, u: float) -> Edge:
    family, order = kind
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
