"""A known periodic signal, heard by another clock and from any moment of it.

The signal is a sum of sines at multiples of one frequency. Whole periods are taken by the player's
clock, whose rate is estimated: the signal is compared with itself a period later, then two halves
with each other. A Hann window then has its zeros on all other lines, and between the lines is
nothing but noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.fit import hann
from levelset.analysis.health import basic_void
from levelset.analysis.result import Void
from levelset.analysis.signal_kind import NO_TEST_SIGNAL, signal_kind
from levelset.quantity import Quantity
from levelset.units import DB_PER_NEPER

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

CLOCK_PPM = 800.0
"""How far apart the clocks of a player and an input may be."""
FEWEST_PERIODS = 4
"""From four periods a bin lies two bins from every line: the first zero of a Hann window."""
HEARD_DB, HEARD_LINES = 10.0, 5
"""Power over noise of a line that stands out, and how many must: a low-passed wire has few."""
STEADY_DB = 0.25
CLOCK_ROUNDS, OUTLYING = 4, 4.0
"""How often the clock is estimated anew, a line whose phase is off by more than so many medians
counting less."""
OWN_SHARE = 0.4
"""Part of all power that lies on the lines, from which it is surely the test signal: with a Hann
window two thirds without noise, a quarter at most of anything else."""
_TURN = 2.0 * math.pi


@dataclass(frozen=True, slots=True)
class KnownLines:
    """What is played.

    Parameters
    ----------
    period_s : float
        Period by the player's clock, s.
    number : ndarray of int, shape (L,)
        Multiple of ``1 / period_s`` of every line, ascending.
    amplitude_fs : ndarray, shape (L,)
        Peak, full scale.
    phase_rad : ndarray, shape (L,)
        Phase of the sine at time 0.
    """

    period_s: float
    number: NDArray[np.intp]
    amplitude_fs: NDArray[np.float64]
    phase_rad: NDArray[np.float64]

    @classmethod
    def of(cls, period_s: float, sines: Iterable[tuple[float, float, float]]) -> KnownLines:
        """Return them from frequency in Hz, amplitude in full scale and phase in rad.

        Raises
        ------
        ValueError
            If a frequency is no multiple of ``1 / period_s``.
        """
        table = np.array(sorted(sines), dtype=np.float64).reshape(-1, 3)
        places = table[:, 0] * period_s
        number = np.rint(places).astype(np.intp)
        if table.size == 0 or np.abs(places - number).max() > 1e-6 or number[0] < 1:
            raise ValueError("every line must be a multiple of 1 / period_s")
        return cls(period_s, number, table[:, 1], table[:, 2])

    @property
    def frequency_hz(self) -> NDArray[np.float64]:
        """Frequencies by the player's clock, Hz."""
        return self.number / self.period_s


