"""Level and phase of a steady tone from moment to moment, by Hann-weighted hops.

``p_i = 2 sum(h x exp(-jwt)) / sum(h)`` over two hops at a time; the Hann weight keeps offset, hum
and harmonics out (F. J. Harris, "On the use of windows for harmonic analysis with the discrete
Fourier transform", Proc. IEEE 66(1), 1978).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.fit import hann, strongest_line

if TYPE_CHECKING:
    from numpy.typing import NDArray

HOP_PERIODS = 4
HOP_S = 0.005
LOWEST = 1e-3
"""Levels below -60 dB of the tone are not told apart."""
USUAL_PART = 80.0
"""Percentile of the hops' amplitudes that counts as the tone's own amplitude."""
PRESENT = 0.3
"""Part of the tone's own amplitude below which it is not there."""
FAR_OFF = 0.005
"""Relative difference of frequency that phases still follow from hop to hop."""
TONE_SHARE = 0.5
"""Least part of the power that the tone must have in the hops where it is loudest."""
FEWEST_HOPS = 8
_TURN = 2.0 * math.pi


@dataclass(frozen=True, slots=True)
class ToneTrack:
    """A tone hop by hop.

    Parameters
    ----------
    rate_hz : float
        Sample rate, Hz.
    w : float
        Angular frequency that the phases refer to, rad per sample.
    hop : int
        Frames from one hop to the next; each looks at two hops' length.
    phasors : ndarray of complex, shape (m,)
        ``Re{p exp(jwt)}`` with t in frames from the first sample.
    amplitude : float
        Usual amplitude where the tone is there, full scale.
    """

    rate_hz: float
    w: float
    hop: int
    phasors: NDArray[np.complex128]
    amplitude: float

    @property
    def levels_db(self) -> NDArray[np.float64]:
        """Level of each hop relative to the usual one, dB, from -60."""
        ratio = np.abs(self.phasors) / self.amplitude
        return 20.0 * np.log10(np.maximum(ratio, LOWEST))

    @property
    def present(self) -> NDArray[np.bool_]:
        """Where the tone is there; a dip of a few hops, as a jump of phase makes, counts."""
        there = np.abs(self.phasors) >= PRESENT * self.amplitude
        edges = np.flatnonzero(np.diff(np.concatenate(([True], there, [True])).astype(np.int8)))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            if stop - start <= 3:
                there[start:stop] = True
        return there

    def before(self, frame: int) -> complex:
        """Return the phasor of the last hop that ends before a frame, or of the first after it."""
        index = frame // self.hop - 2
        if index < 0:
            index = frame // self.hop + 1
        return complex(self.phasors[min(max(index, 0), self.phasors.size - 1)])

    def off_by(self, samples: NDArray[np.float64], at: int, frames: int) -> float:
        """Return the largest distance of some frames from the tone before, in its amplitude."""
        t = np.arange(at, at + frames, dtype=np.float64)
        p = self.before(at)
        tone = p.real * np.cos(self.w * t) - p.imag * np.sin(self.w * t)
        return float(np.abs(samples[at : at + frames] - tone).max()) / self.amplitude


def track_tone(
    samples: NDArray[np.float64],
    rate_hz: float,
    near_hz: float | None,
    *,
    hop_periods: float = HOP_PERIODS,
) -> ToneTrack | None:
    """Follow the tone through a window.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel, finite.
    rate_hz : float
        Sample rate, Hz.
    near_hz : float or None
        Frequency that the tone should have, Hz; where nothing is there, and for None, the
        strongest line is followed.
    hop_periods : float
        Periods from one hop to the next; 2 take in a shorter window, and more of the hum.

    Returns
    -------
    ToneTrack or None
        At the tone's own frequency; None where there are fewer than 8 hops or there is no tone.
    """
    if near_hz is not None:
        track = _follow(samples, rate_hz, _TURN * near_hz / rate_hz, hop_periods)
        if track is not None:
            return track
    if samples.size < 16 or np.ptp(samples) == 0.0:
        return None
    return _follow(samples, rate_hz, strongest_line(samples), hop_periods)


