"""What one window of a tone says, once it is fitted: steady or void, level, distortion, shape."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from levelset.analysis.clipping import judge
from levelset.analysis.distortion import (
    Distortion,
    Spread,
    band,
    counted_harmonics,
    distortion,
    spread_at_fundamental,
)
from levelset.analysis.fit import COUNTED, HarmonicFit
from levelset.analysis.health import longest_run, peak_dbfs
from levelset.analysis.hum import Separated, near_mains
from levelset.analysis.picture import picture
from levelset.analysis.projection import backwards, synthesise
from levelset.analysis.result import Clipping, ToneResult, Void
from levelset.analysis.steadiness import Steadiness, steadiness
from levelset.analysis.transfer import FLAT_SLOPE, HALF_ANGLES_DEG
from levelset.quantity import Quantity
from levelset.units import DB_PER_NEPER

Response = Callable[[NDArray[np.float64]], NDArray[np.complex128]]
"""Frequencies in Hz to the transfer of the input, relative to the calibration frequency."""

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


@dataclass(frozen=True, slots=True)
class FittedTone:
    """Everything known about one window before it is put into words.

    Parameters
    ----------
    rate_hz : float
        Sample rate, Hz.
    frequency_hz : float
        Frequency of the fundamental, Hz.
    parts : Separated
        Tone and hum.
    gains, phasors : ndarray of complex, shape (K,)
        Response at each harmonic, and the harmonics divided by it.
    spread : Spread
        Noise beside the fundamental.
    other_power : float
        Mean square within the band of all that is neither tone nor harmonic, corrected.
    noise : float
        Standard deviation of white noise with the typical density of the whole spectrum.
    numbers : Distortion
        THD and THD+N.
    turns : ndarray, shape (n,)
        Phase of the fundamental, turns.
    steady : Steadiness
        How level and phase move.
    """

    rate_hz: float
    frequency_hz: float
    parts: Separated
    gains: NDArray[np.complex128]
    phasors: NDArray[np.complex128]
    spread: Spread
    other_power: float
    noise: float
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
    ) -> FittedTone:
        """Return what a fit says about the samples it was made from, shape (n,)."""
        fit, n = parts.fit, samples.size
        frequency_hz = fit.w * rate_hz / _TURN
        gains = np.ones(fit.order, dtype=np.complex128)
        if response is not None:
            gains = np.asarray(response(np.arange(1.0, fit.order + 1.0) * frequency_hz))
        phasors = fit.phasors / gains
        spread = spread_at_fundamental(parts.spectrum, frequency_hz, fit.order)
        low_hz, high_hz = band(rate_hz)
        other_power = parts.spectrum.band_power(low_hz, high_hz, response)
        if parts.hum is not None:
            other_power += float(parts.hum @ parts.hum) / n
        phase = cmath.phase(fit.phasors[0])
        typical = parts.spectrum.typical_variance(frequency_hz, WIDE_BINS * parts.spectrum.bin_hz)
        steady = steadiness(
            parts.residual,
            backwards(parts.cut, fit.waves) * cmath.exp(-1j * phase),
            fit.w * n / _TURN,
            abs(fit.phasors[0]),
            math.sqrt(typical),
        )
        return cls(
            rate_hz,
            frequency_hz,
            parts,
            gains,
            phasors,
            spread,
            other_power,
            math.sqrt(parts.spectrum.typical_variance(0.0, rate_hz)),
            _numbers(parts, phasors, gains, other_power),
            _turns(fit, n),
            steady,
        )

    def again(self, samples: NDArray[np.float64], fit: HarmonicFit) -> FittedTone:
        """Return the same of a later window, shape (n,), of which only the fit is new.

        Hum, steadiness and the spectrum of the noise stay those of this window; the noise in the
        band goes with what the fit leaves.
        """
        other_power = self.other_power * fit.residual_energy / self.parts.fit.residual_energy
        parts = replace(self.parts, fit=fit, clean=samples)
        phasors = fit.phasors / self.gains
        return replace(
            self,
            frequency_hz=fit.w * self.rate_hz / _TURN,
            parts=parts,
            phasors=phasors,
            other_power=other_power,
            numbers=_numbers(parts, phasors, self.gains, other_power),
            turns=_turns(fit, samples.size),
        )

    def reading(
        self,
        samples: NDArray[np.float64],
        limit_percent: float,
        judged: Callable[[float], Clipping],
        *,
        with_picture: bool,
    ) -> ToneResult:
        """Return the reading, void where this is no steady tone.

        Parameters
        ----------
        samples : ndarray, shape (n,)
            The window.
        limit_percent : float
            THD above which the signal is not clean, %.
        judged : callable
            From that limit to the shape of the tops of a steady tone; as a rule `shape`.
        with_picture : bool
            Whether to add the two curves.
        """
        void = self.void(samples)
        peak = peak_dbfs(samples)
        if void is None:
            return self.result(peak, judged(limit_percent), with_picture=with_picture)
        moving = self.moving_shape(limit_percent) if void.code == "unsteady" else None
        return ToneResult(void, peak_dbfs=peak, band_hz=band(self.rate_hz), clipping=moving)

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
                f"The level moves by {DB_PER_NEPER * steady.level_spread:.1f} dB within the "
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
            signal = signal + synthesise(self.parts.cut, fit.waves, correction)
        turned = cmath.phase(self.phasors[0]) - cmath.phase(fit.phasors[0])
        return signal, self.turns + turned / _TURN

    def moving_shape(self, limit_percent: float) -> Clipping | None:
        """Return the shape where the level moves: only that the tops are flat, else None.

        Flat tops are flat while the level moves: a person turning the gain up must see them.
        """
        shape = self.shape(limit_percent)
        if shape.state != "hard_clipping":
            return None
        return replace(shape, overdrive_db=None, upper_fs=None, lower_fs=None)

    def over_limit(self, limit_percent: float) -> bool:
        """Return whether THD is above a limit, %."""
        thd = self.numbers.thd
        return thd is not None and 100.0 * thd > limit_percent

    def surely_round(self, newest: int) -> bool:
        """Return whether so many samples at the end are too near to the sine to have a flat top.

        A slope of 0.3 about the peaks leaves 0.7 of the sine's spread between signal and sine;
        over the smallest half angle p that spread is ``amplitude p**2 / sqrt(45)`` RMS.
        """
        signal, turns = self._corrected()
        off = np.cos(_TURN * turns[-newest:])
        amplitude = float(abs(self.phasors[0]))
        off *= -amplitude * (1.0 + self.steady.last_level)
        off += signal[-newest:]
        smallest = math.radians(HALF_ANGLES_DEG[0])
        least = 2.0 * (1.0 - FLAT_SLOPE) * smallest**2 / math.sqrt(45.0)
        return bool(np.ptp(off) < least * amplitude)

    def shape(self, limit_percent: float, newest: int | None = None) -> Clipping:
        """Return the shape of the tops; with `newest` only that of so many samples at the end."""
        signal, turns = self._corrected()
        amplitude = float(abs(self.phasors[0]))
        if newest is not None:
            signal, turns = signal[-newest:], turns[-newest:]
            amplitude *= 1.0 + self.steady.last_level
        return judge(
            signal,
            turns,
            amplitude,
            self.noise,
            self._amplitude_u(),
            harmonics=self.phasors,
            over_limit=self.over_limit(limit_percent),
        )

    def result(self, peak: float | None, clipping: Clipping, *, with_picture: bool) -> ToneResult:
        """Return the reading, with the shape of the tops as it was judged."""
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
                20.0 * math.log10(amplitude), DB_PER_NEPER * math.log1p(relative_u), "dBFS"
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
            peak_dbfs=peak,
            hum_not_separable=parts.not_separable,
            clipping=clipping,
            picture=picture(signal, turns, amplitude, fit.offset) if with_picture else None,
        )


def _numbers(
    parts: Separated,
    phasors: NDArray[np.complex128],
    gains: NDArray[np.complex128],
    other_power: float,
) -> Distortion:
    return distortion(
        parts.fit,
        np.abs(phasors),
        np.abs(gains),
        parts.spectrum,
        other_power,
        parts.doubt_harmonics,
    )


def _turns(fit: HarmonicFit, n: int) -> NDArray[np.float64]:
    """Return the phase of the fundamental, turns, shape (n,)."""
    middle = cmath.phase(fit.phasors[0]) / _TURN
    return (np.arange(n, dtype=np.float64) - 0.5 * (n - 1)) * (fit.w / _TURN) + middle
