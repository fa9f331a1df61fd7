"""What is heard at all: a test signal that may be measured, or something that must not be.

A test signal is steady: the power of every third octave scatters from moment to moment no more
than that of noise of the same bandwidth does, and that of a tone not at all. Music, speech and
chimes scatter by ten times more and by hundreds. A few tones that beat are steady as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from levelset.analysis.few_tones import is_few_tones
from levelset.analysis.fit import hann
from levelset.analysis.health import basic_void
from levelset.analysis.octaves import band_edges, exact_frequencies

if TYPE_CHECKING:
    from numpy.typing import NDArray

Kind = Literal["silence", "tone", "steady", "moving_tone", "chime", "speech", "music", "too_short"]

NO_TEST_SIGNAL: tuple[Kind, ...] = ("music", "speech", "chime", "moving_tone")
"""What plays and must not be measured."""

FRAME_S = 0.085
SHORTEST_S = 0.8
BANDS_HZ = (63.0, 16_000.0)
BAND_OF_RATE = 0.4
RANGE_DB = 30.0
"""Bands below the strongest by more do not count."""
STEADY_EXCESS = 2.5
"""Scatter of band power over that of noise. Measured: tones and multitones 0 to 0.5, noise 1,
with fades 1.6; the least of music, speech and chimes 4."""
STEADY_DB = 1.5
LEVEL_BELOW_DB = 6.0
TONE_SHARE = 0.9
CHIME_SHARE, VOICE_SHARE = 0.7, 0.25
"""Part of the power in the strongest line alone: chimes have most of it there, a voice spreads it
over its harmonics, a click over all of the band."""
SAME_FREQUENCY = 0.9
NEAREST_BINS = 12
"""Multiples nearer to each other cannot be told from noise by their places."""
MOVING_DB = 12.0
HELD = 0.7
"""Part of the moments at which the strongest line stays where it was: a voice glides."""
SPEECH_PAUSES = 0.3
"""Share of quiet moments: speech has many (E. Scheirer and M. Slaney, "Construction and evaluation
of a robust multifeature speech/music discriminator", ICASSP 1997)."""
_QUIET = 10.0**-0.6
_WORDS: dict[Kind, str] = {
    "silence": "Nothing plays: start the test signal and check that the volume is up.",
    "tone": "A steady tone.",
    "steady": "A steady signal of several tones or noise.",
    "moving_tone": "A tone whose level moves: leave the volume alone, then it is measured.",
    "chime": "A chime or signal tone of the vehicle, no test signal: wait until it has ended.",
    "speech": "Speech, such as a voice prompt or the radio: switch to the test signal.",
    "music": "Music or another sound that changes: switch to the test signal.",
    "too_short": "Too short to tell what it is: keep the probe there for a second.",
}


@dataclass(frozen=True, slots=True)
class SignalKind:
    """What is heard.

    Parameters
    ----------
    kind : Kind
        ``tone`` and ``steady`` (many tones, or noise) may be measured; speech, music and chime
        are told apart as well as their features allow, and never measured.
    excess : float or None
        Scatter of band power over that of noise.
    level_dbfs : float or None
        Level of the stretch, dB (a full-scale sine is 0); None for digital silence.
    """

    kind: Kind
    excess: float | None
    level_dbfs: float | None

    @property
    def is_test_signal(self) -> bool:
        """True for what may be measured."""
        return self.kind in ("tone", "steady")

    @property
    def sentence(self) -> str:
        """What it is and what to do."""
        return _WORDS[self.kind]


def signal_kind(
    samples: NDArray[np.float64], rate_hz: float, floor_rms_fs: float | None
) -> SignalKind:
    """Tell what kind of signal is heard.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel or a pair, full scale = 1, at least 0.8 s.
    rate_hz : float
        Sample rate, Hz.
    floor_rms_fs : float or None
        RMS of the input's own noise where it is known: within 6 dB of it is silence. None counts
        only digital silence as such, and noise as a steady signal.

    Returns
    -------
    SignalKind

    Raises
    ------
    ValueError
        If `samples` does not have one dimension.
    """
    if samples.ndim != 1:
        raise ValueError(f"samples need the shape (frames,), got {samples.shape}")
    void = basic_void(samples, rate_hz)
    if void is not None:
        return SignalKind("silence" if void.code == "silent_input" else "too_short", None, None)
    rms = float(np.std(samples))
    level_dbfs = 20.0 * math.log10(rms * math.sqrt(2.0))
    if floor_rms_fs is not None and rms < floor_rms_fs * 10.0 ** (LEVEL_BELOW_DB / 20.0):
        return SignalKind("silence", None, level_dbfs)
    if samples.size < SHORTEST_S * rate_hz:
        return SignalKind("too_short", None, level_dbfs)
    power, hz = _frames(samples, rate_hz)
    excess = _excess(power, hz, rate_hz)
    kind = _judged(power, excess)
    if kind in NO_TEST_SIGNAL and is_few_tones(samples, rate_hz):
        kind = "steady"
    return SignalKind(kind, excess, level_dbfs)


def _frames(
    samples: NDArray[np.float64], rate_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the power of short stretches, shape (frames, bins), and the frequencies."""
    n = 1 << round(math.log2(rate_hz * FRAME_S))
    frames = np.lib.stride_tricks.sliding_window_view(samples, n)[:: n // 2]
    lines = np.fft.rfft((frames - frames.mean(axis=1, keepdims=True)) * hann(n), axis=1)
    power: NDArray[np.float64] = np.square(np.abs(lines))
    return power, np.arange(lines.shape[1], dtype=np.float64) * (rate_hz / n)


def _excess(power: NDArray[np.float64], hz: NDArray[np.float64], rate_hz: float) -> float:
    """Return how much more band power scatters than that of noise, mean over the bands."""
    middle_hz = exact_frequencies(3, BANDS_HZ[0], min(BANDS_HZ[1], BAND_OF_RATE * rate_hz))
    edges = np.searchsorted(hz, band_edges(middle_hz, 3))
    sums = np.concatenate((np.zeros((len(power), 1)), np.cumsum(power, axis=1)), axis=1)
    bands = sums[:, edges[1]] - sums[:, edges[0]]
    bins = edges[1] - edges[0]
    mean = bands.mean(axis=0)
    counted = (bins > 0) & (mean > 0.0) & (mean > 10.0 ** (-RANGE_DB / 10.0) * mean.max())
    if not bool(counted.any()):
        # All is below the bands: a bass tone alone.
        total = power.sum(axis=1)
        return float(total.var() / max(float(total.mean()) ** 2, 1e-300))
    scatter = bands[:, counted].var(axis=0) / np.square(mean[counted])
    # Power of a Hann-windowed band of noise: (sum w**2)**2 / (N sum w**4) = 18/35 of its bins are
    # independent, and one at least.
    noise = 1.0 / (1.0 + 18.0 / 35.0 * (bins[counted] - 1.0))
    return float(np.mean(scatter / noise))


def _judged(power: NDArray[np.float64], excess: float) -> Kind:
    total = power[:, 1:].sum(axis=1)
    heard = total > 1e-4 * total.max()
    level_db = 10.0 * np.log10(np.maximum(total, 1e-300))
    place = power[:, 2:].argmax(axis=1) + 2
    line, family = np.array([_shares(row, int(k)) for row, k in zip(power, place, strict=True)]).T
    usual = np.median(place[heard])
    same = float(np.mean(np.abs(place[heard] - usual) <= 1.0 + 0.01 * usual))
    one_tone = same >= SAME_FREQUENCY and float(np.median(family[heard])) >= TONE_SHARE
    if excess <= STEADY_EXCESS and float(level_db.std()) <= STEADY_DB:
        return "tone" if one_tone else "steady"
    if one_tone and bool(heard.all()) and float(np.ptp(level_db)) < MOVING_DB:
        return "moving_tone"
    tonal = float(np.median(line[heard]))
    held = np.abs(np.diff(place)[heard[1:] & heard[:-1]]) <= 1
    if tonal >= CHIME_SHARE and held.size > 0 and held.mean() >= HELD:
        return "chime"
    quiet = float(np.mean(total < _QUIET * total.mean()))
    return "speech" if quiet >= SPEECH_PAUSES and tonal >= VOICE_SHARE else "music"


def _shares(row: NDArray[np.float64], place: int) -> tuple[float, float]:
    """Return the parts of the power that the strongest line has, and it with its multiples."""
    total = float(row[1:].sum())
    if total <= 0.0:
        return 0.0, 0.0
    sums = np.concatenate(([0.0], np.cumsum(row)))
    line = float(sums[min(place + 4, row.size)] - sums[max(place - 3, 1)]) / total
    if place < NEAREST_BINS:
        return line, line
    centres = np.arange(place, row.size, place)[:20]
    # The line lies up to half a bin off, each multiple by as much again.
    reach = np.minimum(3 + np.arange(centres.size) // 2, place // 2 - 1)
    low, high = np.maximum(centres - reach, 1), np.minimum(centres + reach + 1, row.size)
    return line, max(line, float((sums[high] - sums[low]).sum()) / total)
