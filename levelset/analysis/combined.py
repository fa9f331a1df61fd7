"""Segments of a long window as one reading."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.distortion import (
    BAND_LOW_HZ,
    band,
    counted_harmonics,
    harmonic_variances,
    spread_at_fundamental,
)
from levelset.analysis.fit import COUNTED
from levelset.analysis.fitted import ROUNDING
from levelset.analysis.result import Clipping, ToneResult, Void
from levelset.analysis.spectrum import NoiseSpectrum, noise_spectrum, student_95
from levelset.quantity import Quantity
from levelset.units import DB_PER_NEPER

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from levelset.analysis.fitted import Response
    from levelset.analysis.segments import Segments

LEVEL_MOVES = 0.06
"""Spread of the level over the window from which it is not steady, as in one segment."""
FREQUENCY_MOVES = 0.005
MOST_SPECTRA = 16
_TURN = 2.0 * math.pi


@dataclass(frozen=True, slots=True)
class Drift:
    """What moves over a window, by a straight line through its segments.

    Parameters
    ----------
    level_db, frequency_hz : Quantity
        End less beginning.
    segments : int
        Number of segments.
    """

    level_db: Quantity
    frequency_hz: Quantity
    segments: int


class Combined:
    """Segments as one reading.

    Parameters
    ----------
    parts : Segments
        At least three.
    rate_hz : float
        Sample rate, Hz.
    response : callable or None
        Transfer of the input, see `read_tone`.
    """

    def __init__(self, parts: Segments, rate_hz: float, response: Response | None) -> None:
        self.parts = parts
        self.rate_hz = rate_hz
        self.frequency_hz = parts.mean_w * rate_hz / _TURN
        self.response = response
        self.gains = np.ones(parts.order, dtype=np.complex128)
        if response is not None:
            self.gains = response(np.arange(1.0, parts.order + 1.0) * self.frequency_hz)
        self.phasors = parts.phasors / self.gains
        self.amplitudes = np.abs(self.phasors[:, 0])
        left = parts.variance
        # Weights are limited: a segment is not believed more than four times the usual one.
        weights = 1.0 / np.maximum(left, 0.25 * float(np.median(left)) + 1e-300)
        self.weights = weights / weights.sum()
        self.spectrum = _mean_spectrum(parts, rate_hz)

    def _mean(self, values: NDArray[np.float64]) -> float:
        return float(self.weights @ values)

    def _line(self, values: NDArray[np.float64]) -> tuple[float, float, float]:
        """Fit a straight line.

        Returns
        -------
        moved, moved_u, mean_u : float
            End less beginning, its 95 % uncertainty, and that of the mean about the line.
        """
        count = values.size
        place = (np.arange(count) - 0.5 * (count - 1)) / count
        slope = float(place @ values) / float(place @ place)
        left = values - values.mean() - slope * place
        freedom = max(count - 2, 1)
        deviation = math.sqrt(float(left @ left) / freedom)
        factor = student_95(float(freedom))
        return (
            slope,
            factor * deviation / math.sqrt(float(place @ place)),
            factor * deviation / math.sqrt(count),
        )

    def void(self) -> Void | None:
        """Return why the window as a whole is not steady, or None."""
        amplitude = self._mean(self.amplitudes)
        spread = float(np.ptp(self.amplitudes)) / amplitude
        noise = math.sqrt(2.0 * float(np.median(self.parts.variance)) / self.parts.n)
        if spread > max(LEVEL_MOVES, 7.0 * noise / (amplitude * abs(self.gains[0]))):
            return Void(
                "unsteady",
                f"The level moves by {DB_PER_NEPER * math.log1p(spread):.1f} dB within the window: "
                "let go of the knob, or read shorter windows.",
            )
        moved = float(np.ptp(self._segment_w())) / self.parts.mean_w
        if moved > FREQUENCY_MOVES:
            return Void(
                "unsteady",
                f"The frequency moves by {100.0 * moved:.1f} % within the window: play a steady "
                "tone, or read shorter windows.",
            )
        return None

    def _segment_w(self) -> NDArray[np.float64]:
        """Return the frequency of each segment from the phases of its neighbours."""
        return self.parts.mean_w + np.gradient(self.parts.phase) / self.parts.n

    def result(
        self, witnesses: Sequence[ToneResult], limit_percent: float
    ) -> tuple[ToneResult, Drift]:
        """Return the reading and its drift; `witnesses` are segments that were read in full."""
        parts = self.parts
        amplitude, amplitude_u, level_db = self._amplitude(witnesses)
        frequency, drift_hz = self._frequency()
        turned = self.phasors * np.exp(
            -1j * np.outer(np.angle(self.phasors[:, 0]), np.arange(1, parts.order + 1))
        )
        harmonics = self.weights @ (turned / self.amplitudes[:, None]) * amplitude
        scatter = np.square(np.abs(turned - harmonics * (self.amplitudes / amplitude)[:, None]))
        thd = self._thd(harmonics, scatter.sum(axis=0), amplitude)
        doubt = _hum_doubt(witnesses)
        if thd is not None:
            thd = Quantity(thd.value, max(thd.u, doubt.thd_u), "%")
        offset, _, offset_u = parts.offset, 0.0, self._line(parts.offset)[2]
        noise = self._spread_u() / math.sqrt(2.0)
        over = thd is not None and thd.value > limit_percent
        highest = counted_harmonics(self.frequency_hz, self.rate_hz, min(COUNTED, parts.order))
        squares = np.square(np.abs(harmonics[1:]))
        total = math.sqrt(amplitude**2 + float(squares.sum()))
        first = self.phasors[0, 0]
        start = math.atan2(first.imag, first.real) - 0.5 * (parts.n - 1) * parts.w[0]
        crests = sorted(w.crest_factor for w in witnesses if w.crest_factor is not None)
        tone = ToneResult(
            None,
            frequency_hz=frequency,
            amplitude_fs=Quantity(amplitude, amplitude_u, "FS"),
            phase_rad=math.remainder(start, _TURN),
            level_dbfs=Quantity(
                20.0 * math.log10(amplitude),
                DB_PER_NEPER * math.log1p(amplitude_u / amplitude),
                "dBFS",
            ),
            total_amplitude_fs=Quantity(total, amplitude_u, "FS"),
            offset_fs=Quantity(self._mean(offset), max(offset_u, noise), "FS"),
            thd_percent=thd,
            thd_harmonics=highest,
            thd_n_percent=self._thd_n(amplitude, doubt.thd_u),
            band_hz=band(self.rate_hz),
            harmonics_percent=tuple(
                float(v) for v in 100.0 * np.abs(harmonics[1:highest]) / amplitude
            ),
            crest_factor=crests[len(crests) // 2] if crests else None,
            hum_not_separable=doubt.flagged,
            clipping=vote([w.clipping for w in witnesses if w.clipping is not None], over=over),
        )
        return tone, Drift(level_db, drift_hz, parts.count)

    def _spread_u(self) -> float:
        """Return the 95 % uncertainty of an amplitude that noise beside the tone explains."""
        spread = spread_at_fundamental(self.spectrum, self.frequency_hz, self.parts.order)
        frames = self.parts.n * self.parts.count
        return spread.factor * math.sqrt(2.0 * spread.variance / frames)

    def _amplitude(self, witnesses: Sequence[ToneResult]) -> tuple[float, float, Quantity]:
        """Return amplitude, its uncertainty, and the drift of the level."""
        amplitude = self._mean(self.amplitudes)
        moved, moved_u, scatter_u = self._line(self.amplitudes)
        gain = abs(self.gains[0])
        noise_u = self._spread_u() / gain
        u = max(scatter_u, math.hypot(noise_u, ROUNDING * amplitude))
        u += 0.5 * max(0.0, abs(moved) - moved_u)
        doubt = _hum_doubt(witnesses)
        if doubt.flagged:
            u = max(u, doubt.amplitude_u)
        return (
            amplitude,
            u,
            Quantity(DB_PER_NEPER * moved / amplitude, DB_PER_NEPER * moved_u / amplitude, "dB"),
        )

    def _frequency(self) -> tuple[Quantity, Quantity]:
        """Return the frequency, from the phases of all segments, and how it drifts."""
        parts = self.parts
        count, per_rad = parts.count, self.rate_hz / _TURN
        x = (np.arange(count) - 0.5 * (count - 1)) / count
        square = np.square(x) - float(np.square(x).mean())
        slope = float(x @ parts.phase) / float(x @ x)
        bend = float(square @ parts.phase) / float(square @ square) if count > 3 else 0.0
        left = parts.phase - parts.phase.mean() - slope * x - bend * square
        freedom = max(count - 3, 1)
        noise = self._spread_u() / student_95(1e9) / (self._mean(self.amplitudes))
        noise *= math.sqrt(count) / abs(self.gains[0])
        factor = student_95(float(freedom))
        deviation = max(math.sqrt(float(left @ left) / freedom), noise)
        frames = count * parts.n
        hz = (parts.mean_w + slope / frames) * per_rad
        slope_u = factor * deviation / math.sqrt(float(x @ x))
        bend_u = factor * deviation / math.sqrt(float(square @ square)) if count > 3 else 0.0
        drift_hz = 2.0 * bend / frames * per_rad
        drift_u = 2.0 * bend_u / frames * per_rad
        u = slope_u / frames * per_rad + 0.5 * max(0.0, abs(drift_hz) - drift_u) + 1e-12 * hz
        return Quantity(hz, u, "Hz"), Quantity(drift_hz, drift_u, "Hz")

    def _quadratures(self) -> NDArray[np.float64]:
        """Return the variance of one quadrature of each harmonic of a segment, shape (K,)."""
        variances = harmonic_variances(self.spectrum, self.frequency_hz, self.parts.order)
        return variances * (2.0 / self.parts.n) / np.square(np.abs(self.gains))

    def _thd(
        self,
        harmonics: NDArray[np.complex128],
        scatter: NDArray[np.float64],
        amplitude: float,
    ) -> Quantity | None:
        """Return THD of the coherent mean, less the power that noise adds to it."""
        count = self.parts.count
        highest = counted_harmonics(self.frequency_hz, self.rate_hz, min(COUNTED, harmonics.size))
        if highest < 2:
            return None
        seen = scatter[1:highest] / (2.0 * (count - 1))
        quadrature = np.maximum(seen, self._quadratures()[1:highest]) / count
        part = np.square(np.abs(harmonics[1:highest])) - 2.0 * quadrature
        power = float(part.sum())
        spread = math.sqrt(
            float((4.0 * np.maximum(part, 0.0) * quadrature + 4.0 * quadrature**2).sum())
        )
        thd = math.sqrt(max(power, 0.0))
        factor = student_95(count - 1.0)
        upper = math.sqrt(max(power, 0.0) + factor * spread)
        lower = math.sqrt(max(power - factor * spread, 0.0))
        u = max(upper - thd, thd - lower)
        return Quantity(100.0 * thd / amplitude, 100.0 * u / amplitude + 1e-7, "%")

    def _thd_n(self, amplitude: float, doubt_u: float) -> Quantity:
        """Return all but the fundamental in the band over the fundamental."""
        low_hz, high_hz = band(self.rate_hz)
        other = self.spectrum.band_power(low_hz, high_hz, self.response)
        in_band = min(
            self.parts.order,
            counted_harmonics(self.frequency_hz, self.rate_hz, self.parts.order),
        )
        squares = self.weights @ np.square(np.abs(self.phasors[:, 1:in_band]))
        power = float(squares.sum()) + 2.0 * other
        count = self.parts.count
        bins = max(1.0, (high_hz - BAND_LOW_HZ) / self.spectrum.bin_hz) * count
        # Noise that comes and goes scatters more than its bins explain.
        left = self.parts.variance
        uneven = float(left.std(ddof=1)) / max(float(left.mean()), 1e-300) / math.sqrt(count)
        scatter = 2.0 * other * max(math.sqrt(1.0 / bins), uneven)
        by_harmonics = 2.0 * math.sqrt(
            float((squares * self._quadratures()[1:in_band]).sum()) / count
        )
        u = math.hypot(scatter, by_harmonics) / math.sqrt(power) if power > 0.0 else 0.0
        value = 100.0 * math.sqrt(power) / amplitude
        return Quantity(value, 100.0 * u / amplitude + max(doubt_u, 1e-7), "%")


@dataclass(frozen=True, slots=True)
class _Doubt:
    """What mains hum that cannot be told apart may have added."""

    flagged: bool
    amplitude_u: float
    thd_u: float


def _hum_doubt(witnesses: Sequence[ToneResult]) -> _Doubt:
    flagged = [w for w in witnesses if w.hum_not_separable]
    if not flagged:
        return _Doubt(False, 0.0, 0.0)
    return _Doubt(
        True,
        max(w.amplitude_fs.u for w in flagged if w.amplitude_fs is not None),
        max((w.thd_percent.u for w in flagged if w.thd_percent is not None), default=0.0),
    )


def _mean_spectrum(parts: Segments, rate_hz: float) -> NoiseSpectrum:
    """Return the mean spectrum of what the fit leaves.

    Its shape is taken from some of the segments, its power from all.
    """
    chosen = range(0, parts.count, max(1, parts.count // MOST_SPECTRA))
    total = np.zeros(parts.n // 2 + 1)
    for index in chosen:
        total += noise_spectrum(parts.residual[index], rate_hz).power
    variance = parts.variance
    part = float(variance[list(chosen)].sum())
    scale = float(variance.mean()) / part if part > 0.0 else 1.0 / len(chosen)
    return NoiseSpectrum(total * scale, parts.n, rate_hz)


def vote(votes: Sequence[Clipping], *, over: bool) -> Clipping | None:
    """Return the shape of the tops that most segments have.

    Parameters
    ----------
    votes : sequence of Clipping
        One of each segment that was looked at.
    over : bool
        Whether THD of the whole window is above its limit.

    Returns
    -------
    Clipping or None
        Hard clipping where at least half have flat tops, with levels by inverse variance.
        Otherwise THD of the whole decides: within the limit is clean, above it is soft clipping
        where most of those that are not clean say so, else distorted.
    """
    if not votes:
        return None
    hard = [v for v in votes if v.state == "hard_clipping"]
    if 2 * len(hard) >= len(votes):
        halves = Counter(v.halves for v in hard).most_common(1)[0][0]
        same = [v for v in hard if v.halves == halves]
        return Clipping(
            "hard_clipping",
            halves,
            _combined([v.overdrive_db for v in same]),
            _combined([v.upper_fs for v in same]),
            _combined([v.lower_fs for v in same]),
        )
    if not over:
        return Clipping("clean", "none", None, None, None)
    soft = [v for v in votes if v.state == "soft_clipping"]
    if soft and 2 * len(soft) >= sum(v.state != "clean" for v in votes):
        halves = Counter(v.halves for v in soft).most_common(1)[0][0]
        return Clipping("soft_clipping", halves, None, None, None)
    return Clipping("distorted", "none", None, None, None)


def _combined(values: Sequence[Quantity | None]) -> Quantity | None:
    """Return the mean by inverse variance; what they err by alike does not average out."""
    known = [v for v in values if v is not None]
    if not known:
        return None
    weights = np.asarray([1.0 / max(v.u, 1e-12) ** 2 for v in known])
    value = float(weights @ [v.value for v in known] / weights.sum())
    return Quantity(value, float(np.median([v.u for v in known])), known[0].unit)
