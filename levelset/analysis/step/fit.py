"""Height of a step by one weighted least-squares fit in the output of the high-pass.

There the converter's noise is white; undoing the coupling first would make it a random walk.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.step.mains import Lines
from levelset.analysis.step.section import Section

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]

AR_ORDER = 8
"""Order of the model that whitens what is left (hum residue, 1/f noise)."""

SLOW_ROWS = (64, 256)
"""Rows whose means show noise that is slower than the whitening filter, such as 1/f noise."""

_RIDGE = 1e-8
"""Keeps a decay that is a constant (a slow pole, a DC-coupled input) from being singular."""


@dataclass(frozen=True)
class Window:
    """Rows with one touch.

    Parameters
    ----------
    rows : ndarray, shape (n,)
        One channel, full scale.
    first, last : int
        Rows from ``first`` on and before ``last`` may hold anything: bounce is one free value of
        the input per row.
    """

    rows: Values
    first: int
    last: int


@dataclass(frozen=True)
class Model:
    """What is held fixed while the linear part is solved.

    Parameters
    ----------
    section : Section
        Coupling of the input.
    lines : Lines
        Hum and tones.
    whitening : ndarray, shape (AR_ORDER + 1,)
        Filter that makes the noise white; begins with 1.
    weight_after : float
        Noise before the touch over noise after it.
    """

    section: Section
    lines: Lines
    whitening: Values
    weight_after: float


@dataclass(frozen=True)
class Fit:
    """A solution.

    Parameters
    ----------
    model : Model
        What was held fixed.
    height_fs : float
        Step at the input of the high-pass, full scale.
    height_change : ndarray, shape (order,)
        Change of the height with each coefficient of the section.
    line_amplitudes : ndarray, shape (2, 2 lines)
        Cosine and sine of every line before and after the touch.
    bounce : ndarray, shape (last - first,)
        Input between the quiet before and after, full scale.
    residual : ndarray, shape (n,)
        Rows less model, not whitened.
    white : ndarray
        The same, whitened, its parts before and after of equal weight.
    covariance : ndarray, shape (1 + free, 1 + free)
        Of the height and the free parameters, by the noise that was found.
    step : ndarray, shape (free,)
        Where the free parameters want to go: coefficients of the section (if free), frequencies.
    through : ndarray, shape (n,)
        The part of the model that went through the high-pass.
    """

    model: Model
    height_fs: float
    height_change: Values
    line_amplitudes: Values
    bounce: Values
    residual: Values
    white: Values
    covariance: Values
    step: Values
    through: Values

    @property
    def cost(self) -> float:
        """Sum of squares of the whitened residual."""
        return float(self.white @ self.white)


def plain_model(section: Section, lines: Lines) -> Model:
    """Return a model that takes the noise as white and alike on both sides."""
    return Model(section, lines, np.ones(1), 1.0)


def solve(
    window: Window,
    model: Model,
    last: Fit | None,
    *,
    section_free: bool = False,
    lines_free: bool = True,
    with_change: bool = False,
) -> Fit:
    """Solve the linear part, and around a last solution also the step of the free parameters.

    Parameters
    ----------
    window : Window
        Rows.
    model : Model
        What is held fixed.
    last : Fit or None
        The solution around which the free parameters are linear; None leaves them out.
    section_free : bool
        True lets the coefficients of the section move.
    lines_free : bool
        True lets the frequencies of the lines move.
    with_change : bool
        True fills ``height_change``.

    Notes
    -----
    Lines and bounce are many and nearly orthogonal: they are projected out by their Gram matrix,
    twice, which is as good as orthogonal. The few slow columns, which resemble each other, are
    solved by a QR factorisation.
    """
    n, section = len(window.rows), model.section
    side = np.zeros((2, n, 1))
    side[0, : window.first] = 1.0
    side[1, window.last :] = 1.0
    lines = model.lines.columns(n)
    bounce = np.zeros((n, window.last - window.first))
    bounce[np.arange(window.first, window.last), np.arange(bounce.shape[1])] = 1.0
    passed = section.passed(np.column_stack([side[1], lines * side[0], lines * side[1], bounce]))
    slow = [passed[:, :1], section.decays(n), np.ones((n, 1))]
    known = section.order + 2
    if last is not None:
        if section_free:
            slow.append(section.changes(last.through))
        if lines_free:
            slopes = [model.lines.changes(last.line_amplitudes[k], n) * side[k] for k in (0, 1)]
            slow.append(section.passed(slopes[0] + slopes[1]))
    few = np.column_stack(slow)
    count = few.shape[1]

    white = _whitened(np.column_stack([passed[:, 1:], few, window.rows]), model, window)
    away = _Away(white[:, : -count - 1])
    rest = away.of(white[:, -count - 1 :])
    root, found = _few_solved(rest)
    left = rest[:, -1] - rest[:, :-1] @ found
    many = away.amplitudes(white[:, -1] - white[:, -count - 1 : -1] @ found)
    through = few[:, : known - 1] @ found[: known - 1] + passed[:, 1:] @ many
    residual = window.rows - few @ found - passed[:, 1:] @ many
    keep = [0, *range(known, count)]
    noise = float(left @ left) / max(len(left) - white.shape[1] + 1, 1) * _slower(left, count)
    height_change = np.zeros(section.order)
    if with_change:
        changed = away.of(_whitened(section.changes(through), model, window))
        height_change = -(root[0] @ (root.T @ (rest[:, :-1].T @ changed)))
    pairs = lines.shape[1]
    return Fit(
        model=model,
        height_fs=float(found[0]),
        height_change=height_change,
        line_amplitudes=many[: 2 * pairs].reshape(2, pairs),
        bounce=many[2 * pairs :],
        residual=residual,
        white=left,
        covariance=noise * root[keep] @ root[keep].T,
        step=found[known:],
        through=through,
    )


class _Away:
    """Projects columns away that are many and well conditioned."""

    def __init__(self, columns: Values) -> None:
        self._columns = columns
        gram = columns.T @ columns
        gram[np.diag_indices_from(gram)] *= 1.0 + 1e-12
        self._inverse = np.linalg.inv(gram)

    def amplitudes(self, values: Values) -> Values:
        """Return how much of each column is in the values."""
        first = self._inverse @ (self._columns.T @ values)
        again = self._inverse @ (self._columns.T @ (values - self._columns @ first))
        total: Values = first + again
        return total

    def of(self, values: Values) -> Values:
        """Return the values without them."""
        rest: Values = values - self._columns @ self.amplitudes(values)
        return rest


def _few_solved(columns: Values) -> tuple[Values, Values]:
    """Solve for the last column; return a root of the inverse Gram matrix, and the solution."""
    size = np.sqrt(np.einsum("ij,ij->j", columns, columns))[:-1]
    size[size == 0.0] = 1.0
    count = len(size)
    scaled = np.zeros((len(columns) + count, count + 1))
    scaled[: len(columns), :-1] = columns[:, :-1] / size
    scaled[: len(columns), -1] = columns[:, -1]
    scaled[len(columns) :, :-1] = _RIDGE * np.eye(count)
    factor: Values = np.asarray(np.linalg.qr(scaled, mode="r"))
    inverse = np.linalg.inv(factor[:count, :count])
    return inverse / size[:, None], (inverse @ factor[:count, count]) / size


def whitening_of(residual: Values, order: int = AR_ORDER) -> Values:
    """Return the filter that makes a residual, shape (n,), white.

    Autoregression by least squares (Box and Jenkins, Time Series Analysis; from memory).
    """
    if len(residual) < 10 * order:
        return np.ones(1)
    past = np.column_stack([residual[order - k : -k] for k in range(1, order + 1)])
    found, *_ = np.linalg.lstsq(past, residual[order:], rcond=1e-10)
    return np.concatenate(([1.0], -found))


def _slower(white: Values, slow_columns: int) -> float:
    """Return how much more slow noise a residual, shape (n,), has than white noise would, >= 1.

    Means of many rows have the variance of the rows over their number; more is noise that stays
    alike for longer than the whitening filter looks back (batch means: Law, Simulation Modeling and
    Analysis; from memory). The step lives in that slow noise. ``slow_columns`` is how many slow
    columns were fitted, which took as many degrees of freedom from the means.
    """
    power = float(white @ white) / max(len(white), 1)
    most = 1.0
    for rows in SLOW_ROWS:
        count = len(white) // rows
        if count > slow_columns + 1 and power > 0.0:
            means = white[: count * rows].reshape(count, rows).mean(axis=1)
            most = max(most, float(means @ means) * rows / (count - slow_columns) / power)
    return most


def _whitened(columns: Values, model: Model, window: Window) -> Values:
    """Return columns with white noise of equal weight on both sides."""
    order = len(model.whitening) - 1
    out = columns[order:]
    for lag in range(1, order + 1):
        out = out + model.whitening[lag] * columns[order - lag : -lag]
    if model.weight_after != 1.0:
        out = out.copy()
        out[window.last - order :] *= model.weight_after
    return out
