"""Lines beside the step: mains hum, and a tone that somebody left on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.mains import MAINS_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]

HARMONICS = 7
MOST_TONES = 2
STANDS_OUT = 60.0
"""A line is a tone when its power is this much above the median of the spectrum."""


@dataclass(frozen=True)
class Lines:
    """Sinusoids of unknown amplitude: harmonics of the mains, and single tones.

    Parameters
    ----------
    mains_hz : float
        Fundamental of the mains.
    tones_hz : tuple of float
        Other lines.
    rate_hz : float
        Rows per second.
    """

    mains_hz: float
    tones_hz: tuple[float, ...]
    rate_hz: float

    @property
    def unknown(self) -> int:
        """How many frequencies may be refined."""
        return 1 + len(self.tones_hz)

    def frequencies(self) -> list[tuple[float, int, int]]:
        """Return every line: Hz, which unknown moves it, and how many times as fast."""
        hum = [(n * self.mains_hz, 0, n) for n in range(1, HARMONICS + 1)]
        tones = [(f, i, 1) for i, f in enumerate(self.tones_hz, 1)]
        return hum + tones

    def columns(self, rows: int) -> Values:
        """Return cosine and sine of every line in turn, shape (rows, 2 lines)."""
        turns = self._phases(rows)
        return np.column_stack([f(turns[:, k]) for k in range(turns.shape[1]) for f in _PAIR])

    def changes(self, amplitudes: Values, rows: int) -> Values:
        """Return how the sum of lines changes with each unknown frequency (per Hz).

        Parameters
        ----------
        amplitudes : ndarray, shape (2 lines,)
            As `columns` has them.
        rows : int
            Number of rows.
        """
        turns = self._phases(rows)
        slope = 2.0 * np.pi * self._times(rows)
        out = np.zeros((rows, self.unknown))
        for k, (_, which, times) in enumerate(self.frequencies()):
            c, s = amplitudes[2 * k], amplitudes[2 * k + 1]
            out[:, which] += times * slope * (s * np.cos(turns[:, k]) - c * np.sin(turns[:, k]))
        return out

    def moved(self, by_hz: Values) -> Lines:
        """Return the lines at other frequencies, the mains within its own tolerance."""
        nominal = min(MAINS_HZ, key=lambda f: abs(f - self.mains_hz))
        mains = float(np.clip(self.mains_hz + by_hz[0], nominal - 0.6, nominal + 0.6))
        tones = tuple(
            float(np.clip(f + np.clip(d, -0.5, 0.5), 12.0, 0.49 * self.rate_hz))
            for f, d in zip(self.tones_hz, by_hz[1:], strict=True)
        )
        return Lines(mains, tones, self.rate_hz)

    def with_tone(self, tone_hz: float) -> Lines:
        """Return the lines with one more."""
        return Lines(self.mains_hz, (*self.tones_hz, tone_hz), self.rate_hz)

    def _times(self, rows: int) -> Values:
        times: Values = (np.arange(rows, dtype=np.float64) - rows / 2.0) / self.rate_hz
        return times

    def _phases(self, rows: int) -> Values:
        frequencies = np.array([f for f, _, _ in self.frequencies()])
        phases: Values = 2.0 * np.pi * np.outer(self._times(rows), frequencies)
        return phases


_PAIR = (np.cos, np.sin)


def mains_of(parts: list[Values], rate_hz: float) -> float:
    """Return 50 or 60 Hz, whichever explains more of these stretches, each of shape (n,)."""
    left = []
    for mains in MAINS_HZ:
        total = 0.0
        for part in parts:
            n = len(part)
            t = np.linspace(-1.0, 1.0, n)
            slow = np.polynomial.legendre.legvander(t, 3)
            basis = np.column_stack([Lines(mains, (), rate_hz).columns(n), slow])
            found, *_ = np.linalg.lstsq(basis, part, rcond=1e-10)
            total += float(np.sum((part - basis @ found) ** 2))
        left.append(total)
    return MAINS_HZ[int(np.argmin(left))]


def strongest_tone(residual: Values, rate_hz: float) -> float | None:
    """Return the frequency of a line that stands out of a residual, shape (n,), or None."""
    n = len(residual)
    window = np.hanning(n)
    size = 4 * n
    power = np.abs(np.fft.rfft(residual * window, size)) ** 2
    hz = np.fft.rfftfreq(size, 1.0 / rate_hz)
    band = (hz > max(12.0, 4.0 * rate_hz / n)) & (hz < 0.48 * rate_hz)
    if not band.any():
        return None
    best = int(np.argmax(np.where(band, power, 0.0)))
    if power[best] < STANDS_OUT * np.median(power[band]) or best + 1 >= len(power):
        return None
    if power[best] < max(power[best - 1], power[best + 1]):
        return None  # the slope of something slower than a line
    a, b, c = np.log(power[best - 1 : best + 2])
    return float(hz[best] + (hz[1] - hz[0]) * 0.5 * (a - c) / (a - 2.0 * b + c))
