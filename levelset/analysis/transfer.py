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
LEAST_SPREAD = 0.01
"""Least spread of the sine less tilt, over that of evenly spaced samples. Where the periods are
sampled at the same few angles, hardly any is left, and a level that moves gives it any slope."""
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
    half_angle : float
        Where the slope plus its five standard errors is smallest, all peaks together, rad.
    outer_slope, outer_error : float
        Slope above 80 % of the sine's peak, and its standard error.
    """

    flat: bool
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


_ROWS = ("count", "t", "x", "y", "tt", "tx", "ty", "xx", "xy", "yy")


def _sums(top: Top, amplitude: float) -> NDArray[np.float64]:
    """Return the sums of angle t, sine x and signal y within each half angle of each peak.

    Returns
    -------
    ndarray, shape (10, peaks, half angles)
        In the order of ``_ROWS``.
    """
    rings = np.minimum(np.searchsorted(_EDGES_RAD, np.abs(top.angle)), _OUTER)
    place = top.peak * (_OUTER + 1) + rings
    size = top.peaks * (_OUTER + 1)
    t = top.angle
    x = amplitude * (np.cos(t) - 1.0)
    y = top.level - amplitude
    sums = np.empty((len(_ROWS), size))
    sums[0] = np.bincount(place, minlength=size)
    for row, weights in enumerate((t, x, y, t * t, t * x, t * y, x * x, x * y, y * y), 1):
        sums[row] = np.bincount(place, weights, minlength=size)
    return sums.reshape(len(_ROWS), top.peaks, _OUTER + 1).cumsum(axis=2)


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

    @classmethod
    def of(cls, sums: NDArray[np.float64]) -> _Moments:
        """Return the moments of sums as `_sums` gives them."""
        n, st, sx, sy, tt, tx, ty, xx, xy, yy = sums
        safe = np.maximum(n, 1.0)
        return cls(
            n,
            (sy - sx) / safe,
            tt - st * st / safe,
            tx - st * sx / safe,
            ty - st * sy / safe,
            xx - sx * sx / safe,
            xy - sx * sy / safe,
            yy - sy * sy / safe,
        )

    @classmethod
    def on_one_curve(cls, sums: NDArray[np.float64]) -> _Moments:
        """Return those of all peaks as if they were one, less what goes with time.

        Where the periods are sampled at nearly the same angles, these drift slowly: a level that
        moves would look like a slope. What goes with time and its square is taken out.
        """
        m = cls.of(sums.sum(axis=1, keepdims=True))
        count, st, sx, sy = sums[:4]
        number = np.linspace(-1.0, 1.0, sums.shape[1])[:, None]
        mean = (number * count).sum(axis=0) / m.count.clip(1.0)
        first = number - mean
        square = first * first
        second = square - (square * count).sum(axis=0) / m.count.clip(1.0)
        second -= first * _ratio((first * second * count).sum(axis=0), (square * count).sum(axis=0))
        tt, tx, ty, xx, xy, yy = m.tt, m.tx, m.ty, m.xx, m.xy, m.yy
        for late in (first, second):
            pp = (late * late * count).sum(axis=0)
            pt, px, py = ((late * part).sum(axis=0) for part in (st, sx, sy))
            tt, tx, ty = (
                tt - _ratio(pt * pt, pp),
                tx - _ratio(pt * px, pp),
                ty - _ratio(pt * py, pp),
            )
            xx, xy, yy = (
                xx - _ratio(px * px, pp),
                xy - _ratio(px * py, pp),
                yy - _ratio(py * py, pp),
            )
        return cls(m.count, m.rise, tt, tx, ty, xx, xy, yy)

    def spread(self, amplitude: float) -> NDArray[np.float64]:
        """Return what `xx` is with samples spaced evenly: that of ``amplitude t**2 / 2``."""
        return np.asarray(self.count * np.square(amplitude * np.square(_EDGES_RAD)) / 45.0)

    def choices(self, fewest: int) -> NDArray[np.bool_]:
        """Return which peaks are judged together; shape (choices, peaks, half angles).

        All of them; those that end lowest, chosen for each half angle by itself; the latest.
        Ripple of the rail flattens only some peaks. The mean of a peak over a window is
        independent of its slope over the same window, so the choice of the lowest cannot make a
        slope vanish. The latest show clipping that has just begun.
        """
        peaks = self.count.shape[0]
        used = self.count >= fewest
        chosen = np.zeros((2 + len(LOWEST_SHARES), *used.shape), dtype=np.bool_)
        chosen[0] = True
        order = np.argsort(np.where(used, self.rise, np.inf), axis=0, kind="stable")
        for row, share in enumerate(LOWEST_SHARES, 1):
            lowest = order[: max(PEAKS_NEEDED, math.ceil(share * peaks))]
            np.put_along_axis(chosen[row], lowest, True, axis=0)
        chosen[-1, max(0, peaks - max(PEAKS_NEEDED, math.ceil(LATEST_SHARE * peaks))) :] = True
        chosen &= used
        return chosen


def _ratio(above: NDArray[np.float64], below: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the ratio, 0 where nothing is below."""
    return np.divide(above, below, out=np.zeros_like(above), where=below > 1e-12)


