"""Search for the filters that explain a curve: greedy, from several beginnings.

Each part has to earn its place: a model is taken only when it lowers the Bayesian information
criterion (G. Schwarz, Ann. Statist. 6(2), 1978) clearly.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.filter_fit import EXACT, CurveFits, Fit
from levelset.analysis.filter_model import (
    SHELF_ORDERS,
    BellPart,
    EdgePart,
    End,
    Kind,
    Model,
    Part,
    ShelfPart,
    Side,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray


COARSE: tuple[Kind, ...] = (("butterworth", 1), ("butterworth", 2), ("butterworth", 4))
SIDES: tuple[Side, ...] = ("high_pass", "low_pass")
ENDS: tuple[End, ...] = ("bass", "treble")
MOST_BELLS = 5
ROUNDS = 3
EXPLAINED = 0.6
"""Mean squared error in standard deviations below which no other model is looked for."""
NEAR, NEAR_FIRST = 1.4, 2.8
"""Nearer to a corner than this, natural logarithm, a bell or shelf may be part of an edge; one of
first order bends over twice the width."""
OPEN_DB = 1.0
"""A bell or shelf whose gain is known no better than this, near a corner, leaves the corner open,
dB."""
APART = 0.75
"""How far apart other corners are looked for, natural logarithm."""
KNOWN = 2.0
"""So many times its uncertainty a gain near an edge must be: a part that is hidden in the stop band
explains little and moves the corner far."""
OTHER_WORDS = len(BellPart.usual)
"""What needs so many parameters more to do as well is the same curve in other words."""
EARNED = 10.0
"""How much a part must lower the criterion."""
INSTEAD = 5
"""So many models with a shelf in place of another part are looked at."""
SHELF_STARTS = 3
"""So many beginnings with shelves."""
GRID = 0.05
"""Step of the coarse grids, share of the band on a logarithmic scale."""


class Search(CurveFits):
    """Greedy search of edges, shelves and bells; parameters as of `CurveFits`."""

    ends: list[Fit]
    """Where the ways of the last run ended."""

    @property
    def alike(self) -> float:
        """By how much the criterion of the same curve in other words may be higher."""
        return OTHER_WORDS * math.log(self.hz.size) - 1.0

    def run(self) -> Fit:
        """Return the best of several searches, each with other edges and shelves to begin with."""
        self.ends = []
        best = min((self._filled(start) for start in self._starts()), key=self.criterion)
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
            # The greedy way may err: what stands near an edge may together be something else.
            again = [self._kinds(fit) for fit in self._with_shelf_instead(best, side)]
            self.ends += again
            if self.undecided(best, side):
                again += [self._kinds(self._filled(fit)) for fit in self._elsewhere(best, side)]
            best = self._better_known(min([best, *again], key=self.criterion), side)
        return self.solve(best.model, best.parameters, ftol=EXACT)

    def _starts(self) -> list[Fit]:
        """Return no, one or both edges, and the most promising of these with shelves."""
        flat = self.solve(Model(), np.array([float(np.median(self.level))]))
        high = self._with_edge(flat, "high_pass", "soft_l1")
        low = self._with_edge(flat, "low_pass", "soft_l1")
        edges = [flat, high, low, self._with_edge(high, "low_pass", "soft_l1")]
        # What is shaped at both ends is found when all that shapes them is there.
        bass = [self._with_shelf(fit, "bass", "soft_l1") for fit in edges]
        shelves = bass + [self._with_shelf(fit, "treble", "soft_l1") for fit in edges + bass]
        return edges + sorted(shelves, key=self.criterion)[:SHELF_STARTS]

    def _near(self, fit: Fit, side: Side) -> list[int]:
        """Return which bells and shelves may be part of an edge, none where there is no edge."""
        edge = fit.model.edge(side)
        if edge is None:
            return []
        part, corner = fit.model.parts[edge], fit.at(edge)[0]
        near = NEAR_FIRST if isinstance(part, EdgePart) and part.kind[1] == 1 else NEAR
        others = fit.model.of_kind(BellPart) + fit.model.of_kind(ShelfPart)
        return [i for i in others if abs(fit.at(i)[0] - corner) < near]

    def _gains_near(self, fit: Fit, side: Side) -> list[tuple[int, float, float]]:
        """Return the parts near an edge, each with its gain and what that is uncertain by, dB."""
        spread = self.spread(fit)
        return [
            (i, float(fit.at(i)[1]), float(spread[fit.model.place(i)][1]))
            for i in self._near(fit, side)
        ]

    def undecided(self, fit: Fit, side: Side) -> bool:
        """Tell whether the size of a part near an edge is open: then the corner is, too."""
        return any(u_db > OPEN_DB for _, _, u_db in self._gains_near(fit, side))

    def crowded(self, fit: Fit, side: Side) -> bool:
        """Tell whether several parts near an edge may together be others than these."""
        return len(self._near(fit, side)) > 1

    def _with_shelf_instead(self, fit: Fit, side: Side) -> list[Fit]:
        """Return the best models with a shelf in place of a part near an edge, that edge anew."""
        edge = fit.model.edge(side)
        if edge is None:
            return []
        end = ENDS[SIDES.index(side)]
        # Many beginnings end at one place: told by what they leave.
        found: dict[int, Fit] = {}
        for near in self._near(fit, side):
            shelf = fit.model.shelf(end)
            rest, at = fit.without((edge, near) if shelf is None else (edge, near, shelf))
            corner = fit.at(edge)[0]
            for order in SHELF_ORDERS:
                for off in (-0.7, 0.0, 0.7):
                    for gain_db in (-6.0, 6.0):
                        model = Model((*rest.parts, ShelfPart(end, order)))
                        start = np.append(at, (corner + off, gain_db))
                        # What is left tells where the edge must be.
                        with_shelf = Fit(model, start, math.inf, np.empty((0, 0)))
                        one = self._with_edge(with_shelf, side, "linear")
                        found[round(one.cost)] = one
        return sorted(found.values(), key=self.criterion)[:INSTEAD]

    def _unknown(self, fit: Fit, side: Side) -> list[int]:
        """Return which parts near an edge have a gain that is hardly known."""
        near = self._gains_near(fit, side)
        return [i for i, gain_db, u_db in near if abs(gain_db) < KNOWN * u_db]

    def _better_known(self, best: Fit, side: Side) -> Fit:
        """Return what does alike without a part near an edge that is hardly known."""
        unknown = self._unknown(best, side)
        if not unknown:
            return best
        rest = self.solve(*best.without(unknown))
        found = [*self.ends, self._kinds(self._filled(rest, shelves=False))]
        most = self.criterion(best) + self.alike
        known = [
            fit
            for fit in found
            if fit.model.edge(side) is not None
            and self.criterion(fit) <= most
            and not self._unknown(fit, side)
        ]
        self.ends.append(best)
        return min(known, key=self.criterion, default=best)

    def _elsewhere(self, fit: Fit, side: Side) -> list[Fit]:
        """Return the model without the parts near an edge, and with that edge all over the band."""
        edge = fit.model.edge(side)
        assert edge is not None
        rest = self.solve(*fit.without((edge, *self._near(fit, side))))
        best: dict[int, tuple[float, Model, NDArray[np.float64]]] = {}
        for one in self._edge_places(rest, side):
            room = math.floor(one[2][-1] / APART)
            if room not in best or one[0] < best[room][0]:
                best[room] = one
        return [self.solve(model, start, "soft_l1") for _, model, start in best.values()]

    def _settled(self, fit: Fit) -> bool:
        """Tell whether all is explained, and no part near a corner stands for another filter."""
        if fit.cost > EXPLAINED * self.hz.size:
            return False
        return not any(self._near(fit, side) for side in SIDES)

    def _reduced(self, fit: Fit) -> list[Fit]:
        """Return the model without each of its parts: a wrong one gives way to better ones."""
        return [self.solve(*fit.without((i,))) for i in range(len(fit.model.parts))]

    def _earned(self, new: Fit, old: Fit) -> bool:
        return self.criterion(new) < self.criterion(old) - EARNED

    def _filled(self, fit: Fit, *, shelves: bool = True) -> Fit:
        """Add the part that explains most until none earns its place."""
        best = self.solve(fit.model, fit.parameters)
        while True:
            grown = self._grown(best, shelves=shelves)
            better = min(grown, key=self.criterion, default=best)
            if not self._earned(better, best):
                self.ends.append(best)
                return best
            best = better

    def _grown(self, fit: Fit, *, shelves: bool) -> list[Fit]:
        grown = [other for i in range(len(fit.model.parts)) for other in self._others(fit, i, 2)]
        grown += [
            self._with_edge(fit, side, "linear") for side in SIDES if fit.model.edge(side) is None
        ]
        grown += [
            self._with_shelf(fit, end, "linear")
            for end in ENDS
            if shelves and fit.model.shelf(end) is None
        ]
        if len(fit.model.of_kind(BellPart)) < MOST_BELLS:
            grown += self._with_bell(fit)
        return grown

    def _others(self, fit: Fit, index: int, reach: int) -> list[Fit]:
        """Return the model with one part of another kind or order."""
        return [
            self.solve(fit.model.with_part(index, part), fit.parameters)
            for part in fit.model.parts[index].others(reach)
        ]

    def _with_edge(self, fit: Fit, side: Side, loss: str) -> Fit:
        """Add an edge from the best place of a coarse grid."""
        _, model, start = min(self._edge_places(fit, side), key=lambda t: t[0])
        return self.solve(model, start, loss)

    def _edge_places(self, fit: Fit, side: Side) -> list[tuple[float, Model, NDArray[np.float64]]]:
        """Return a coarse grid of edges: what each leaves, the model, where to start."""
        tried = []
        for kind in COARSE:
            model = Model((*fit.model.parts, EdgePart(side, kind)))
            for share in np.arange(-GRID, 0.6, GRID):
                corner = self.bottom + share * (self.top - self.bottom)
                if side == "low_pass":
                    corner = self.bottom + self.top - corner
                start = np.append(fit.parameters, corner)
                left = self.left(model)(start)[: self.hz.size] * self.error
                # The level is free: only the middle of what is left does not count.
                middle = float(np.median(left))
                start[0] -= middle
                tried.append((float(np.abs(left - middle).sum()), model, start))
        return tried

    def _with_shelf(self, fit: Fit, end: End, loss: str) -> Fit:
        """Add a shelf where it takes most of what is left, by a coarse grid."""
        parts = [ShelfPart(end, order) for order in SHELF_ORDERS]
        (low, _), (high, _) = parts[0].bounds(self.bottom, self.top)
        ln_hz = low + np.arange(GRID, 1.0, GRID) * (high - low)
        tried = self._tried(fit, [(part, (place, 1.0)) for part in parts for place in ln_hz])
        _, part, at = max(tried, key=lambda t: t[0])
        return self._grown_by(fit, part, at, loss)

    def _with_bell(self, fit: Fit) -> list[Fit]:
        """Add a bell where it takes most of what is left, by a coarse grid."""
        tried = self._tried(
            fit,
            [
                (BellPart(), (math.log(hz), 1.0, math.log(q)))
                for hz in self.hz
                for q in (0.5, 1.0, 2.0, 4.0)
            ],
        )
        tried.sort(key=lambda t: -t[0])
        chosen = [tried[0]]
        chosen += [t for t in tried[1:] if abs(t[2][0] - chosen[0][2][0]) > 0.7][:1]
        return [self._grown_by(fit, part, at) for _, part, at in chosen]

    def _tried(
        self, fit: Fit, candidates: list[tuple[Part, tuple[float, ...]]]
    ) -> list[tuple[float, Part, NDArray[np.float64]]]:
        """Return what each part of 1 dB would take at the gain that suits it, and that gain."""
        left = self.level - fit.model.level_db(fit.parameters, self.hz)
        ln_hz, weight = np.log(self.hz), 1.0 / np.square(np.maximum(self.error, 0.1))
        left = left - (weight @ left) / weight.sum()
        tried = []
        for part, at in candidates:
            # A part of 1 dB has nearly the shape of any; the level is free.
            shape = part.level_db(np.array(at), ln_hz)
            shape -= (weight @ shape) / weight.sum()
            gain = float((weight * shape) @ left / max(float((weight * shape) @ shape), 1e-300))
            start = np.array((at[0], gain, *at[2:]))
            tried.append((gain * float((weight * shape) @ left), part, start))
        return tried

    def _grown_by(self, fit: Fit, part: Part, at: NDArray[np.float64], loss: str = "linear") -> Fit:
        return self.solve(Model((*fit.model.parts, part)), np.append(fit.parameters, at), loss)

    def _kinds(self, fit: Fit) -> Fit:
        """Try every kind of every part with all others in place, and leave out what idles."""
        best = fit
        for index in range(len(best.model.parts)):
            best = min([best, *self._others(best, index, 8)], key=self.criterion)
        for index in reversed(range(len(best.model.parts))):
            if isinstance(best.model.parts[index], EdgePart):
                continue
            without = self.solve(*best.without((index,)))
            if not self._earned(best, without):
                best = without
        return best
