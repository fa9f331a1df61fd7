"""Response from many tones at once: magnitude in fractional octaves, distortion between the tones.

One reading of a few seconds. Every tone gives one place of the curve; distortion falls on multiples
of the base frequency that are not played, noise between them, so the three are told apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.octaves import exact_frequencies
from levelset.analysis.periodic import Heard, KnownLines, hear
from levelset.analysis.result import Void
from levelset.analysis.stray_lines import standing_alone, tones_apart
from levelset.quantity import Quantity
from levelset.units import DB_PER_NEPER

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Response = Callable[[NDArray[np.float64]], NDArray[np.complex128]]

LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
FLOOR_SNR = 4.0
"""Power over noise and distortion below which a place has only an upper limit."""
NEIGHBOURS_HZ = 0.06
"""Part of its frequency over which distortion beside a tone is averaged."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Magnitude over frequency.

    Parameters
    ----------
    frequency_hz : ndarray, shape (P,)
        Ascending, Hz.
    level_db : ndarray, shape (P,)
        Received over played, dB; where `below` is true only an upper limit.
    u_db : ndarray, shape (P,)
        95 % expanded uncertainty, dB.
    below : ndarray of bool, shape (P,)
        Not clear of noise and distortion.
    """

    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    u_db: NDArray[np.float64]
    below: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class ResponseReading:
    """One response.

    Parameters
    ----------
    void : Void or None
        Why nothing can be said; then all else is None.
    tones : Curve or None
        At the tones' own frequencies, lower and higher ones than 20 Hz and 20 kHz included.
    bands : Curve or None
        At exact mid-band frequencies, by a smooth curve through the tones.
    fraction : int
        Bands an octave.
    even_percent, odd_percent : Quantity or None
        Distortion of even and of odd order between the tones, over all tones. Products that fall
        on tones are estimated from those beside them.
    noise_dbfs : Quantity or None
        Noise in the band of the tones (a full-scale sine is 0), mains lines left out.
    clock_ppm : Quantity or None
        How much faster the player's clock runs than the input's.
    """

    void: Void | None
    tones: Curve | None = None
    bands: Curve | None = None
    fraction: int = 6
    even_percent: Quantity | None = None
    odd_percent: Quantity | None = None
    noise_dbfs: Quantity | None = None
    clock_ppm: Quantity | None = None


def read_response(
    samples: NDArray[np.float64],
    rate_hz: float,
    known: KnownLines,
    *,
    fraction: int = 6,
    response: Response | None = None,
) -> ResponseReading:
    """Read the response from a stretch of the response tones.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        A leg or a pair, full scale = 1, four periods or more, from any moment.
    rate_hz : float
        Sample rate, Hz.
    known : KnownLines
        The tones, at odd multiples of the base frequency.
    fraction : int
        Bands an octave: 1, 3, 6 or 12 (IEC 61260-1).
    response : callable or None
        Transfer of the input; every tone is divided by it. None for a flat input.

    Returns
    -------
    ResponseReading
    """
    heard = hear(samples, rate_hz, known)
    if isinstance(heard, Void):
        return ResponseReading(heard, fraction=fraction)
    inside = known.number <= heard.highest_number
    number, played = known.number[inside], known.amplitude_fs[inside]
    through = np.ones(number.size, dtype=np.complex128)
    if response is not None:
        through = response(number / known.period_s)
    phasor, noise = tones_apart(heard, number, heard.noise_power(number))
    square = np.square(np.abs(phasor))
    products = _Products.of(heard, number)
    # A product that falls on a tone is as large as those beside it; its phase is unknown.
    error = noise + products.beside(number)
    size = np.sqrt(np.maximum(square - noise, 0.0))
    below = square < FLOOR_SNR * error
    limit = np.sqrt(square) + 2.0 * np.sqrt(error)
    gain = np.where(below, limit, size) / (played * np.abs(through))
    level_db = DB_PER_NEPER * np.log(np.maximum(gain, 1e-12))
    # Half of the error's power lies along the tone's phase.
    u_db = 1.96 * DB_PER_NEPER * np.sqrt(0.5 * error / np.maximum(square, error))
    tones = Curve(number / known.period_s, level_db, u_db, below)
    highest_hz = min(HIGHEST_HZ, 1.003 * float(tones.frequency_hz[-1]))
    bands = interpolated(tones, exact_frequencies(fraction, LOWEST_HZ, highest_hz))
    all_tones = float(square.sum())
    noise_power = 0.5 * _noise_in_band(heard, number)
    return ResponseReading(
        None,
        tones,
        bands,
        fraction,
        products.percent(0, all_tones),
        products.percent(1, all_tones),
        Quantity(10.0 * math.log10(max(2.0 * noise_power, 1e-30)), 0.5, "dB"),
        heard.clock_ppm,
    )


def interpolated(curve: Curve, frequency_hz: NDArray[np.float64]) -> Curve:
    """Return a curve at other frequencies: a cubic spline over log frequency.

    Across places that are only upper limits the spline would ring; there it is a straight line.
    """
    from scipy.interpolate import CubicSpline

    u, wanted = np.log(curve.frequency_hz), np.log(frequency_hz)
    below = np.interp(wanted, u, curve.below.astype(np.float64)) > 0.0
    smooth = CubicSpline(u, curve.level_db, bc_type="not-a-knot")(wanted)
    near = np.clip(np.searchsorted(u, wanted), 2, u.size - 2)
    rough = np.logical_or.reduce([curve.below[near + k] for k in (-2, -1, 0, 1)])
    straight = np.interp(wanted, u, curve.level_db)
    return Curve(
        frequency_hz,
        np.where(rough, straight, smooth),
        np.interp(wanted, u, curve.u_db),
        below,
    )


@dataclass(frozen=True, slots=True)
class _Products:
    """Multiples that are not played: numbers, squared amplitudes, and what noise adds to them."""

    number: NDArray[np.intp]
    square: NDArray[np.float64]
    noise: NDArray[np.float64]
    tones: NDArray[np.intp]

    @classmethod
    def of(cls, heard: Heard, tones: NDArray[np.intp]) -> _Products:
        every = np.arange(int(tones[0]), min(int(tones[-1]), heard.highest_number) + 1)
        # Mains multiples and their neighbours hold hum, no products.
        hz = every / heard.period_s
        reach = 1.0 + 0.002 * hz
        clear = np.ones(every.size, dtype=np.bool_)
        for mains in (50.0, 60.0):
            apart = np.abs(hz - mains * np.maximum(np.rint(hz / mains), 1.0))
            clear &= apart > np.minimum(reach, 3.0)
        clear &= ~np.isin(every, tones)
        square = np.square(np.abs(heard.phasors(every)))
        for order in (0, 1):
            # A line of whine or hum stands alone; distortion of many tones does not.
            chosen = np.flatnonzero(clear & (every % 2 == order))
            number = every[chosen]
            lines = standing_alone(number, square[chosen], NEIGHBOURS_HZ)
            clear[chosen[lines]] = False
        number = every[clear]
        places = np.unique(np.clip(np.rint(np.geomspace(number[0], number[-1], 200)), 1, None))
        noise = heard.noise_power(places.astype(np.intp))
        return cls(
            number,
            square[clear],
            np.interp(np.log(number), np.log(places), noise),
            tones,
        )

    def beside(self, tones: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the mean squared product of odd order about each tone, shape (L,)."""
        odd = self.number % 2 == 1
        number, excess = self.number[odd], (self.square - self.noise)[odd]
        total = np.concatenate(([0.0], np.cumsum(excess)))
        reach = np.maximum(8.0, NEIGHBOURS_HZ * tones)
        low = np.searchsorted(number, tones - reach)
        high = np.searchsorted(number, tones + reach, side="right")
        mean = (total[high] - total[low]) / np.maximum(high - low, 1)
        beside: NDArray[np.float64] = np.maximum(mean, 0.0)
        return beside

    def percent(self, order: int, all_tones: float) -> Quantity:
        """Return the distortion of even (0) or odd (1) order over all tones, %."""
        chosen = self.number % 2 == order
        excess, noise = (self.square - self.noise)[chosen], self.noise[chosen]
        # What is left out about mains lines and on tones is as dense as what is seen.
        span = float(self.number[-1] - self.number[0]) / 2.0
        share = span / max(float(chosen.sum()), 1.0)
        power = share * float(excess.sum())
        spread = np.sqrt(noise * noise + 2.0 * noise * np.maximum(excess, 0.0))
        # The noise is known by medians: 3 % beside the scatter of each bin.
        u = share * math.hypot(2.0 * float(np.sqrt(spread @ spread)), 0.03 * float(noise.sum()))
        best = math.sqrt(max(power, 0.0) / all_tones)
        high = math.sqrt(max(power, 0.0) + u) / math.sqrt(all_tones)
        return Quantity(100.0 * best, 100.0 * (high - best), "%")


def _noise_in_band(heard: Heard, tones: NDArray[np.intp]) -> float:
    """Return the sum of squared amplitudes of noise over the band of the tones."""
    edges = np.geomspace(float(tones[0]), float(tones[-1]), 61)
    middle = np.rint(np.sqrt(edges[1:] * edges[:-1])).astype(np.intp)
    per_bin = heard.noise_power(middle)
    bins = np.diff(edges) * heard.periods
    # A Hann window shows each noise in 1.5 bins.
    return float((per_bin * bins).sum()) / 1.5
