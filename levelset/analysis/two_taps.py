"""Two taps heard at once: polarity against each other, level, delay, and what their sum does."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.minimum_phase import minimum_phase, way_round
from levelset.analysis.which_wire import LEAST_AGREEMENT, LEAST_MARGIN, Polarity, Transfer
from levelset.quantity import Quantity
from levelset.units import DB_PER_NEPER

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_DELAY_S = 0.05
"""Delay between two taps of one source that is looked for."""
BASS_HZ = (20.0, 200.0)
SHARED = 0.1
"""A line counts half where the weaker of both is this far below its own largest."""
FEWEST_LINES = 4


@dataclass(frozen=True, slots=True)
class TwoTaps:
    """Tap B against tap A.

    Parameters
    ----------
    polarity : Polarity
        ``normal``: both the same way round.
    polarity_margin : float
        How much better the phases agree in that polarity than in the other.
    level_db : Quantity
        B less A over what both pass, dB; the uncertainty is that of the mean.
    level_spread_db : float
        Standard deviation of the difference over frequency, dB: large where their filters differ.
    delay_s : Quantity
        How much later B is, s, the phase that the levels explain taken out.
    frequency_hz : ndarray, shape (L,)
        Lines that both pass, ascending, Hz.
    sum_db : ndarray, shape (L,)
        Sum of both over the louder of both, dB: +6 in step and alike, far below 0 where they
        cancel.
    sum_if_reversed_db : ndarray, shape (L,)
        The same with B the other way round.
    bass_db, bass_if_reversed_db : float or None
        Power of the bass (20 to 200 Hz, every octave alike) of the sum over that of the louder
        one; None where no line lies there.
    """

    polarity: Polarity
    polarity_margin: float
    level_db: Quantity
    level_spread_db: float
    delay_s: Quantity
    frequency_hz: NDArray[np.float64]
    sum_db: NDArray[np.float64]
    sum_if_reversed_db: NDArray[np.float64]
    bass_db: float | None
    bass_if_reversed_db: float | None


def compare_taps(a: Transfer, b: Transfer) -> TwoTaps | None:
    """Compare two taps that were heard in the same window.

    Parameters
    ----------
    a, b : Transfer
        Of the same signal in both, or of two channels' signals that started together: then each
        is taken between its own lines.

    Returns
    -------
    TwoTaps or None
        None where they share too few lines or no band.

    Raises
    ------
    ValueError
        If the periods differ.
    """
    if a.period_s != b.period_s:
        raise ValueError("two taps of signals with one period are needed")
    a, b = _at_shared(a, b)
    if a.number.size < FEWEST_LINES:
        return None
    size_a, size_b = np.abs(a.gain), np.abs(b.gain)
    u = np.log(a.frequency_hz)
    room = np.minimum(np.gradient(u), 0.1)
    weaker = np.minimum(size_a / size_a.max(), size_b / size_b.max())
    relative = a.noise / size_a**2 + b.noise / size_b**2
    weight = room * weaker / (weaker + SHARED) / (1.0 + relative)

    ratio = b.gain / a.gain
    power = np.square(np.abs(ratio))
    phase = np.angle(ratio) - minimum_phase(a.frequency_hz, power, 1.0 / relative)
    way = way_round(a.number, a.period_s, phase, weight, MOST_DELAY_S)
    margin = way.normal - way.reversed
    polarity: Polarity = "normal" if margin > 0.0 else "reversed"
    if abs(margin) < LEAST_MARGIN or max(way.normal, way.reversed) < LEAST_AGREEMENT:
        polarity = "cannot_tell"

    level = DB_PER_NEPER * np.log(np.abs(ratio))
    mean = float(weight @ level / weight.sum())
    share = weight / weight.sum()
    noise_db = DB_PER_NEPER * np.sqrt(0.5 * relative)
    u_level = 1.96 * float(np.sqrt(np.square(share * noise_db).sum()))
    spread = math.sqrt(float(share @ np.square(level - mean)))
    louder = np.maximum(size_a, size_b)
    summed, reverse = np.abs(a.gain + b.gain), np.abs(a.gain - b.gain)
    bass = (a.frequency_hz >= BASS_HZ[0]) & (a.frequency_hz <= BASS_HZ[1])
    return TwoTaps(
        polarity,
        abs(margin),
        Quantity(mean, u_level, "dB"),
        spread,
        _delay(way.delay_s, a, phase, weight, relative, turned=margin < 0.0),
        a.frequency_hz,
        _db(summed / louder),
        _db(reverse / louder),
        _bass_db(summed, size_a, size_b, room, bass),
        _bass_db(reverse, size_a, size_b, room, bass),
    )


def _at_shared(a: Transfer, b: Transfer) -> tuple[Transfer, Transfer]:
    """Return both at the lines that both have, or B at A's lines between its own."""
    shared = np.intersect1d(a.number, b.number)
    if shared.size >= FEWEST_LINES:
        return _only(a, np.isin(a.number, shared)), _only(b, np.isin(b.number, shared))
    if b.number.size < FEWEST_LINES:
        return _only(a, np.zeros(a.number.size, dtype=np.bool_)), b
    a = _only(a, (a.number >= b.number[0]) & (a.number <= b.number[-1]))
    # The delay that both have from the moment they were played turns the phase by many turns from
    # line to line; it is taken out before, and put back after.
    common_s = way_round(
        b.number, b.period_s, np.angle(b.gain), np.gradient(np.log(b.frequency_hz)), None
    ).delay_s
    turn = 2j * math.pi * common_s
    level = np.log(np.abs(b.gain))
    phase = np.unwrap(np.angle(b.gain * np.exp(turn * b.frequency_hz)))
    x, place = np.log(b.frequency_hz), np.log(a.frequency_hz)
    gain = np.exp(np.interp(place, x, level) + 1j * np.interp(place, x, phase))
    gain *= np.exp(-turn * a.frequency_hz)
    return a, Transfer(a.number, a.period_s, gain, np.interp(place, x, b.noise))


