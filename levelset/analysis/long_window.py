"""Long windows: coherent segments of at most 0.25 s combined, with what drifts said."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.combined import Combined, Drift
from levelset.analysis.continuity import find_breaks
from levelset.analysis.distortion import band
from levelset.analysis.fit import fit_tone, strongest_line
from levelset.analysis.health import basic_void
from levelset.analysis.projection import fold
from levelset.analysis.result import ToneResult, Void
from levelset.analysis.segments import Segments, fit_segments
from levelset.analysis.tone import Response, read_tone

if TYPE_CHECKING:
    from numpy.typing import NDArray

SEGMENT_S = 0.25
SEGMENT_PERIODS = 10.0
WITNESSES = 3
"""Segments that are also read in full: their voids, hum and shape of the tops speak for all."""
SUSPECTS = 2
JUMP_RAD = 0.05
OUTSTANDING = 8.0
_TURN = 2.0 * math.pi


@dataclass(frozen=True, slots=True)
class LongResult:
    """The reading of a window and how it moved.

    Parameters
    ----------
    tone : ToneResult
        The reading.
    drift : Drift or None
        None where the window is void or a single segment.
    """

    tone: ToneResult
    drift: Drift | None


def segment_frames(frequency_hz: float, rate_hz: float) -> int:
    """Return the largest segment: 0.25 s, or 10 periods where they are longer; in frames, even."""
    seconds = max(SEGMENT_S, SEGMENT_PERIODS / frequency_hz)
    return int(seconds * rate_hz) // 2 * 2


def read_long(
    samples: NDArray[np.float64],
    rate_hz: float,
    *,
    limit_percent: float,
    start_hz: float | None = None,
    response: Response | None = None,
    start_s: float = 0.0,
) -> LongResult:
    """Read one window of any length as one steady tone.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel, full scale = 1.
    rate_hz : float
        Sample rate, Hz.
    limit_percent : float
        THD above which the signal is not clean, %.
    start_hz : float or None
        Frequency of the window before, or of the other channel.
    response : callable or None
        Transfer of the input, see `read_tone`.
    start_s : float
        Time of the first sample, s, for what is said about a place in the window.

    Returns
    -------
    LongResult
        Up to two segments: `read_tone` of the whole. Else level, frequency, harmonics and offset
        of the segments by inverse variance, harmonics turned into the phase of their
        fundamental; THD + noise from the mean spectrum of what the fit leaves; the shape of the
        tops by vote of segments. Uncertainties are the larger of what the noise explains and how
        the segments scatter.
    """
    window = _Window(samples, rate_hz, limit_percent, response, start_s)
    void = basic_void(samples, rate_hz)
    if void is not None:
        return window.void(void)
    found_hz = window.frequency(start_hz)
    frames = segment_frames(found_hz, rate_hz)
    if samples.size < 2 * frames:
        return window.short(start_hz)
    return window.long(found_hz, frames)


@dataclass(frozen=True, slots=True)
class _Window:
    samples: NDArray[np.float64]
    rate_hz: float
    limit_percent: float
    response: Response | None
    start_s: float

    def void(self, void: Void) -> LongResult:
        peak = float(np.abs(self.samples).max()) if self.samples.size else 0.0
        known = math.isfinite(peak) and peak > 0.0
        peak_dbfs = 20.0 * math.log10(peak) if known else None
        return LongResult(ToneResult(void, peak_dbfs=peak_dbfs, band_hz=band(self.rate_hz)), None)

    def read(self, samples: NDArray[np.float64], start_hz: float | None) -> ToneResult:
        return read_tone(
            samples,
            self.rate_hz,
            limit_percent=self.limit_percent,
            expected_hz=None,
            start_hz=start_hz,
            response=self.response,
        )

    def frequency(self, start_hz: float | None) -> float:
        """Return the frequency of a quarter of a second in the middle, Hz."""
        half = min(self.samples.size, round(SEGMENT_S * self.rate_hz)) // 2
        middle = self.samples.size // 2
        part = self.samples[middle - half : middle + half]
        if start_hz is not None and start_hz * part.size >= 3.0 * self.rate_hz:
            fit = fit_tone(fold(part), _TURN * start_hz / self.rate_hz, refit=True)
            if fit.residual_energy < 0.05 * float(part.var()) * part.size:
                return fit.w * self.rate_hz / _TURN
        w = strongest_line(part)
        if w * part.size < 3.0 * _TURN:  # a low tone needs more than that
            w = strongest_line(self.samples[: round(2.0 * self.rate_hz)])
        return w * self.rate_hz / _TURN

    def short(self, start_hz: float | None) -> LongResult:
        tone = self.read(self.samples, start_hz)
        if tone.void is not None and tone.void.code in ("unsteady", "drop_out", "no_tone"):
            w = strongest_line(self.samples)
            broken = self.broken(w * self.rate_hz / _TURN)
            if broken is not None:
                return self.void(broken)
        return LongResult(tone, None)

    def broken(self, frequency_hz: float) -> Void | None:
        breaks = find_breaks(self.samples, self.rate_hz, frequency_hz)
        return breaks[0].void(self.start_s, self.rate_hz) if breaks else None

    def long(self, found_hz: float, most_frames: int) -> LongResult:
        count = -(-self.samples.size // most_frames)
        frames = self.samples.size // count // 2 * 2
        cut = self.samples[: count * frames].reshape(count, frames)
        parts = fit_segments(cut, _TURN * found_hz / self.rate_hz)
        mean_hz = parts.mean_w * self.rate_hz / _TURN
        suspects = _suspects(parts)
        if suspects:
            broken = self.broken(mean_hz)
            if broken is not None:
                return self.void(broken)
        chosen = [round((k + 0.5) * count / WITNESSES - 0.5) for k in range(WITNESSES)]
        chosen = sorted({*(min(max(k, 0), count - 1) for k in chosen), *suspects})
        witnesses = [self.read(cut[k], mean_hz) for k in chosen]
        for witness in witnesses:
            if witness.void is not None:
                return self.void(witness.void)
        combined = Combined(parts, self.rate_hz, self.response)
        void = combined.void()
        if void is not None:
            return self.void(void)
        tone, drift = combined.result(witnesses, self.limit_percent)
        peak = float(max(self.samples.max(), -self.samples.min()))
        return LongResult(replace(tone, peak_dbfs=20.0 * math.log10(peak)), drift)


def _suspects(parts: Segments) -> list[int]:
    """Return the segments that stand out by what the fit leaves, or where the phase jumps."""
    left = parts.variance
    usual = float(np.median(left))
    scatter = 1.4826 * float(np.median(np.abs(left - usual)))
    # Rounding alone moves the rest of a perfect tone; what is 100 dB down is no jump.
    floor = 1e-10 * float(np.square(np.abs(parts.phasors[:, 0])).mean())
    order = np.argsort(left)[::-1]
    out = [int(k) for k in order[:SUSPECTS] if left[k] > usual + OUTSTANDING * scatter + floor]
    moves = np.diff(parts.phase)
    away = np.abs(moves - np.median(moves))
    limit = max(JUMP_RAD, OUTSTANDING * 1.4826 * float(np.median(away)))
    jump = int(away.argmax())
    if away[jump] > limit and jump not in out:
        out.append(jump)
    return out
