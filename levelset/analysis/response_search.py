"""Search for the filters that explain a curve: greedy, from several beginnings.

Each part has to earn its place: a model is taken only when it lowers the Bayesian information
criterion (G. Schwarz, Ann. Statist. 6(2), 1978) clearly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.filter_model import ORDERS, Kind, Model, Side, bell_db

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray


COARSE: tuple[Kind, ...] = (("butterworth", 1), ("butterworth", 2), ("butterworth", 4))
SIDES: tuple[Side, ...] = ("high_pass", "low_pass")
MOST_BELLS = 5
ROUNDS = 3
EXPLAINED = 0.6
"""Mean squared error in standard deviations below which no other model is looked for."""
NEAR = 1.4
"""Nearer to a corner than this, natural logarithm, a bell may be part of an edge."""
OPEN_DB = 1.0
"""A bell whose gain is known no better than this, near a corner, leaves the corner open, dB."""
APART = 0.75
"""How far apart other corners are looked for, natural logarithm."""
EARNED = 10.0
"""How much a part must lower the criterion."""
USUAL_BELL = np.array([6.0, 0.8])
"""Spread of equalisers' gains, dB, and of ln q: of two explanations alike the usual one is taken
(common practice, no source)."""
DEEPEST_BELL_DB = 15.0


@dataclass(frozen=True, slots=True)
class Fit:
    """A model with its parameters at their best.

    Parameters
    ----------
    model : Model
        Kinds of the edges and number of bells.
    parameters : ndarray, shape (size,)
        As in `Model`.
    cost : float
        Sum of squares left, in standard deviations.
    jacobian : ndarray, shape (rows, size)
        Of what is left, by the parameters.
    """

    model: Model
    parameters: NDArray[np.float64]
    cost: float
    jacobian: NDArray[np.float64]

    def criterion(self, places: int) -> float:
        """Return the Bayesian information criterion; the lower the better."""
        return self.cost + self.model.size * math.log(places)


class Search:
    """Greedy search of edges and bells.

    Parameters
    ----------
    frequency_hz, level_db, error_db : ndarray, shape (places,)
        The curve, and the standard deviation of its levels.
    """

    def __init__(
        self,
        frequency_hz: NDArray[np.float64],
        level_db: NDArray[np.float64],
        error_db: NDArray[np.float64],
    ) -> None:
        self.hz, self.level, self.error = frequency_hz, level_db, error_db
        self.ends: list[Fit] = []

    def run(self) -> Fit:
        """Return the best of four searches that begin with no, one or both edges."""
        flat = self._solve(Model(None, None, 0), np.array([float(np.median(self.level))]))
        high, low = (
            self._with_edge(flat, "high_pass", "soft_l1"),
            self._with_edge(flat, "low_pass", "soft_l1"),
        )
        starts = [flat, high, low, self._with_edge(high, "low_pass", "soft_l1")]
        best = min((self._filled(start) for start in starts), key=self.criterion)
        for _ in range(ROUNDS):
            if self._settled(best):
                break
            again = [self._kinds(self._filled(fit)) for fit in self._reduced(best)]
            better = min(again, key=self.criterion, default=best)
            if not self.criterion(better) < self.criterion(best) - 1.0:
                break
            best = better
        best = self._kinds(best)
        for side in SIDES:
            if self.undecided(best, side):
                # The best of what explains it with the corner elsewhere; the greedy way may err.
                again = [self._kinds(self._filled(fit)) for fit in self._elsewhere(best, side)]
                best = min([best, *again], key=self.criterion)
        return best

    def _near(self, fit: Fit, side: Side) -> NDArray[np.intp]:
        """Return which bells may be part of an edge."""
        first = 1 + fit.model.edges
        corner = fit.parameters[corner_place(fit.model, side)]
        return np.flatnonzero(np.abs(fit.parameters[first::3] - corner) < NEAR)

    def undecided(self, fit: Fit, side: Side) -> bool:
        """Tell whether the size of a bell near an edge is open: then the corner is, too."""
        if fit.model.edge(side) is None:
            return False
        gains = 1 + fit.model.edges + 3 * self._near(fit, side) + 1
        return bool((self.spread(fit)[gains] > OPEN_DB).any())

    def _elsewhere(self, fit: Fit, side: Side) -> list[Fit]:
        """Return the model without the bells near an edge, and with that edge all over the band."""
        first = 1 + fit.model.edges
        near = self._near(fit, side)
        gone = [corner_place(fit.model, side), *(first + 3 * b + k for b in near for k in range(3))]
        model = replace(fit.model.with_edge(side, None), bells=fit.model.bells - near.size)
        rest = self._solve(model, np.delete(fit.parameters, gone))
        best: dict[int, tuple[float, Model, NDArray[np.float64]]] = {}
        place = corner_place(rest.model, side)
        for one in self._edge_places(rest, side):
            room = math.floor(one[2][place] / APART)
            if room not in best or one[0] < best[room][0]:
                best[room] = one
        return [self._solve(model, start, "soft_l1") for _, model, start in best.values()]

    def _settled(self, fit: Fit) -> bool:
        """Tell whether all is explained, and no bell near a corner stands for another filter."""
        if fit.cost > EXPLAINED * self.hz.size:
            return False
        first = 1 + fit.model.edges
        corners, bells = fit.parameters[1:first], fit.parameters[first::3]
        return not bool((np.abs(np.subtract.outer(corners, bells)) < NEAR).any())

    def _reduced(self, fit: Fit) -> list[Fit]:
        """Return the model without each of its parts: a wrong one gives way to better ones."""
        out = []
        model = fit.model
        for side in SIDES:
            if model.edge(side) is not None:
                rest = np.delete(fit.parameters, corner_place(model, side))
                out.append(self._solve(model.with_edge(side, None), rest))
        first = 1 + model.edges
        for bell in range(model.bells):
            rest = np.delete(fit.parameters, slice(first + 3 * bell, first + 3 * bell + 3))
            out.append(self._solve(replace(model, bells=model.bells - 1), rest))
        return out

    def criterion(self, fit: Fit) -> float:
        """Return the Bayesian information criterion on this curve."""
        return fit.criterion(self.hz.size)

    def _earned(self, new: Fit, old: Fit) -> bool:
        return self.criterion(new) < self.criterion(old) - EARNED

    def _filled(self, fit: Fit) -> Fit:
        """Add the part that explains most until none earns its place."""
        best = self._solve(fit.model, fit.parameters)
        while True:
            grown = self._grown(best)
            better = min(grown, key=self.criterion, default=best)
            if not self._earned(better, best):
                self.ends.append(best)
                return best
            best = better

    def _grown(self, fit: Fit) -> list[Fit]:
        grown = []
        for side in SIDES:
            if fit.model.edge(side) is None:
                grown.append(self._with_edge(fit, side, "linear"))
            else:
                grown.extend(self._other_kinds(fit, side, 2))
        if fit.model.bells < MOST_BELLS:
            grown.extend(self._with_bell(fit))
        return grown

    def _with_edge(self, fit: Fit, side: Side, loss: str) -> Fit:
        """Add an edge from the best place of a coarse grid."""
        _, model, start = min(self._edge_places(fit, side), key=lambda t: t[0])
        return self._solve(model, start, loss)

    def _edge_places(self, fit: Fit, side: Side) -> list[tuple[float, Model, NDArray[np.float64]]]:
        """Return a coarse grid of edges: what each leaves, the model, where to start."""
        place = corner_place(fit.model, side)
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
        return tried

    def _other_kinds(self, fit: Fit, side: Side, reach: int) -> list[Fit]:
        current = fit.model.edge(side)
        if current is None:
            return []
        near = [k for k in ORDERS if k != current and abs(k[1] - current[1]) <= reach]
        return [self._solve(fit.model.with_edge(side, k), fit.parameters) for k in near]

    def _with_bell(self, fit: Fit) -> list[Fit]:
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

    def _kinds(self, fit: Fit) -> Fit:
        """Try every kind of both edges with all bells in place, and leave out what idles."""
        best = fit
        for side in SIDES:
            if best.model.edge(side) is not None:
                best = min([best, *self._other_kinds(best, side, 8)], key=self.criterion)
        for bell in reversed(range(best.model.bells)):
            first = 1 + best.model.edges + 3 * bell
            model = replace(best.model, bells=best.model.bells - 1)
            without = self._solve(model, np.delete(best.parameters, slice(first, first + 3)))
            if not self._earned(best, without):
                best = without
        return best

    def _solve(self, model: Model, start: NDArray[np.float64], loss: str = "linear") -> Fit:
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
        return Fit(model, found.x, 2.0 * float(found.cost), found.jac)

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

    def spread(self, fit: Fit) -> NDArray[np.float64]:
        """Return the 95 % uncertainty of every parameter."""
        freedom = max(1, self.hz.size - fit.model.size)
        inflation = max(1.0, fit.cost / freedom)
        covariance = np.linalg.pinv(fit.jacobian.T @ fit.jacobian) * inflation
        u: NDArray[np.float64] = 2.0 * np.sqrt(np.maximum(np.diag(covariance), 0.0))
        return u


def corner_place(model: Model, side: Side) -> int:
    """Return where the corner of an edge stands, or would stand, among the parameters."""
    return 1 if side == "high_pass" or model.high is None else 2
