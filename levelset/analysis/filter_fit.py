"""Fitting a model of filters to one curve by least squares, and how good the fit is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.filter_model import Model

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

ROUGH, EXACT = 1e-4, 1e-9
"""Relative change of the squares at which a fit ends, while models are compared and at the end."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A model with its parameters at their best.

    Parameters
    ----------
    model : Model
        Its parts.
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

    def at(self, index: int) -> NDArray[np.float64]:
        """Return the parameters of a part; the first is ln of its corner or centre in Hz."""
        return self.parameters[self.model.place(index)]

    def without(self, gone: Iterable[int]) -> tuple[Model, NDArray[np.float64]]:
        """Return model and parameters without some parts."""
        left_out = set(gone)
        parts = tuple(p for i, p in enumerate(self.model.parts) if i not in left_out)
        kept = np.ones(self.model.size, dtype=np.bool_)
        for index in left_out:
            kept[self.model.place(index)] = False
        return Model(parts), self.parameters[kept]


class CurveFits:
    """Fits models to one curve.

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
        self.bottom, self.top = math.log(frequency_hz[0]), math.log(frequency_hz[-1])

    def criterion(self, fit: Fit) -> float:
        """Return the Bayesian information criterion on this curve."""
        return fit.criterion(self.hz.size)

    def solve(
        self,
        model: Model,
        start: NDArray[np.float64],
        loss: str = "linear",
        ftol: float = ROUGH,
    ) -> Fit:
        """Return the model at its best from a start (trust region reflective, scipy).

        Parameters
        ----------
        model : Model
            Its parts.
        start : ndarray, shape (size,)
            Parameters to begin with; brought within the bounds of the parts.
        loss : {"linear", "soft_l1"}
            Squares, or what lets single places be far off.
        ftol : float
            Relative change of the squares at which it ends.
        """
        from scipy.optimize import least_squares

        low, high = self._bounds(model)
        start = np.clip(start, low + 1e-6, high - 1e-6)
        found = least_squares(
            self.left(model),
            start,
            self.slopes(model),
            (low, high),
            loss=loss,
            ftol=ftol,
            max_nfev=40,
        )
        return Fit(model, found.x, 2.0 * float(found.cost), found.jac)

    def left(self, model: Model) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
        """Return what parameters leave, in standard deviations; how unusual they are comes last.

        The function returns the shape (places + parameters with a usual spread,).
        """
        usual = model.usual
        bound = np.isfinite(usual)

        def left(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
            difference = model.level_db(parameters, self.hz) - self.level
            return np.concatenate((difference / self.error, parameters[bound] / usual[bound]))

        return left

    def slopes(self, model: Model) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
        """Return the derivative of `left` by the parameters, shape (rows, size)."""
        usual = model.usual
        rows = np.diag(1.0 / usual)[np.isfinite(usual)]

        def slopes(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
            curve = model.slopes(parameters, self.hz) / self.error[:, np.newaxis]
            return np.concatenate((curve, rows))

        return slopes

    def _bounds(self, model: Model) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        low, high = [float(self.level.min()) - 30.0], [float(self.level.max()) + 30.0]
        for part in model.parts:
            lowest, highest = part.bounds(self.bottom, self.top)
            low.extend(lowest)
            high.extend(highest)
        return np.array(low), np.array(high)

    def spread(self, fit: Fit) -> NDArray[np.float64]:
        """Return the 95 % uncertainty of every parameter."""
        freedom = max(1, self.hz.size - fit.model.size)
        inflation = max(1.0, fit.cost / freedom)
        covariance = np.linalg.pinv(fit.jacobian.T @ fit.jacobian) * inflation
        u: NDArray[np.float64] = 2.0 * np.sqrt(np.maximum(np.diag(covariance), 0.0))
        return u
