"""A response as filters: level, high-pass, low-pass and boosts that explain the curve.

Candidates are Butterworth filters of order 1 to 8 and Linkwitz-Riley filters of order 2, 4 and 8;
boosts and cuts are second-order bells. Each more has to earn its place: a model is taken only when
it lowers the Bayesian information criterion (G. Schwarz, Ann. Statist. 6(2), 1978) clearly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.filter_model import ORDERS, Family, Kind, Model, Side, bell_db
from levelset.quantity import Quantity

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from levelset.analysis.response import Curve


COARSE: tuple[Kind, ...] = (("butterworth", 1), ("butterworth", 2), ("butterworth", 4))
SIDES: tuple[Side, ...] = ("high_pass", "low_pass")
MOST_BELLS = 5
ROUNDS = 3
EXPLAINED = 0.6
"""Mean squared error in standard deviations below which no other model is looked for."""
NEAR = 1.4
"""Nearer to a corner than this, natural logarithm, a bell may be part of an edge."""
CURVE_DB = 0.03
"""Scatter allowed to a real filter against its ideal, beside the uncertainty of the curve, dB."""
EARNED = 10.0
"""How much a part must lower the criterion."""
LEAST_BELL_DB, DEEPEST_BELL_DB = 0.4, 15.0
USUAL_BELL = np.array([6.0, 0.8])
"""Spread of equalisers' gains, dB, and of ln q: of two explanations alike the usual one is taken
(common practice, no source)."""
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


@dataclass(frozen=True, slots=True)
class _Fit:
    model: Model
    parameters: NDArray[np.float64]
    cost: float
    jacobian: NDArray[np.float64]

    def criterion(self, places: int) -> float:
        return self.cost + self.model.size * math.log(places)


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
    search = _Search(
        curve.frequency_hz[usable],
        curve.level_db[usable],
        np.hypot(curve.u_db[usable] / 1.96, CURVE_DB),
    )
    best = search.run()
    return search.described(best)


class _Search:
    """Greedy search of edges and bells."""

    def __init__(
        self,
        frequency_hz: NDArray[np.float64],
        level_db: NDArray[np.float64],
        error_db: NDArray[np.float64],
    ) -> None:
        self.hz, self.level, self.error = frequency_hz, level_db, error_db
        self.ends: list[_Fit] = []

    def run(self) -> _Fit:
        """Return the best of four searches that begin with no, one or both edges."""
        flat = self._solve(Model(None, None, 0), np.array([float(np.median(self.level))]))
        high, low = (
            self._with_edge(flat, "high_pass", "soft_l1"),
            self._with_edge(flat, "low_pass", "soft_l1"),
        )
        starts = [flat, high, low, self._with_edge(high, "low_pass", "soft_l1")]
        best = min((self._filled(start) for start in starts), key=self._criterion)
        for _ in range(ROUNDS):
            if self._settled(best):
                break
            again = [self._kinds(self._filled(fit)) for fit in self._reduced(best)]
            better = min(again, key=self._criterion, default=best)
            if not self._criterion(better) < self._criterion(best) - 1.0:
                break
            best = better
        return self._kinds(best)

    def _settled(self, fit: _Fit) -> bool:
        """Tell whether all is explained, and no bell near a corner stands for another filter."""
        if fit.cost > EXPLAINED * self.hz.size:
            return False
        first = 1 + fit.model.edges
        corners, bells = fit.parameters[1:first], fit.parameters[first::3]
        return not bool((np.abs(np.subtract.outer(corners, bells)) < NEAR).any())

    def _reduced(self, fit: _Fit) -> list[_Fit]:
        """Return the model without each of its parts: a wrong one gives way to better ones."""
        out = []
        model = fit.model
        for side in SIDES:
            if model.edge(side) is not None:
                place = 1 if side == "high_pass" or model.high is None else 2
                out.append(
                    self._solve(model.with_edge(side, None), np.delete(fit.parameters, place))
                )
        first = 1 + model.edges
        for bell in range(model.bells):
            rest = np.delete(fit.parameters, slice(first + 3 * bell, first + 3 * bell + 3))
            out.append(self._solve(replace(model, bells=model.bells - 1), rest))
        return out

    def _criterion(self, fit: _Fit) -> float:
        return fit.criterion(self.hz.size)

    def _earned(self, new: _Fit, old: _Fit) -> bool:
        return self._criterion(new) < self._criterion(old) - EARNED

    def _filled(self, fit: _Fit) -> _Fit:
        """Add the part that explains most until none earns its place."""
        best = self._solve(fit.model, fit.parameters)
        while True:
            grown = self._grown(best)
            better = min(grown, key=self._criterion, default=best)
            if not self._earned(better, best):
                self.ends.append(best)
                return best
            best = better

    def _grown(self, fit: _Fit) -> list[_Fit]:
        grown = []
        for side in SIDES:
            if fit.model.edge(side) is None:
                grown.append(self._with_edge(fit, side, "linear"))
            else:
                grown.extend(self._other_kinds(fit, side, 2))
        if fit.model.bells < MOST_BELLS:
            grown.extend(self._with_bell(fit))
        return grown

    def _with_edge(self, fit: _Fit, side: Side, loss: str) -> _Fit:
        """Add an edge from the best place of a coarse grid."""
        place = 1 if side == "high_pass" or fit.model.high is None else 2
        span = math.log(self.hz[-1] / self.hz[0])
        tried = []
        for kind in COARSE:
            model = fit.model.with_edge(side, kind)
            for share in np.arange(-0.05, 0.6, 0.05):
                corner = math.log(self.hz[0]) + share * span
                if side == "low_pass":
                    corner = math.log(self.hz[-1]) - share * span
                start = np.insert(fit.parameters, place, corner)
                left = self._left(model)(start)[: self.hz.size] * self.error
                # The level is free: only the middle of what is left does not count.
                middle = float(np.median(left))
                start[0] -= middle
                tried.append((float(np.abs(left - middle).sum()), model, start))
        _, model, start = min(tried, key=lambda t: t[0])
        return self._solve(model, start, loss)

    def _other_kinds(self, fit: _Fit, side: Side, reach: int) -> list[_Fit]:
        current = fit.model.edge(side)
        if current is None:
            return []
        near = [k for k in ORDERS if k != current and abs(k[1] - current[1]) <= reach]
        return [self._solve(fit.model.with_edge(side, k), fit.parameters) for k in near]

    def _with_bell(self, fit: _Fit) -> list[_Fit]:
        """Add a bell where it takes most of what is left, by a coarse grid."""
        left = self.level - fit.model.level_db(fit.parameters, self.hz)
        model = replace(fit.model, bells=fit.model.bells + 1)
        weight = 1.0 / np.square(np.maximum(self.error, 0.1))
        tried = []
        for place in range(self.hz.size):
            for q in (0.5, 1.0, 2.0, 4.0):
                # A bell of 1 dB has nearly the shape of any.
                shape = bell_db(self.hz, float(self.hz[place]), 1.0, q)
                gain = float((weight * shape) @ left / ((weight * shape) @ shape))
                taken = gain * float((weight * shape) @ left)
                tried.append((taken, math.log(self.hz[place]), gain, math.log(q)))
        tried.sort(key=lambda t: -t[0])
        chosen = [tried[0]]
        chosen += [t for t in tried[1:] if abs(t[1] - chosen[0][1]) > 0.7][:1]
        return [self._solve(model, np.concatenate((fit.parameters, t[1:]))) for t in chosen]

    def _kinds(self, fit: _Fit) -> _Fit:
        """Try every kind of both edges with all bells in place, and leave out what idles."""
        best = fit
        for side in SIDES:
            if best.model.edge(side) is not None:
                best = min([best, *self._other_kinds(best, side, 8)], key=self._criterion)
        for bell in reversed(range(best.model.bells)):
            first = 1 + best.model.edges + 3 * bell
            model = replace(best.model, bells=best.model.bells - 1)
            without = self._solve(model, np.delete(best.parameters, slice(first, first + 3)))
            if not self._earned(best, without):
                best = without
        return best

    def _solve(self, model: Model, start: NDArray[np.float64], loss: str = "linear") -> _Fit:
        from scipy.optimize import least_squares

        low, high = self._bounds(model)
        start = np.clip(start, low + 1e-6, high - 1e-6)
        found = least_squares(
            self._left(model),
            start,
            self._slopes(model),
            (low, high),
            loss=loss,
            max_nfev=40,
        )
        return _Fit(model, found.x, 2.0 * float(found.cost), found.jac)

    def _left(self, model: Model) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
        first = 1 + model.edges

        def left(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
            difference = model.level_db(parameters, self.hz) - self.level
            bells = parameters[first:].reshape(-1, 3)[:, 1:] / USUAL_BELL
            return np.concatenate((difference / self.error, bells.ravel()))

        return left

    def _slopes(self, model: Model) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
        rows = np.zeros((2 * model.bells, model.size))
        for bell in range(model.bells):
            for part in (0, 1):
                place = 1 + model.edges + 3 * bell + 1 + part
                rows[2 * bell + part, place] = 1.0 / USUAL_BELL[part]

        def slopes(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
            curve = model.slopes(parameters, self.hz) / self.error[:, np.newaxis]
            return np.concatenate((curve, rows))

        return slopes

    def _bounds(self, model: Model) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        bottom, top = math.log(self.hz[0]), math.log(self.hz[-1])
        low, high = [float(self.level.min()) - 30.0], [float(self.level.max()) + 30.0]
        for _ in range(model.edges):
            # A corner may lie an octave beyond what is seen.
            low.append(bottom - 0.7)
            high.append(top + 0.7)
        for _ in range(model.bells):
            low.extend((bottom, -DEEPEST_BELL_DB, math.log(0.4)))
            high.extend((top, DEEPEST_BELL_DB, math.log(8.0)))
        return np.array(low), np.array(high)

    def described(self, fit: _Fit) -> FittedResponse:
        """Return the fit as quantities."""
        left = self.level - fit.model.level_db(fit.parameters, self.hz)
        freedom = max(1, self.hz.size - fit.model.size)
        inflation = max(1.0, fit.cost / freedom)
        covariance = np.linalg.pinv(fit.jacobian.T @ fit.jacobian) * inflation
        u = 2.0 * np.sqrt(np.maximum(np.diag(covariance), 0.0))
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
                edges[side] = self._doubted(edge, fit, sign)
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

    def _doubted(self, edge: Edge, best: _Fit, sign: float) -> Edge:
        """Widen the corner's uncertainty to where models that explain as much have it.

        A boost on a corner can be told from another corner only by so much.
        """
        apart = edge.corner_hz.u
        for other in self.ends:
            kind = other.model.edge(edge.side)
            if kind is None or self._criterion(other) > self._criterion(best) + 2.0 * EARNED:
                continue
            place = 1 if edge.side == "high_pass" or other.model.high is None else 2
            there = _edge(edge.side, kind, sign, math.exp(other.parameters[place]), 0.0)
            apart = max(apart, abs(there.corner_hz.value - edge.corner_hz.value))
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