def _only(transfer: Transfer, chosen: NDArray[np.bool_]) -> Transfer:
    return Transfer(
        transfer.number[chosen], transfer.period_s, transfer.gain[chosen], transfer.noise[chosen]
    )


def _delay(
    coarse_s: float,
    a: Transfer,
    phase: NDArray[np.float64],
    weight: NDArray[np.float64],
    relative: NDArray[np.float64],
    *,
    turned: bool,
) -> Quantity:
    """Return the delay that a straight line through the phases has, about a first value."""
    w = 2.0 * math.pi * a.frequency_hz
    left = np.angle((-1.0 if turned else 1.0) * np.exp(1j * (phase + w * coarse_s)))
    # Weights of a line through zero: phase errors of half the relative noise power, and those of
    # filters that are no minimum-phase ones, which the scatter shows.
    heavy = weight / (0.5 * relative + 1e-4)
    information = float((heavy * w * w).sum())
    shift = float((heavy * w * left).sum()) / information
    error = left - shift * w
    # What is left has the shape of filters, alike over many lines: they do not average it out.
    u = 2.0 * math.sqrt(float(heavy @ np.square(error)) / information)
    return Quantity(coarse_s - shift, u, "s")


def _bass_db(
    summed: NDArray[np.float64],
    size_a: NDArray[np.float64],
    size_b: NDArray[np.float64],
    room: NDArray[np.float64],
    bass: NDArray[np.bool_],
) -> float | None:
    if not bool(bass.any()):
        return None
    total, one, other = (float(room[bass] @ np.square(s[bass])) for s in (summed, size_a, size_b))
    return 10.0 * math.log10(max(total / max(one, other), 1e-12))


def _db(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    level: NDArray[np.float64] = DB_PER_NEPER * np.log(np.maximum(ratio, 1e-6))
    return level