def _follow(
    samples: NDArray[np.float64], rate_hz: float, w: float, hop_periods: float
) -> ToneTrack | None:
    hop = round(max(hop_periods * _TURN / w, HOP_S * rate_hz))
    offset = float(samples.mean())
    for _ in range(2):
        phasors = _phasors(samples - offset, w, hop)
        if phasors.size < FEWEST_HOPS:
            return None
        amplitude = float(np.percentile(np.abs(phasors), USUAL_PART))
        there = np.abs(phasors) >= PRESENT * amplitude
        if not amplitude > 0.0 or not _is_tone(samples - offset, phasors, hop, there):
            return None
        both = there[1:] & there[:-1]
        if not both.any():
            return None
        moves = np.angle(phasors[1:] * phasors[:-1].conj())[both]
        move = float(np.median(moves))
        if abs(move) / hop > 2.0 * FAR_OFF * w:
            return None
        w += move / hop
    phasors = _phasors(samples - offset, w, hop)
    return ToneTrack(rate_hz, w, hop, phasors, amplitude)


def _phasors(x: NDArray[np.float64], w: float, hop: int) -> NDArray[np.complex128]:
    count = x.size // hop
    # One hop's sine and cosine serve all hops, each turned to where it stands.
    angle, window = w * np.arange(hop), hann(2 * hop)
    waves = np.stack((np.cos(angle), -np.sin(angle)), axis=1)
    weighted = np.hstack((waves * window[:hop, None], waves * window[hop:, None]))
    sums = (x[: count * hop].reshape(count, hop) @ weighted).view(np.complex128)
    sums *= np.exp(-1j * w * hop * np.arange(count))[:, None]
    phasors: NDArray[np.complex128] = (sums[:-1, 0] + sums[1:, 1]) * (2.0 / hop)
    return phasors


def _is_tone(
    x: NDArray[np.float64],
    phasors: NDArray[np.complex128],
    hop: int,
    there: NDArray[np.bool_],
) -> bool:
    """Return whether the tone has most of the power where it is there."""
    count = x.size // hop
    power = np.square(x[: count * hop]).reshape(count, hop).mean(axis=1)
    whole = 0.5 * (power[:-1] + power[1:])[there]
    return float(0.5 * np.square(np.abs(phasors[there])).sum()) >= TONE_SHARE * float(whole.sum())


def unbroken(there: NDArray[np.bool_]) -> tuple[int, int]:
    """Return start and stop of the longest run of True; shape (m,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], there, [False])).astype(np.int8)))
    if edges.size == 0:
        return 0, 0
    lengths = edges[1::2] - edges[::2]
    longest = int(lengths.argmax())
    return int(edges[2 * longest]), int(edges[2 * longest + 1])


def frequency(track: ToneTrack, start: int, stop: int) -> tuple[float, float]:
    """Return the frequency over hops `start` to `stop` and its 95 % uncertainty, Hz.

    Least squares of phase over time; hops overlap, so every second one counts.

    Parameters
    ----------
    track : ToneTrack
        The tone.
    start, stop : int
        Hops without a break, at least 4.
    """
    phase = np.unwrap(np.angle(track.phasors[start:stop]))
    t = track.hop * np.arange(phase.size, dtype=np.float64)
    t -= t.mean()
    spread = float(t @ t)
    slope = float(t @ phase) / spread
    left = phase - phase.mean() - slope * t
    # Neighbours share half of their samples; twice the variance makes up for it.
    variance = 2.0 * float(left @ left) / max(1, phase.size - 2)
    u = 2.0 * math.sqrt(variance / spread)
    scale = track.rate_hz / _TURN
    return (track.w + slope) * scale, u * scale