@dataclass(frozen=True, slots=True)
class Heard:
    """Whole periods of a known signal as the input has them.

    Parameters
    ----------
    spectrum : ndarray of complex, shape (B,)
        Amplitude of a sine per bin, phase at the middle of the window; bin ``periods * k`` is
        multiple k of the signal's base frequency.
    periods : int
        Periods in the window.
    period_s : float
        By the player's clock, s.
    clock_ppm : Quantity
        How much faster the player's clock runs than the input's, ppm.
    """

    spectrum: NDArray[np.complex128]
    periods: int
    period_s: float
    clock_ppm: Quantity

    @property
    def highest_number(self) -> int:
        """Highest multiple of the base frequency in the spectrum."""
        return (self.spectrum.size - 1) // self.periods

    def phasors(self, number: NDArray[np.intp]) -> NDArray[np.complex128]:
        """Return amplitude and cosine phase of these multiples, full scale."""
        return self.spectrum[number * self.periods]

    def noise_power(self, number: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return what noise adds to the squared amplitude of these multiples, on average.

        The median of the bins between the lines, which leaves out mains lines, about each
        multiple: over 3 % of its frequency to both sides, at least six lines.
        """
        return self._between(number, np.square(np.abs(self.spectrum)))

    def _between(self, number: NDArray[np.intp], power: NDArray[np.float64]) -> NDArray[np.float64]:
        rest = np.arange(self.spectrum.size) % self.periods
        free = np.flatnonzero((rest >= 2) & (rest <= self.periods - 2))
        values = power[free]
        out = np.empty(number.size)
        for i, k in enumerate(number):
            reach = max(6.0, 0.03 * float(k))
            low, high = np.searchsorted(
                free, ((k - reach) * self.periods, (k + reach) * self.periods)
            )
            # An exponential distribution has its median at ln 2 times its mean.
            out[i] = float(np.median(values[low:high])) / math.log(2.0)
        return out


def hear(samples: NDArray[np.float64], rate_hz: float, known: KnownLines) -> Heard | Void:
    """Find a known periodic signal and take whole periods of it.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel, full scale = 1, while the signal plays steadily; at least four periods and
        a thousandth more.
    rate_hz : float
        Sample rate, Hz.
    known : KnownLines
        What is played; of several signals the lines of all.

    Returns
    -------
    Heard or Void
        Void ``too_short``, ``no_tone`` (none of its lines is there) or ``unsteady``, or what the
        health of the input says.

    Raises
    ------
    ValueError
        If `samples` does not have one dimension.
    """
    if samples.ndim != 1:
        raise ValueError(f"samples need the shape (frames,), got {samples.shape}")
    void = basic_void(samples, rate_hz)
    if void is not None:
        return void
    inside = known.frequency_hz * (1.0 + CLOCK_PPM * 1e-6) < 0.49 * rate_hz
    if not bool(inside.any()):
        raise ValueError(f"no line of the signal lies below half of {rate_hz} Hz")
    number = known.number[inside]
    # Two halves of whole periods each: an even number.
    periods = 2 * int(samples.size / (known.period_s * rate_hz * (1.0 + CLOCK_PPM * 1e-6)) / 2.0)
    if periods < FEWEST_PERIODS:
        return Void(
            "too_short",
            f"Only {samples.size / rate_hz:.1f} s of signal: keep the probe there for "
            f"{FEWEST_PERIODS * known.period_s:.0f} s more, the signal playing steadily.",
        )
    per_period = known.period_s * rate_hz
    scale = _scale_from_a_period_later(samples, per_period, number)
    frames = round(periods * per_period / scale)
    first = samples.size - frames
    window = samples[first:] - samples[first:].mean()
    for _ in range(2):
        steady, scale, u_ppm = _compare_halves(window, periods, per_period, number, scale)
    spectrum = _zoomed(window * hann(frames), scale / (periods * per_period))
    heard = Heard(spectrum, periods, known.period_s, Quantity((scale - 1.0) * 1e6, u_ppm, "ppm"))
    power = np.square(np.abs(heard.phasors(number)))
    noise = heard.noise_power(number)
    there = _is_there(power, noise)
    if not there or float(power.sum()) < OWN_SHARE * float(np.square(np.abs(spectrum)).sum()):
        # Music has lines as well, and some of them fall on ours.
        other = signal_kind(samples, rate_hz, None)
        if other.kind in NO_TEST_SIGNAL:
            return Void("no_tone", other.sentence)
    if not there:
        return Void(
            "no_tone",
            "The test signal is not heard here: check that it plays, that the volume is up and "
            "that the probe touches.",
        )
    if not steady:
        return Void(
            "unsteady",
            "The level moved while it was measured: leave volume and probe alone for "
            f"{periods * known.period_s:.0f} s.",
        )
    return heard


def _is_there(power: NDArray[np.float64], noise: NDArray[np.float64]) -> bool:
    """Tell whether enough lines stand out: each alone would by chance once in e**10."""
    return int((power > 10.0 ** (HEARD_DB / 10.0) * noise).sum()) >= HEARD_LINES


def _scale_from_a_period_later(
    samples: NDArray[np.float64], per_period: float, number: NDArray[np.intp]
) -> float:
    """Return the player's clock over the input's, from the shift that a period really has."""
    lag = round(per_period)
    size = samples.size - lag
    window = hann(size)
    early = np.fft.rfft(samples[:size] * window)
    late = np.fft.rfft(samples[lag:] * window)
    cross = np.conj(early) * late
    # Only what may belong to a line: mains lines are kept clear of them.
    centre = number * (size / per_period)
    reach = 2.0 + centre * (CLOCK_PPM * 1e-6)
    near = np.zeros(cross.size + 1, dtype=np.intp)
    np.add.at(near, np.clip(np.floor(centre - reach), 1, cross.size).astype(np.intp), 1)
    np.add.at(near, np.clip(np.ceil(centre + reach) + 1, 1, cross.size).astype(np.intp), -1)
    magnitude = np.abs(cross)
    weight = np.where(np.cumsum(near)[:-1] > 0, 1.0 / np.sqrt(np.maximum(magnitude, 1e-300)), 0.0)
    shape = np.fft.irfft(cross * weight, size)
    most = math.ceil(CLOCK_PPM * 1e-6 * per_period) + 1
    around = np.concatenate((shape[-most:], shape[: most + 1]))
    peak = min(max(int(around.argmax()), 1), around.size - 2)
    a, b, c = (float(v) for v in around[peak - 1 : peak + 2])
    curve = a - 2.0 * b + c
    shift = peak - most + (0.5 * (a - c) / curve if curve < 0.0 else 0.0)
    # The sound comes again `shift` samples later than `lag`.
    return per_period / (lag + shift)


def _compare_halves(
    window: NDArray[np.float64],
    periods: int,
    per_period: float,
    number: NDArray[np.intp],
    scale: float,
) -> tuple[bool, float, float]:
    """Return whether both halves are alike, a better scale and its 95 % uncertainty in ppm."""
    frames = window.size // 2
    half = periods // 2
    shape = hann(frames)
    step = scale / (half * per_period)
    early = _zoomed(window[:frames] * shape, step)[number * half]
    late = _zoomed(window[window.size - frames :] * shape, step)[number * half]
    apart = window.size - frames
    cross = np.conj(early) * late
    turns = number * (scale / per_period) * apart
    cross = cross * np.exp(-1j * _TURN * (turns % 1.0))
    weight = np.abs(cross)
    # A first look over the few ppm that the shift of one period leaves open.
    tries = np.arange(-200, 201) * 0.1e-6
    rotated = np.exp(-1j * _TURN * np.multiply.outer(tries, turns)) @ cross
    best = float(tries[int(rotated.real.argmax())])
    phase = np.angle(cross * np.exp(-1j * _TURN * best * turns))
    slope = _TURN * turns
    trust = weight
    if float((trust * slope * slope).sum()) <= 0.0:
        return True, scale, CLOCK_PPM
    for _ in range(CLOCK_ROUNDS):
        information = float((trust * slope * slope).sum())
        step_ratio = float((trust * slope * phase).sum()) / information
        left = phase - step_ratio * slope
        # A line of hum or whine beside one of ours turns its phase by what it likes.
        usual = max(OUTLYING * float(np.median(np.abs(left))), 1e-9)
        trust = weight * np.square(np.minimum(1.0, usual / np.maximum(np.abs(left), 1e-12)))
    variance = float((trust**2 * slope**2 * left**2).sum()) / information**2
    steady = _alike(np.abs(early), np.abs(late), float((weight * np.cos(left)).sum()))
    return steady, scale * (1.0 + best + step_ratio), 2e6 * math.sqrt(variance)


def _alike(early: NDArray[np.float64], late: NDArray[np.float64], coherent: float) -> bool:
    """Tell whether two halves have the same level within what noise explains."""
    before, after = float(early @ early), float(late @ late)
    together = math.sqrt(before * after)
    if together <= 0.0 or coherent <= 0.0:
        return True
    noise = max(0.0, 1.0 - coherent / together)
    squares = np.square(early)
    lines = before * before / float(squares @ squares)
    scatter_db = DB_PER_NEPER * math.sqrt(2.0 * noise / lines)
    return abs(10.0 * math.log10(after / before)) < STEADY_DB + 4.0 * scatter_db


def _zoomed(windowed: NDArray[np.float64], cycles: float) -> NDArray[np.complex128]:
    """Return amplitudes at multiples of a frequency that is no bin of an FFT.

    Chirp z-transform (L. R. Rabiner, R. W. Schafer and C. M. Rader, Bell Syst. Tech. J. 48(5),
    1969) of a Hann-windowed stretch, up to half the rate; `cycles` per sample and bin. Phase
    refers to the middle of the stretch.
    """
    n = windowed.size
    bins = int(0.5 / cycles) + 1
    longest = max(n, bins)
    index = np.arange(longest, dtype=np.float64)
    chirp = np.exp(1j * _TURN * ((0.5 * cycles * index * index) % 1.0))
    size = 1 << (n + bins - 1).bit_length()
    kernel = np.zeros(size, dtype=np.complex128)
    kernel[:bins] = chirp[:bins]
    kernel[size - n + 1 :] = chirp[n - 1 : 0 : -1]
    spread = np.zeros(size, dtype=np.complex128)
    spread[:n] = windowed * np.conj(chirp[:n])
    out = np.fft.ifft(np.fft.fft(spread) * np.fft.fft(kernel))[:bins] * np.conj(chirp[:bins])
    middle = np.exp(1j * _TURN * ((cycles * (n / 2.0) * np.arange(bins)) % 1.0))
    # A Hann window has the mean 1/2, and half of a sine lies at the negative frequency.
    zoomed: NDArray[np.complex128] = out * middle * (4.0 / n)
    return zoomed
