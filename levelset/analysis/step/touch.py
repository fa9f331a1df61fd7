"""When did the tip touch? An edge that the quiet before it does not foretell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.scatter import usual_scatter
from levelset.analysis.step.mains import Lines, mains_of
from levelset.analysis.step.section import Section

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]

QUIET_S = 0.6
"""Shortest quiet before a touch: it says what hum and noise would go on to be, s."""

AHEAD_S = 0.1
"""How far ahead the quiet is continued, s."""

SIGMAS = 8.0
"""How far from what was expected a touch is; noise alone gets there once in 1e15."""


@dataclass(frozen=True)
class Edge:
    """What was found.

    Parameters
    ----------
    row : int or None
        First row that was not expected; None when there is none.
    quiet_from : int
        First row of the quiet before it (or up to the end).
    """

    row: int | None
    quiet_from: int


def find_edge(rows: Values, section: Section) -> Edge:
    """Find the first touch after enough quiet.

    Behind a high-pass every earlier touch goes on as a decay. Undoing the coupling makes it a
    constant again, so that only a new change of the voltage at the tip stands out.

    Parameters
    ----------
    rows : ndarray, shape (n,)
        One channel.
    section : Section
        Its coupling, as well as it is known.

    Returns
    -------
    Edge
        A first stretch that is not quiet (tips still moving) is left out.
    """
    rate = section.rate_hz
    quiet, ahead = round(QUIET_S * rate), round(AHEAD_S * rate)
    x = section.undone(rows - rows[:quiet].mean()) if len(rows) else rows
    start = 0
    at = quiet
    while at < len(x):
        stop = min(at + ahead, len(x))
        found = _unexpected(x[max(start, at - 2 * quiet) : stop], stop - at, rate)
        if found is None:
            at = stop
        elif found >= 0:
            return Edge(at + found, start)
        else:  # the stretch before was not quiet itself
            start += ahead
            at = max(at, start + quiet)
    return Edge(None, start)


def _unexpected(x: Values, new: int, rate_hz: float) -> int | None:
    """Return the first of the new rows that is not foretold by those before.

    Returns
    -------
    int or None
        Row among the new ones; -1 when the rows before are not quiet.
    """
    n, known = len(x), len(x) - new
    left = x - _foretold(x[:known], n, rate_hz)
    # Noise of the converter is white before the coupling is undone, a slow walk after it:
    # differences over 1 and 16 ms, and means over 16 ms, each against their own past.
    first: int | None = None
    for lag in (1, 16):
        moved = left[lag:] - left[:-lag]
        past = moved[: known - lag]
        sigma = usual_scatter(past) + 1e-12
        if np.abs(past).max() > 1.5 * SIGMAS * sigma:
            return -1
        over = np.flatnonzero(np.abs(moved[known - lag :]) > SIGMAS * sigma)
        if over.size and (first is None or over[0] < first):
            first = int(over[0])
    mean = np.convolve(left, np.ones(16) / 16.0, "valid")
    moved = mean[16:] - mean[:-16]
    past = moved[: max(known - 31, 1)]
    sigma = usual_scatter(past) + 1e-13
    over = np.flatnonzero(np.abs(moved[known - 31 :]) > SIGMAS * sigma)
    if over.size and (first is None or first > over[0] + 16):
        # Only a mean sees so small a step, and only when some of it lies behind the step.
        first = max(int(over[0]) - 8, 0)
    return first


def _foretold(past: Values, rows: int, rate_hz: float) -> Values:
    """Continue hum, level and drift of these rows; the mains frequency is refined on them."""
    known = len(past)
    t = (np.arange(rows) - known / 2.0) / (known / 2.0)
    slow = np.column_stack([np.ones(rows), t, t * t])
    lines = Lines(mains_of([past], rate_hz), (), rate_hz)
    for _ in range(3):
        columns = lines.columns(rows)
        basis = np.column_stack([columns, slow])
        found, *_ = np.linalg.lstsq(basis[:known], past, rcond=1e-10)
        left = past - basis[:known] @ found
        change = lines.changes(found[: columns.shape[1]], rows)[:known]
        change -= basis[:known] @ np.linalg.lstsq(basis[:known], change, rcond=1e-10)[0]
        power = float(np.sum(change * change))
        if power <= 0.0:
            break
        moved = lines.moved(change.T @ left / power)
        if abs(moved.mains_hz - lines.mains_hz) < 1e-4:
            break
        lines = moved
    total: Values = basis @ found
    return total
