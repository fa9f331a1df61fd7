"""A step read with a known coupling, and the coupling identified from a step."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.step.fit import Fit, Model, Window, plain_model, solve, whitening_of
from levelset.analysis.step.mains import MOST_TONES, Lines, strongest_tone
from levelset.analysis.step.result import Step
from levelset.analysis.step.section import Section, section_of_poles
from levelset.mains import MAINS_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]

BOUNCE_S = 0.056
"""A contact that bounces for 50 ms, and some room, s."""

BOUNCE_SIGMAS = 5.0
"""Input further than this from what the fit foretells is still bounce."""

SETTLED_ROWS = 3
"""Rows after the last bounce that stay free."""

LEVEL_ROWS = 40
"""Rows whose mean is a level without hum."""

DRIFT_PART = 0.02
"""Part of a step by which its level may seem to drift."""

BLOCK = 8
"""Rows whose mean shows a slow misfit that single rows hide in their noise."""

SPOILT = 3.0
"""Slow residual of the quiet over that around a straight line of its own, that is still noise."""

START_HZ = (0.3, 2.0, 8.0)
MOST_ORDER = 3
IDENTIFIED_MISFIT = 1.25
"""An order whose slow misfit is above this is not enough."""
CLEARLY = 0.02
"""Part of the cost by which one order more must better it to be taken instead."""
HOPELESS = 3.0
"""An order whose slow misfit is above this is not polished."""
IDENTIFIED_NOISE = 1.15
"""The same for the ratio of all noise after and before; a battery adds none."""


def window_of(rows: Values, touch: int, smear: int, rate_hz: float) -> Window:
    """Return the window around a touch; ``smear`` rows of the low-pass lie on each side."""
    first = max(touch - smear - 2, 0)
    return Window(rows, first, min(touch + 2 * smear + round(BOUNCE_S * rate_hz), len(rows)))


def read_step(window: Window, section: Section) -> Step:
    """Read the height of a step behind a known coupling.

    Parameters
    ----------
    window : Window
        Rows of one channel with one touch, 0.6 s or more before it, 0.3 s or more after.
    section : Section
        The coupling.

    Returns
    -------
    Step
        Whether it can be trusted is for ``misfit``, ``noise_ratio`` and ``noise_after_fs`` to say.
    """
    return _step(*_settled(window, _with_mains(window, section)))


def identify_step(window: Window, rate_hz: float) -> Step:
    """Identify the coupling from a step, with the lowest order that explains it.

    Parameters
    ----------
    window : Window
        Rows of one channel with one touch of a quiet voltage.
    rate_hz : float
        Rows per second.

    Returns
    -------
    Step
        With the joint covariance of height and coefficients. Where no order explains the rows,
        ``misfit`` says so.
    """
    found: list[tuple[Step, float]] = []
    for order in range(MOST_ORDER + 1):
        found.append(_identified(window, order, rate_hz))
        if order:
            # One order more must not say clearly more, else the lower one only seems to do.
            (lower, cost), (_, less) = found[-2:]
            if explains(lower) and cost - less < CLEARLY * less:
                return lower
    good = [step for step, _ in found if explains(step)]
    return good[-1] if good else found[-1][0]


def explains(step: Step) -> bool:
    """Tell whether an identified coupling explains its step."""
    return (
        1.0 / IDENTIFIED_MISFIT**2 <= step.misfit <= IDENTIFIED_MISFIT
        and step.noise_ratio <= IDENTIFIED_NOISE
    )


def _with_mains(window: Window, section: Section) -> Fit:
    """Fit with the mains frequency that leaves less."""
    rate_hz = section.rate_hz
    fits = [solve(window, plain_model(section, Lines(f, (), rate_hz)), None) for f in MAINS_HZ]
    return min(fits, key=lambda fit: fit.cost)


def _identified(window: Window, order: int, rate_hz: float) -> tuple[Step, float]:
    """Identify a section of this order; return the step and its cost per noise variance."""
    poles = itertools.combinations_with_replacement(START_HZ, order)
    tried = [_with_mains(window, Section(section_of_poles(p), rate_hz)) for p in poles]
    # Far from the coupling the hum says nothing about its frequency yet, 50 or 60 Hz included.
    fit = _descend(window, min(tried, key=lambda f: f.cost), lines_free=False)
    fit = _descend(window, _with_mains(window, fit.model.section))
    cost = fit.cost
    if _step(window, fit).misfit < HOPELESS:
        window = _shortened(window, fit)
        fit = _descend(window, solve(window, _weighted(window, fit), None))
    final = solve(window, fit.model, fit, section_free=True, with_change=True)
    step = _step(window, replace(final, residual=fit.residual, height_fs=fit.height_fs))
    covariance = final.covariance[: 1 + order, : 1 + order]
    rows = tuple(tuple(map(float, row)) for row in covariance)
    return replace(step, covariance=rows), cost / len(fit.white)


def _shortened(window: Window, fit: Fit) -> Window:
    """Return the window with less bounce: up to where the input stays what the fit foretells.

    Behind fast poles the step is nearly gone when the longest bounce ends; every row counts.
    """
    rows = np.arange(window.first, window.last)
    foretold = (
        fit.height_fs + fit.model.lines.columns(len(window.rows))[rows] @ fit.line_amplitudes[1]
    )
    noise = _rms(fit.residual[: window.first])
    off = np.flatnonzero(np.abs(fit.bounce - foretold) > BOUNCE_SIGMAS * noise)
    last = window.first + (int(off[-1]) if off.size else 0) + SETTLED_ROWS
    return replace(window, last=min(last, window.last))


def _descend(window: Window, fit: Fit, *, lines_free: bool = True) -> Fit:
    """Move section and frequencies to the least cost: Gauss-Newton with halved steps."""
    for _ in range(20):
        order = fit.model.section.order
        ahead = solve(window, fit.model, fit, section_free=True, lines_free=lines_free)
        if fit.cost - ahead.cost < 1e-3 * fit.cost / len(fit.white):
            return fit
        for part in (1.0, 0.5, 0.25, 0.1, 0.03):
            moved = fit.model.section.coefficients + part * ahead.step[:order]
            section = Section(tuple(float(c) for c in moved), fit.model.section.rate_hz)
            if not section.bounded(len(window.rows)):
                continue
            model = replace(fit.model, section=section)
            if lines_free:
                model = replace(model, lines=model.lines.moved(part * ahead.step[order:]))
            tried = solve(window, model, None)
            if tried.cost < fit.cost:
                break
        else:
            return fit
        fit = tried
    return fit


def _settled(window: Window, fit: Fit) -> tuple[Window, Fit]:
    """Fit with tones that stand out, mains frequency refined, noise whitened."""
    rate_hz = fit.model.section.rate_hz
    for _ in range(MOST_TONES + 1):
        fit = _refined(window, fit)
        tone = strongest_tone(fit.residual[window.last :], rate_hz)
        if tone is None or len(fit.model.lines.tones_hz) >= MOST_TONES:
            break
        lines = fit.model.lines.with_tone(tone)
        fit = solve(window, replace(fit.model, lines=lines), None)
    window = _shortened(window, fit)
    return window, solve(window, _weighted(window, fit), None, with_change=True)


def _refined(window: Window, fit: Fit) -> Fit:
    """Move the frequencies of lines that matter."""
    for _ in range(4):
        ahead = solve(window, fit.model, fit)
        if fit.cost - ahead.cost < 4.0 * fit.cost / len(fit.white):
            break
        tried = solve(window, replace(fit.model, lines=fit.model.lines.moved(ahead.step)), None)
        if tried.cost >= fit.cost:
            break
        fit = tried
    return fit


def _weighted(window: Window, fit: Fit) -> Model:
    """Return the model with the noise that was found: its colour, and how loud on each side."""
    before, after = fit.residual[: window.first], fit.residual[window.last :]
    whitening = whitening_of(before)
    order = len(whitening) - 1
    loud = [_rms(np.convolve(p, whitening, "valid")) for p in (before, after)]
    weight = loud[0] / loud[1] if order and min(loud) > 0.0 else 1.0
    return replace(fit.model, whitening=whitening, weight_after=min(weight, 1.0))


def _step(window: Window, fit: Fit) -> Step:
    before, after = fit.residual[: window.first], fit.residual[window.last :]
    slow = [_rms(_blocks(p)) for p in (before, after)]
    fast = [_rms(np.diff(p)) for p in (before, after)]
    # What is louder after the touch in a way that is white is the source's noise, no misfit.
    louder = max(1.0, fast[1] / fast[0]) if fast[0] > 0.0 else 1.0
    misfit = slow[1] / (slow[0] * louder) if slow[0] > 0.0 else 1.0
    # What does not fit after the touch spoils the quiet as well, by the level that they share.
    quiet = _rms(_straightened(_blocks(before)))
    misfit = max(misfit, slow[0] / (SPOILT * quiet)) if quiet > 0.0 else misfit
    noise = float(np.sqrt(fit.covariance[0, 0]))
    return Step(
        height_fs=fit.height_fs,
        noise_fs=noise,
        coefficients=fit.model.section.coefficients,
        change=tuple(float(c) for c in fit.height_change),
        covariance=(),
        misfit=misfit,
        moved=_moved(window, fit),
        noise_ratio=_rms(after) / _rms(before) if _rms(before) > 0.0 else 1.0,
        noise_after_fs=_rms(after),
    )


def _moved(window: Window, fit: Fit) -> float:
    """Return how far the level strays after the touch, over what the noise explains.

    A contact that is lost, or a touch that came later than the one that was seen, moves the input
    of the coupling; means over 40 ms hold whole periods of 50 Hz hum.
    """
    section = fit.model.section
    hum = fit.model.lines.columns(len(window.rows))
    side = np.zeros((2, len(window.rows), 1))
    side[0, : window.first] = side[1, window.last :] = 1.0
    lines = sum(section.passed(hum * side[k]) @ fit.line_amplitudes[k] for k in (0, 1))
    level = section.undone((window.rows - lines)[:, None])[:, 0]
    if len(level) - window.last < 2 * LEVEL_ROWS or window.first < 2 * LEVEL_ROWS:
        return 0.0
    jumps = []
    for part in (level[: window.first], level[window.last :]):
        mean = np.convolve(part, np.ones(LEVEL_ROWS) / LEVEL_ROWS, "valid")
        jumps.append(np.abs(mean[LEVEL_ROWS:] - mean[:-LEVEL_ROWS]))
    # A coupling that is slightly off lets the level of a high step drift, which is no contact lost.
    scale = max(float(np.sqrt(np.mean(jumps[0] ** 2))), DRIFT_PART * abs(fit.height_fs))
    return float(jumps[1].max()) / scale if scale > 0.0 else 0.0


def _blocks(part: Values) -> Values:
    count = len(part) // BLOCK
    means: Values = part[: count * BLOCK].reshape(count, BLOCK).mean(axis=1)
    return means


def _straightened(values: Values) -> Values:
    """Return values, shape (n,), less the straight line that fits them best."""
    t = np.linspace(-1.0, 1.0, len(values))
    level = values - values.mean()
    straight: Values = level - t * float(t @ level) / max(float(t @ t), 1e-300)
    return straight


def _rms(part: Values) -> float:
    return float(np.sqrt(np.mean(part * part))) if len(part) else 0.0