def _own_tilt(
    m: _Moments,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return xx, xy and yy of every peak, less a tilt of its own."""
    tt = np.where(m.tt > 0.0, m.tt, np.inf)
    return m.xx - m.tx * m.tx / tt, m.xy - m.tx * m.ty / tt, m.yy - m.ty * m.ty / tt


def _together(
    m: _Moments, chosen: NDArray[np.bool_], amplitude: float, noise: float, *, own_tilt: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return slope and standard error of the chosen peaks together; shapes (choices, angles)."""
    if own_tilt:
        parts = np.stack((*_own_tilt(m), m.count - 2.0, m.spread(amplitude)))
        xx, xy, yy, freedom, scale = _totals(chosen, parts)
        return _slope(xx, xy, yy, freedom - 1.0, scale, noise)
    spread = m.spread(amplitude)
    parts = np.stack((m.tt, m.tx, m.ty, m.xx, m.xy, m.yy, m.count - 1.0, spread))
    tt, tx, ty, xx, xy, yy, freedom, scale = _totals(chosen, parts)
    tt = np.where(tt > 0.0, tt, np.inf)
    xx, xy, yy = xx - tx * tx / tt, xy - tx * ty / tt, yy - ty * ty / tt
    return _slope(xx, xy, yy, freedom - 2.0, scale, noise)


def _totals(chosen: NDArray[np.bool_], parts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sums over the chosen peaks; (C, P, A) and (Q, P, A) to (Q, C, A)."""
    of_angles = chosen.transpose(2, 0, 1).astype(np.float64) @ parts.transpose(2, 1, 0)
    return of_angles.transpose(2, 1, 0)


def _slope(
    xx: NDArray[np.float64],
    xy: NDArray[np.float64],
    yy: NDArray[np.float64],
    freedom: NDArray[np.float64],
    scale: NDArray[np.float64],
    noise: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    good = (xx > LEAST_SPREAD * scale) & (xx > 0.0) & (freedom >= 1.0)
    safe = np.where(good, xx, 1.0)
    slope = xy / safe
    left = np.maximum(yy - slope * xy, 0.0) / np.maximum(freedom, 1.0)
    error = np.sqrt(np.maximum(left, noise * noise) / safe)
    good &= error <= LARGEST_ERROR
    return np.where(good, slope, 1.0), np.where(good, error, np.inf)


FEWEST_ON_ONE_CURVE = 6
FEWEST_LONG_PERIODS = 5
FEWEST_SHORT_PERIODS = 2
"""Fewest samples for a peak to count."""


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
        return Shape(False, 0.0, 1.0, math.inf)
    sums = _sums(top, amplitude)
    folded = _Moments.on_one_curve(sums)
    enough = folded.count[None] >= FEWEST_ON_ONE_CURVE
    one_curve, one_error = _together(folded, enough, amplitude, noise, own_tilt=True)
    each = _Moments.of(sums)
    flat_peaks = 0
    long_periods = samples_per_period >= RATE_PER_PEAK
    chosen = each.choices(FEWEST_LONG_PERIODS if long_periods else FEWEST_SHORT_PERIODS)
    slope, error = _together(each, chosen, amplitude, noise, own_tilt=long_periods)
    bounds = (slope + STANDARD_ERRORS * error).min(axis=0)
    if long_periods:
        slope, error = _slope(*_own_tilt(each), each.count - 3.0, each.spread(amplitude), noise)
        single = (slope + STANDARD_ERRORS * error)[:, :_OUTER].min(axis=1)
        flat_peaks = int((single < FLAT_SLOPE).sum())
    else:
        bounds = np.minimum(bounds, (one_curve + STANDARD_ERRORS * one_error)[0])
    best = int(bounds[:_OUTER].argmin())
    return Shape(
        bool(bounds[best] < FLAT_SLOPE) or flat_peaks >= PEAKS_NEEDED,
        float(_EDGES_RAD[best]),
        float(one_curve[0, _OUTER]),
        float(one_error[0, _OUTER]),
    )


def inner_slope(signal: NDArray[np.float64], turns: NDArray[np.float64], amplitude: float) -> float:
    """Return the slope of the transfer curve between -50 % and +50 % of the sine's peak."""
    sine = amplitude * np.cos(2.0 * math.pi * turns)
    chosen = np.abs(sine) < 0.5 * amplitude
    x, y = sine[chosen], signal[chosen]
    x = x - x.mean()
    return float(x @ y / (x @ x)) if x.size > 1 else 1.0
