"""Long windows: coherent segments of at most 0.25 s combined, with what drifts said."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.combined import Combined, Drift
from levelset.analysis.continuity import find_breaks
from levelset.analysis.distortion import band
from levelset.analysis.fit import COUNTED, fit_tone, strongest_line
from levelset.analysis.fitted import Response
from levelset.analysis.health import basic_void
from levelset.analysis.projection import fold
from levelset.analysis.result import ToneResult, Void
from levelset.analysis.scatter import usual_scatter
from levelset.analysis.segments import Segments, fit_segments
from levelset.analysis.tone import read_tone

if TYPE_CHECKING:
    from numpy.typing import NDArray

SEGMENT_S = 0.25
SEGMENT_PERIODS = 10.0
VOTERS = 7
"""Segments that vote where those of least and most distortion do not have the same shape."""
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
    found_hz, order = window.look(start_hz)
    frames = segment_frames(found_hz, rate_hz)
    if samples.size < 2 * frames:
        return window.short(start_hz)
    return window.long(found_hz, order)


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

    def look(self, start_hz: float | None) -> tuple[float, int]:
        """Return frequency (Hz) and harmonics of a quarter of a second in the middle.

        Where the tone still is at `start_hz` that is returned, since what was made for it serves
        again.
        """
        half = min(self.samples.size, round(SEGMENT_S * self.rate_hz)) // 2
        middle = self.samples.size // 2
        part = self.samples[middle - half : middle + half]
        if start_hz is not None and start_hz * part.size >= 3.0 * self.rate_hz:
            fit = fit_tone(fold(part), _TURN * start_hz / self.rate_hz, refit=True)
            near = abs(fit.w * self.rate_hz / _TURN - start_hz) < 0.25 * self.rate_hz / part.size
            if near and fit.residual_energy < 0.05 * float(part.var()) * part.size:
                return start_hz, fit.order
        w = strongest_line(part)
        if w * part.size < 3.0 * _TURN:  # a low tone needs more than that
            return strongest_line(self.samples[: round(2.0 * self.rate_hz)]) * (
                self.rate_hz / _TURN
            ), COUNTED
        fit = fit_tone(fold(part), w, refit=False)
        return fit.w * self.rate_hz / _TURN, fit.order

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

    def long(self, found_hz: float, order: int) -> LongResult:
        count, frames = cut_window(self.samples.size, found_hz, self.rate_hz)
        cut = self.samples[: count * frames].reshape(count, frames)
        parts = fit_segments(cut, _TURN * found_hz / self.rate_hz, order)
        mean_hz = parts.mean_w * self.rate_hz / _TURN
        suspects = _suspects(parts)
        if suspects:
            broken = self.broken(mean_hz)
            if broken is not None:
                return self.void(broken)
        chosen = sorted({*_extremes(parts), *suspects})
        # One more ends where the window ends, so that nothing of it goes unseen.
        looked_at = [cut[k] for k in chosen]
        if count * frames < self.samples.size:
            looked_at.append(self.samples[-frames:])
        witnesses = [self.read(part, mean_hz) for part in looked_at]
        if len({w.clipping.state for w in witnesses if w.clipping is not None}) > 1:
            voters = range(0, count, max(1, count // VOTERS))
            witnesses += [self.read(cut[k], mean_hz) for k in voters if k not in chosen]
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


@lru_cache(maxsize=64)
def _quick(most: int) -> int:
    """Return the largest even number up to `most` with no prime factor above 7."""
    for n in range(most // 2 * 2, 2, -2):
        rest = n
        for factor in (2, 3, 5, 7):
            while rest % factor == 0:
                rest //= factor
        if rest == 1:
            return n
    return 2


def cut_window(frames: int, frequency_hz: float, rate_hz: float) -> tuple[int, int]:
    """Return number and length (frames, even) of the segments of a window.

    They are at most 0.25 s where that holds 10 periods. Transforms are quick only for some
    lengths, so that a part of the window, mostly a few thousandths, is left over at its end.
    """
    least = SEGMENT_PERIODS / frequency_hz * rate_hz
    count = math.ceil(frames / segment_frames(frequency_hz, rate_hz))
    if frames / count < least:
        count = max(2, int(frames / least))
    choices = [k for k in range(count, count + max(3, count // 4)) if frames / k >= least]
    best = max(choices or [count], key=lambda k: (k * _quick(frames // k), -k))
    return best, _quick(frames // best)


def _extremes(parts: Segments) -> tuple[int, int]:
    """Return the segments of least and most distortion, which speak for those between."""
    ratios = np.abs(parts.phasors[:, 1:]) / np.abs(parts.phasors[:, :1])
    power = np.square(ratios).sum(axis=1)
    if not power.any():  # no harmonic below half the rate
        power = parts.variance
    return int(power.argmin()), int(power.argmax())


def _suspects(parts: Segments) -> list[int]:
    """Return the segments that stand out by what the fit leaves, or where the phase jumps."""
    left = parts.variance
    usual = float(np.median(left))
    scatter = usual_scatter(left - usual)
    # Rounding alone moves the rest of a perfect tone; what is 100 dB down is no jump.
    floor = 1e-10 * float(np.square(np.abs(parts.phasors[:, 0])).mean())
    order = np.argsort(left)[::-1]
    out = [int(k) for k in order[:SUSPECTS] if left[k] > usual + OUTSTANDING * scatter + floor]
    moves = np.diff(parts.phase)
    away = np.abs(moves - np.median(moves))
    limit = max(JUMP_RAD, OUTSTANDING * usual_scatter(away))
    jump = int(away.argmax())
    if away[jump] > limit and jump not in out:
        out.append(jump)
    return out
