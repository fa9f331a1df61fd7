"""The transfer curve's slope: whether the output is flat where the sine goes on.

The signal is plotted against its own fundamental. About each peak of the sine, within a half
angle, the signal is regressed on the sine with an own intercept and tilt per peak, so that
neither ripple of the rail nor a small error of the coupling correction looks like a slope. A
hard-clipped half has slope 0 near its peak, a sine slope 1, and every soft limiter keeps a slope.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

HALF_ANGLES_DEG = (
    2.5,
    3.1,
    3.8,
    4.6,
    5.6,
    6.8,
    8.3,
    10.0,
    12.3,
    15.0,
    18.3,
    22.3,
    27.0,
    30.0,
    37.0,
)
FLAT_SLOPE = 0.3
STANDARD_ERRORS = 5.0
"""Many half angles, peaks and shares of peaks are tried in every window."""
LARGEST_ERROR = 0.15
"""Above it the noise says too little about a slope."""
PEAKS_NEEDED = 2
RATE_PER_PEAK = 240.0
"""Samples per period from which a single peak can be judged (200 Hz at 48 kHz)."""
RATE_POOLED = 9.5
"""Samples per period below which the third harmonic alone is left, and no shape to judge."""

LATEST_SHARE = 0.25
LOWEST_SHARES = (0.5, 0.25)
"""Shares of the peaks that are judged together, those that end lowest first."""

_OUTER = len(HALF_ANGLES_DEG) - 1
_EDGES_RAD = np.radians(np.asarray(HALF_ANGLES_DEG))


@dataclass(frozen=True, slots=True)
class Top:
    """The samples about the peaks of one half.

    Parameters
    ----------
    angle : ndarray, shape (S,)
        Distance from the nearest peak of the sine, rad.
    peak : ndarray of int, shape (S,)
        Which peak, from 0.
    level : ndarray, shape (S,)
        The signal, the lower half mirrored, mean of the window removed.
    peaks : int
        Number of peaks.
    """

    angle: NDArray[np.float64]
    peak: NDArray[np.intp]
    level: NDArray[np.float64]
    peaks: int


@dataclass(frozen=True, slots=True)
class Shape:
    """What the slopes of one half say.

    Parameters
    ----------
    flat : bool
        The half runs flat before the sine's peak.
    smallest : float
        Smallest slope plus its five standard errors, all peaks together.
    half_angle : float
        Where that is, rad.
    outer_slope, outer_error : float
        Slope above 80 % of the sine's peak, and its standard error.
    """

    flat: bool
    smallest: float
    half_angle: float
    outer_slope: float
    outer_error: float


def tops(signal: NDArray[np.float64], turns: NDArray[np.float64]) -> tuple[Top, Top]:
    """Return the samples about the upper and the lower peaks.

    Parameters
    ----------
    signal : ndarray, shape (n,)
        Mean removed.
    turns : ndarray, shape (n,)
        Phase of the fundamental cosine, in turns, ascending.
    """
    out = []
    limit = HALF_ANGLES_DEG[-1] / 360.0
    for sign, shift in ((1.0, 0.0), (-1.0, 0.5)):
        shifted = turns - shift
        nearest = np.rint(shifted)
        distance = shifted - nearest
        chosen = np.flatnonzero(np.abs(distance) <= limit)
        number = nearest[chosen].astype(np.intp)
        number -= number[0] if number.size else 0
        out.append(
            Top(
                distance[chosen] * (2.0 * math.pi),
                number,
                sign * signal[chosen],
                int(number[-1]) + 1 if number.size else 0,
            )
        )
    return out[0], out[1]


@dataclass(frozen=True, slots=True)
class _Moments:
    """Centred second moments of angle t, sine x and signal y; shape (peaks, half angles).

    `rise` is the mean of y - x, `count` the number of samples.
    """

    count: NDArray[np.float64]
    rise: NDArray[np.float64]
    tt: NDArray[np.float64]
    tx: NDArray[np.float64]
    ty: NDArray[np.float64]
    xx: NDArray[np.float64]
    xy: NDArray[np.float64]
    yy: NDArray[np.float64]

    def lowest(self, share: float, fewest: int) -> _Moments:
        """Return those of the peaks that end lowest, chosen for each half angle by itself.

        Ripple of the rail flattens only some peaks. The mean of a peak over a window is
        independent of its slope over the same window, so this choice cannot make a slope vanish.
        """
        peaks = max(PEAKS_NEEDED, math.ceil(share * self.count.shape[0]))
        known = np.where(self.count >= fewest, self.rise, np.inf)
        order = np.argsort(known, axis=0, kind="stable")[:peaks]
        return _Moments(
            *(np.take_along_axis(getattr(self, name), order, axis=0) for name in self.__slots__)
        )

    def latest(self, share: float) -> _Moments:
        """Return those of the last peaks: clipping that has just begun."""
        first = self.count.shape[0] - max(PEAKS_NEEDED, math.ceil(share * self.count.shape[0]))
        return _Moments(*(getattr(self, name)[max(first, 0) :] for name in self.__slots__))


def _moments(top: Top, peak: NDArray[np.intp], peaks: int, amplitude: float) -> _Moments:
    rings = np.minimum(np.searchsorted(_EDGES_RAD, np.abs(top.angle)), _OUTER)
    place = peak * (_OUTER + 1) + rings
    size = peaks * (_OUTER + 1)
    t = top.angle
    x = amplitude * (np.cos(t) - 1.0)
    y = top.level - amplitude

    def summed(weights: NDArray[np.float64] | None) -> NDArray[np.float64]:
        sums = np.bincount(place, weights, minlength=size).reshape(peaks, _OUTER + 1)
        return np.asarray(sums.cumsum(axis=1), dtype=np.float64)

    n = summed(None)
    safe = np.maximum(n, 1.0)
    st, sx, sy = summed(t), summed(x), summed(y)
    return _Moments(
        n,
        (sy - sx) / safe,
        summed(t * t) - st * st / safe,
        summed(t * x) - st * sx / safe,
        summed(t * y) - st * sy / safe,
        summed(x * x) - sx * sx / safe,
        summed(x * y) - sx * sy / safe,
        summed(y * y) - sy * sy / safe,
    )


def _bounds(m: _Moments, noise: float, rules: _Rules) -> NDArray[np.float64]:
    """Return slope plus five standard errors of all peaks in `m` together, per half angle."""
    slope, error = _together(m, noise, rules)
    return slope + STANDARD_ERRORS * error


def _together(
    m: _Moments, noise: float, rules: _Rules
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    used = m.count >= rules.fewest
    if rules.own_tilt:
        tt = np.where(m.tt > 0.0, m.tt, np.inf)
        xx, xy, yy = (
            np.where(used, v, 0.0).sum(axis=0)
            for v in (m.xx - m.tx * m.tx / tt, m.xy - m.tx * m.ty / tt, m.yy - m.ty * m.ty / tt)
        )
        freedom = np.where(used, m.count - 2.0, 0.0).sum(axis=0) - 1.0
    else:
        tt, tx, ty, xx, xy, yy = (
            np.where(used, v, 0.0).sum(axis=0) for v in (m.tt, m.tx, m.ty, m.xx, m.xy, m.yy)
        )
        tt = np.where(tt > 0.0, tt, np.inf)
        xx, xy, yy = xx - tx * tx / tt, xy - tx * ty / tt, yy - ty * ty / tt
        freedom = np.where(used, m.count - 1.0, 0.0).sum(axis=0) - 2.0
    return _slope(xx, xy, yy, freedom, np.where(used, m.xx, 0.0).sum(axis=0), noise)


def _single(m: _Moments, noise: float) -> NDArray[np.float64]:
    """Return slope plus five standard errors of every peak for itself."""
    tt = np.where(m.tt > 0.0, m.tt, np.inf)
    slope, error = _slope(
        m.xx - m.tx * m.tx / tt,
        m.xy - m.tx * m.ty / tt,
        m.yy - m.ty * m.ty / tt,
        m.count - 3.0,
        m.xx,
        noise,
    )
    return slope + STANDARD_ERRORS * error


def _slope(
    xx: NDArray[np.float64],
    xy: NDArray[np.float64],
    yy: NDArray[np.float64],
    freedom: NDArray[np.float64],
    scale: NDArray[np.float64],
    noise: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    good = (xx > 1e-9 * scale) & (xx > 0.0) & (freedom >= 1.0)
    safe = np.where(good, xx, 1.0)
    slope = xy / safe
    left = np.maximum(yy - slope * xy, 0.0) / np.maximum(freedom, 1.0)
    error = np.sqrt(np.maximum(left, noise * noise) / safe)
    good &= error <= LARGEST_ERROR
    return np.where(good, slope, 1.0), np.where(good, error, np.inf)


@dataclass(frozen=True, slots=True)
class _Rules:
    """Fewest samples for a peak to count, and whether each has a tilt of its own."""

    fewest: int
    own_tilt: bool


_ON_ONE_CURVE = _Rules(6, True)
_LONG_PERIODS = _Rules(5, True)
_SHORT_PERIODS = _Rules(2, False)


def shape_of(top: Top, amplitude: float, noise: float, samples_per_period: float) -> Shape:
    """Judge one half.

    Parameters
    ----------
    top : Top
        Samples about its peaks.
    amplitude : float
        Amplitude of the fundamental.
    noise : float
        Standard deviation of the noise; an error is never taken smaller than it explains.
    samples_per_period : float
        Decides which rules apply: single peaks where each has enough samples, all peaks on one
        curve above, nothing where fewer than four harmonics exist.
    """
    if samples_per_period < RATE_POOLED or top.peaks < 1:
        return Shape(False, math.inf, 0.0, 1.0, math.inf)
    folded = _moments(top, np.zeros_like(top.peak), 1, amplitude)
    slope, error = _together(folded, noise, _ON_ONE_CURVE)
    outer_slope, outer_error = float(slope[_OUTER]), float(error[_OUTER])
    each = _moments(top, top.peak, top.peaks, amplitude)
    flat_peaks = 0
    if samples_per_period >= RATE_PER_PEAK:
        rules = _LONG_PERIODS
        rows = []
        flat_peaks = int((_single(each, noise)[:, :_OUTER].min(axis=1) < FLAT_SLOPE).sum())
    else:
        rules = _SHORT_PERIODS
        rows = [slope + STANDARD_ERRORS * error]
    rows.append(_bounds(each, noise, rules))
    rows.extend(_bounds(each.lowest(s, rules.fewest), noise, rules) for s in LOWEST_SHARES)
    rows.append(_bounds(each.latest(LATEST_SHARE), noise, rules))
    bounds = np.minimum.reduce(rows)[:_OUTER]
    best = int(bounds.argmin())
    smallest = float(bounds[best])
    return Shape(
        smallest < FLAT_SLOPE or flat_peaks >= PEAKS_NEEDED,
        smallest,
        float(_EDGES_RAD[best]),
        outer_slope,
        outer_error,
    )


def inner_slope(signal: NDArray[np.float64], turns: NDArray[np.float64], amplitude: float) -> float:
    """Return the slope of the transfer curve between -50 % and +50 % of the sine's peak."""
    sine = amplitude * np.cos(2.0 * math.pi * turns)
    chosen = np.abs(sine) < 0.5 * amplitude
    x, y = sine[chosen], signal[chosen]
    x = x - x.mean()
    return float(x @ y / (x @ x)) if x.size > 1 else 1.0
