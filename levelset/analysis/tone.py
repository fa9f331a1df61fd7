"""One window of one signal: samples in, a complete reading in full scale out."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from levelset.analysis.clipping import judge
from levelset.analysis.distortion import (
    BAND_LOW_HZ,
    Distortion,
    Spread,
    band,
    counted_harmonics,
    distortion,
    spread_at_fundamental,
)
from levelset.analysis.fit import COUNTED, HarmonicFit, fit_tone, strongest_line
from levelset.analysis.health import basic_void, longest_run
from levelset.analysis.hum import Separated, near_mains, separate
from levelset.analysis.picture import picture
from levelset.analysis.projection import Folded, backwards, fold, layout, synthesise
from levelset.analysis.result import Clipping, ToneResult, Void
from levelset.analysis.steadiness import Steadiness, steadiness
from levelset.quantity import Quantity

Response = Callable[[NDArray[np.float64]], NDArray[np.complex128]]
"""Frequencies in Hz to the transfer of the input, relative to the calibration frequency."""

FEWEST_PERIODS = 3.0
EXPECTED_TOLERANCE = 0.02
EXPECTED_BINS = 2.0
LEAST_SNR = 10.0
"""Power of tone and harmonics over all else in the band; below 10 dB no line is called a tone."""
LEVEL_SPREAD = 0.06
PHASE_SPREAD_RAD = 0.15
HUM_SHARE = 0.5
NEAR_MAINS_FACTOR = 1.7
"""A tone within two bins of a mains line beats with it; more movement is allowed then."""
WIDE_BINS = 60.0
SKIRT_BINS = 8.0
SKIRT_SHARE = 0.6
ROUNDING = 3e-7
"""Relative error that rounding to 16 bits without dither may leave in the amplitude."""
DROP_SAMPLES = 16
DROP_DEPTH = 0.3
_TURN = 2.0 * math.pi
_DB_PER_RATIO = 20.0 / math.log(10.0)


def read_tone(
    samples: NDArray[np.float64],
    rate_hz: float,
    *,
    limit_percent: float,
    expected_hz: float | None,
    start_hz: float | None = None,
    response: Response | None = None,
    with_picture: bool = False,
) -> ToneResult:
    """Read level, frequency, distortion and shape of the tone in one window.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel, or the difference of two, full scale = 1.
    rate_hz : float
        Sample rate, Hz, above 0.
    limit_percent : float
        THD above which the signal is not clean, %, above 0.
    expected_hz : float or None
        Frequency that the tone should have, Hz; None reads the strongest.
    start_hz : float or None
        Frequency found in the window before, Hz; saves the search where it still holds.
    response : callable or None
        Transfer of the input relative to the calibration frequency; every amplitude is divided
        by it. None for a flat input.
    with_picture : bool
        Whether to add the two curves.

    Returns
    -------
    ToneResult
        Void, with the reason, where the window holds no steady tone of at least 3 periods and
        20 ms.

    Raises
    ------
    ValueError
        If `samples` does not have one dimension, or the rate, limit or a frequency is not above
        0.
    """
    if samples.ndim != 1:
        raise ValueError(f"samples need the shape (frames,), got {samples.shape}")
    for name, number in (
        ("rate_hz", rate_hz),
        ("limit_percent", limit_percent),
        ("expected_hz", expected_hz),
        ("start_hz", start_hz),
    ):
        if number is not None and not (math.isfinite(number) and number > 0.0):
            raise ValueError(f"{name} must be above 0, got {number}")
    samples = np.ascontiguousarray(samples, dtype=np.float64)

    void = basic_void(samples, rate_hz)
    peak_dbfs = _peak_dbfs(samples)
    if void is not None:
        return ToneResult(void, peak_dbfs=peak_dbfs, band_hz=band(rate_hz))
    window = fold(samples)
    found = _find(samples, window, rate_hz, expected_hz, start_hz)
    if isinstance(found, Void):
        return ToneResult(found, peak_dbfs=peak_dbfs, band_hz=band(rate_hz))
    frequency_hz = found.w * rate_hz / _TURN
    parts = separate(
        samples, window, found, rate_hz, counted_harmonics(frequency_hz, rate_hz, COUNTED)
    )
    reading = _Reading.of(samples, rate_hz, parts, response)
    void = reading.void(samples)
    if void is not None:
        # Flat tops are flat while the level moves: a person turning the gain up must see them.
        shape = reading.shape(limit_percent) if void.code == "unsteady" else None
        return ToneResult(
            void,
            peak_dbfs=peak_dbfs,
            band_hz=band(rate_hz),
            clipping=replace(shape, overdrive_db=None, upper_fs=None, lower_fs=None)
            if shape is not None and shape.state == "hard_clipping"
            else None,
        )
    return reading.result(peak_dbfs, limit_percent, with_picture=with_picture)


def _peak_dbfs(samples: NDArray[np.float64]) -> float | None:
    peak = float(np.abs(samples).max()) if samples.size else 0.0
    return 20.0 * math.log10(peak) if math.isfinite(peak) and peak > 0.0 else None


def _find(
    samples: NDArray[np.float64],
    window: Folded,
    rate_hz: float,
    expected_hz: float | None,
    start_hz: float | None,
) -> HarmonicFit | Void:
    """Return the fit of the strongest line, or why it is not the tone."""
    n = samples.size
    bin_hz = rate_hz / n
    if expected_hz is not None and expected_hz < FEWEST_PERIODS * bin_hz * (1.0 - 2e-3):
        return _too_few(n / rate_hz, expected_hz)
    if start_hz is not None and FEWEST_PERIODS * bin_hz <= start_hz < 0.49 * rate_hz:
        fit = fit_tone(window, _TURN * start_hz / rate_hz, refit=True)
        moved_bins = abs(fit.w * rate_hz / _TURN - start_hz) / bin_hz
        alternating = window.energy - window.total**2 / n
        sizes = np.abs(fit.phasors)
        if (
            moved_bins < 0.5
            and fit.residual_energy < 0.05 * alternating
            and float(sizes.max()) == float(sizes[0])
        ):
            void = _wrong_frequency(fit.w * rate_hz / _TURN, expected_hz, bin_hz)
            return fit if void is None else void
    start_w = strongest_line(samples)
    found_hz = start_w * rate_hz / _TURN
    void = _wrong_frequency(found_hz, expected_hz, bin_hz)
    if void is not None:
        return void
    if found_hz < (FEWEST_PERIODS - 0.3) * bin_hz:
        if expected_hz is None and n / rate_hz > FEWEST_PERIODS / BAND_LOW_HZ:
            return Void(
                "no_tone",
                f"The strongest part of the signal moves slowly, at about {found_hz:.1f} Hz: hold "
                "the probe still until the input has settled, and play the set tone.",
            )
        return _too_few(n / rate_hz, found_hz)
    fit = fit_tone(window, start_w, refit=False)
    frequency_hz = fit.w * rate_hz / _TURN
    if frequency_hz < FEWEST_PERIODS * bin_hz * (1.0 - 2e-3):
        return _too_few(n / rate_hz, frequency_hz)
    if not (frequency_hz < 0.5 * rate_hz - 2.0 * bin_hz and math.isfinite(fit.var_w_ratio)):
        return Void(
            "no_tone",
            f"The strongest line is at {found_hz:.0f} Hz, the end of what {rate_hz:.0f} samples a "
            "second can hold: play the set tone, or use a higher sample rate.",
        )
    return fit


def _too_few(window_s: float, frequency_hz: float) -> Void:
    return Void(
        "too_short",
        f"The window of {1e3 * window_s:.0f} ms holds fewer than three periods of "
        f"{frequency_hz:.1f} Hz: use a longer window or a higher tone.",
    )


def _wrong_frequency(found_hz: float, expected_hz: float | None, bin_hz: float) -> Void | None:
    if expected_hz is None:
        return None
    allowed_hz = max(EXPECTED_TOLERANCE * expected_hz, EXPECTED_BINS * bin_hz)
    if abs(found_hz - expected_hz) <= allowed_hz:
        return None
    return Void(
        "no_tone",
        f"The strongest line is at {found_hz:.1f} Hz, not at the {expected_hz:.1f} Hz of the "
        "tone: play the right tone, or raise its level.",
    )


@dataclass(frozen=True, slots=True)
class _Reading:
    """Everything known about one window before it is put into words."""

    rate_hz: float
    frequency_hz: float
    parts: Separated
    gains: NDArray[np.complex128]
    phasors: NDArray[np.complex128]
    spread: Spread
    numbers: Distortion
    turns: NDArray[np.float64]
    steady: Steadiness

    @classmethod
    def of(
        cls,
        samples: NDArray[np.float64],
        rate_hz: float,
        parts: Separated,
        response: Response | None,
    ) -> _Reading:
        fit, n = parts.fit, samples.size
        frequency_hz = fit.w * rate_hz / _TURN
        gains = np.ones(fit.order, dtype=np.complex128)
        if response is not None:
            gains = np.asarray(response(np.arange(1.0, fit.order + 1.0) * frequency_hz))
        phasors = fit.phasors / gains
        spread = spread_at_fundamental(parts.spectrum, frequency_hz, fit.order)
        low_hz, high_hz = band(rate_hz)
        other = parts.spectrum.band_power(low_hz, high_hz, response)
        if parts.hum is not None:
            other += float(parts.hum @ parts.hum) / n
        numbers = distortion(
            fit, np.abs(phasors), np.abs(gains), parts.spectrum, other, parts.doubt_harmonics
        )
        phase = cmath.phase(fit.phasors[0])
        turns = (np.arange(n, dtype=np.float64) - 0.5 * (n - 1)) * (fit.w / _TURN) + phase / _TURN
        typical = parts.spectrum.typical_variance(frequency_hz, WIDE_BINS * parts.spectrum.bin_hz)
        steady = steadiness(
            parts.residual,
            backwards(layout(n), fit.waves) * cmath.exp(-1j * phase),
            fit.w * n / _TURN,
            abs(fit.phasors[0]),
            math.sqrt(typical),
        )
        return cls(rate_hz, frequency_hz, parts, gains, phasors, spread, numbers, turns, steady)

    def void(self, samples: NDArray[np.float64]) -> Void | None:
        """Return why this is not a steady tone, or None."""
        fit = self.parts.fit
        raw = np.abs(fit.phasors)
        start, length = longest_run(samples == 0.0)
        if length >= DROP_SAMPLES:
            middle = np.cos(_TURN * self.turns[start : start + length])
            if float(np.abs(middle).max()) > DROP_DEPTH:
                return Void(
                    "drop_out",
                    f"{1e3 * length / self.rate_hz:.0f} ms of the signal are missing: close "
                    "other programs, use a larger buffer, and read again.",
                )
        if not self._stands_out(raw):
            return Void(
                "no_tone",
                "No single tone stands out of the signal: stop the music, play the set tone, or "
                "raise its level.",
            )
        steady = self.steady
        excused = max(steady.noise_spread, HUM_SHARE * self.parts.amplitude / float(raw[0]))
        bin_hz = self.rate_hz / samples.size
        factor = NEAR_MAINS_FACTOR if near_mains(self.frequency_hz, 2.0 * bin_hz) else 1.0
        if steady.level_spread > max(factor * LEVEL_SPREAD, excused):
            return Void(
                "unsteady",
                f"The level moves by {_DB_PER_RATIO * steady.level_spread:.1f} dB within the "
                "window: let go of the knob and wait until it is steady.",
            )
        if steady.phase_spread_rad > max(factor * PHASE_SPREAD_RAD, excused):
            return Void(
                "unsteady",
                "The tone's phase moves within the window: samples were lost or the player "
                "changes its speed; play the tone from another source or use a larger buffer.",
            )
        return None

    def _stands_out(self, raw: NDArray[np.float64]) -> bool:
        """Return whether tone and harmonics exceed all that is not beside the tone itself."""
        low_hz, high_hz = band(self.rate_hz)
        spectrum = self.parts.spectrum
        other = spectrum.band_power(low_hz, high_hz, None)
        tone = 0.5 * float(np.square(raw).sum())
        if tone >= LEAST_SNR * other:
            return True
        # A tone that jumps leaves its residual beside itself; that is told as unsteady.
        reach_hz = SKIRT_BINS * spectrum.bin_hz
        skirt = spectrum.band_power(
            max(self.frequency_hz - reach_hz, 0.0), self.frequency_hz + reach_hz, None
        )
        return skirt > SKIRT_SHARE * other and tone > other

    def _amplitude_u(self) -> float:
        """Return the 95 % uncertainty of the corrected fundamental."""
        fit = self.parts.fit
        drift = max(0.0, self.steady.level_spread - self.steady.noise_spread)
        scatter_u = math.hypot(
            self.spread.factor * math.sqrt(self.spread.variance * fit.var_amplitude_ratio),
            ROUNDING * abs(fit.phasors[0]),
        )
        own_u = (scatter_u + self.parts.doubt_fundamental) / abs(self.gains[0])
        return float(own_u + 0.5 * drift * abs(self.phasors[0]))

    def _corrected(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return samples corrected for hum, offset and response, and the sine's phase in turns.

        The correction is added to the samples: putting them together from the harmonics alone
        would round a flat top off.
        """
        fit = self.parts.fit
        signal = self.parts.clean - fit.offset
        correction = fit.phasors * (1.0 / self.gains - 1.0)
        if bool(np.any(correction)):
            signal = signal + synthesise(layout(signal.size), fit.waves, correction)
        turned = cmath.phase(self.phasors[0]) - cmath.phase(fit.phasors[0])
        return signal, self.turns + turned / _TURN

    def shape(self, limit_percent: float) -> Clipping:
        """Return the shape of the tops."""
        signal, turns = self._corrected()
        spectrum, thd = self.parts.spectrum, self.numbers.thd
        noise = math.sqrt(spectrum.typical_variance(0.0, spectrum.rate_hz))
        return judge(
            signal,
            turns,
            float(abs(self.phasors[0])),
            noise,
            self._amplitude_u(),
            harmonics=self.phasors,
            over_limit=thd is not None and 100.0 * thd > limit_percent,
        )

    def result(
        self, peak_dbfs: float | None, limit_percent: float, *, with_picture: bool
    ) -> ToneResult:
        """Return the reading."""
        parts, fit, numbers = self.parts, self.parts.fit, self.numbers
        n = parts.clean.size
        factor = self.spread.factor
        noise = math.sqrt(self.spread.variance)
        amplitude, amplitude_u = abs(self.phasors[0]), self._amplitude_u()
        frequency_u = factor * noise * math.sqrt(fit.var_w_ratio) * self.rate_hz / _TURN
        signal, turns = self._corrected()
        highest = counted_harmonics(self.frequency_hz, self.rate_hz, min(COUNTED, fit.order))
        relative_u = amplitude_u / amplitude
        return ToneResult(
            None,
            frequency_hz=Quantity(self.frequency_hz, frequency_u + 1e-12 * self.frequency_hz, "Hz"),
            amplitude_fs=Quantity(amplitude, amplitude_u, "FS"),
            phase_rad=math.remainder(_TURN * float(turns[0]), _TURN),
            level_dbfs=Quantity(
                20.0 * math.log10(amplitude), _DB_PER_RATIO * math.log1p(relative_u), "dBFS"
            ),
            total_amplitude_fs=Quantity(
                numbers.total_amplitude, amplitude_u + parts.doubt_harmonics, "FS"
            ),
            offset_fs=Quantity(fit.offset, factor * noise / math.sqrt(n), "FS"),
            thd_percent=None
            if numbers.thd is None or numbers.thd_u is None
            else Quantity(100.0 * numbers.thd, 100.0 * numbers.thd_u, "%"),
            thd_harmonics=highest,
            thd_n_percent=Quantity(100.0 * numbers.thd_n, 100.0 * numbers.thd_n_u, "%"),
            band_hz=band(self.rate_hz),
            harmonics_percent=tuple(
                float(v) for v in 100.0 * np.abs(self.phasors[1:highest]) / amplitude
            ),
            crest_factor=float(np.abs(signal).max() / math.sqrt(signal @ signal / n)),
            peak_dbfs=peak_dbfs,
            hum_not_separable=parts.not_separable,
            clipping=self.shape(limit_percent),
            picture=picture(signal, turns, amplitude, fit.offset) if with_picture else None,
        )
