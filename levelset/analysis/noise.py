"""Noise of a silent output: how much, how much the ear minds, and what it is made of.

The spectrum of one long window gives all of it. The instrument's own floor, taken with the tips
shorted, is taken off as power; below 6 dB above it nothing is known but an upper limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.health import basic_void
from levelset.analysis.result import Void
from levelset.analysis.spectrum import NoiseSpectrum, noise_spectrum
from levelset.analysis.weighting import a_weighting
from levelset.mains import MAINS_HZ, MAINS_TOLERANCE
from levelset.quantity import Quantity
from levelset.units import DB_PER_NEPER, db_from_ratio

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Response = Callable[[NDArray[np.float64]], NDArray[np.complex128]]

BAND_HZ = (20.0, 20_000.0)
BAND_OF_RATE = 0.45
SHORTEST_S = 2.0
CLEAR_DB = 6.0
"""Total over the own floor from which noise is a number."""
MOST_MULTIPLE = 40
LOW_MULTIPLE = 3
LINE_OFF_BINS = 0.3
"""How far the place of a line may be off, bins."""
LINE_SNR = 40.0
"""Power of three bins over the floor of one: by chance in one of some thousand captures."""
BUMP_SNR = 7.0
"""The same in the mean of many short spectra, which scatters far less."""
BUMP_S = 0.5
"""Their length: a tone that follows the engine moves by less than their 2 Hz a bin."""
FLOOR_BINS, FLOOR_BUMP_BINS = 60, 24
INDEPENDENT = 18.0 / 35.0
"""Independent bins of a Hann window: (sum w**2)**2 / (N sum w**4)."""


@dataclass(frozen=True, slots=True)
class NoiseLevel:
    """A level of noise, or its upper limit.

    Parameters
    ----------
    rms_fs : Quantity
        RMS, full scale; the own floor is taken off.
    below : bool
        True where only ``below rms_fs.value`` is known.
    floor_fs : float
        RMS of the instrument's own floor, 0 if it was not taken.
    """

    rms_fs: Quantity
    below: bool
    floor_fs: float

    def against(self, reference_rms: Quantity, volts_per_fs: float = 1.0) -> Quantity:
        """Return the level over a reference, dB, such as the clean maximum or 1 W's voltage.

        Parameters
        ----------
        reference_rms : Quantity
            RMS above 0, in full scale, or in volts with `volts_per_fs`; for 1 W into R ohm it is
            ``sqrt(R)`` volts.
        volts_per_fs : float
            What turns RMS in full scale into the unit of the reference.

        Raises
        ------
        ValueError
            If a level is not above 0.
        """
        relative = math.hypot(
            self.rms_fs.u / self.rms_fs.value, reference_rms.u / reference_rms.value
        )
        level = db_from_ratio(self.rms_fs.value * volts_per_fs / reference_rms.value)
        return Quantity(level, DB_PER_NEPER * relative, "dB")


@dataclass(frozen=True, slots=True)
class Line:
    """One steady tone in the noise.

    Parameters
    ----------
    frequency_hz : float
        Hz.
    rms_fs : float
        RMS, full scale.
    """

    frequency_hz: float
    rms_fs: float


@dataclass(frozen=True, slots=True)
class Hum:
    """Lines at multiples of the mains frequency.

    Parameters
    ----------
    mains_hz : float
        Its frequency, Hz.
    lines : tuple of Line
        Those that stand out, by frequency.
    rms_fs : float
        All together.
    """

    mains_hz: float
    lines: tuple[Line, ...]
    rms_fs: float


@dataclass(frozen=True, slots=True)
class NoiseReading:
    """Noise of one capture.

    Parameters
    ----------
    void : Void or None
        Why nothing can be said; then all else is None.
    unweighted, a_weighted : NoiseLevel or None
        20 Hz to 20 kHz, or to 0.45 of the rate where that is lower.
    band_hz : tuple of float
        The band, Hz.
    hum : Hum or None
        None where no mains line stands out.
    lines : tuple of Line
        Every line that stands out, mains lines included, by frequency.
    bumps : tuple of Line
        What stands out at 2 Hz a bin: also tones that move a little, as those of an engine.
    spectrum : NoiseSpectrum or None
        Power per bin, response corrected: the own floor of later readings.
    """

    void: Void | None
    unweighted: NoiseLevel | None = None
    a_weighted: NoiseLevel | None = None
    band_hz: tuple[float, float] = BAND_HZ
    hum: Hum | None = None
    lines: tuple[Line, ...] = ()
    bumps: tuple[Line, ...] = ()
    spectrum: NoiseSpectrum | None = None


def read_noise(
    samples: NDArray[np.float64],
    rate_hz: float,
    *,
    floor: NoiseSpectrum | None,
    response: Response | None = None,
) -> NoiseReading:
    """Read the noise in a capture of silence.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel or a pair while nothing plays, full scale = 1, at least 2 s.
    rate_hz : float
        Sample rate, Hz.
    floor : NoiseSpectrum or None
        `NoiseReading.spectrum` of the same input with the tips shorted; None if not taken, then
        the floor is part of the reading.
    response : callable or None
        Transfer of the input; power is divided by its square. None for a flat input.

    Returns
    -------
    NoiseReading

    Raises
    ------
    ValueError
        If `samples` does not have one dimension or the floor has another rate.
    """
    if samples.ndim != 1:
        raise ValueError(f"samples need the shape (frames,), got {samples.shape}")
    if floor is not None and floor.rate_hz != rate_hz:
        raise ValueError(f"the floor was taken at {floor.rate_hz} Hz, not at {rate_hz} Hz")
    void = basic_void(samples, rate_hz)
    if void is None and samples.size < SHORTEST_S * rate_hz:
        void = Void(
            "too_short",
            f"Only {samples.size / rate_hz:.1f} s: noise needs at least {SHORTEST_S:.0f} s of "
            "silence.",
        )
    if void is not None:
        return NoiseReading(void)
    spectrum = noise_spectrum(samples - samples.mean(), rate_hz)
    hz = np.arange(spectrum.power.size, dtype=np.float64) * spectrum.bin_hz
    band = (BAND_HZ[0], min(BAND_HZ[1], BAND_OF_RATE * rate_hz))
    if response is not None:
        power = spectrum.power.copy()
        power[1:] /= np.square(np.abs(response(hz[1:])))
        spectrum = NoiseSpectrum(power, spectrum.n, rate_hz)
    inside = (hz >= band[0]) & (hz <= band[1])
    weight = np.where(inside, 1.0, 0.0)
    lines = _lines(spectrum, band, LINE_SNR, FLOOR_BINS)
    bumps = _lines(_averaged(samples, spectrum, response), band, BUMP_SNR, FLOOR_BUMP_BINS)
    return NoiseReading(
        None,
        _level(spectrum, weight, floor),
        _level(spectrum, weight * np.square(a_weighting(hz)), floor),
        band,
        _hum(lines, spectrum.bin_hz),
        lines,
        bumps,
        spectrum,
    )


def _averaged(
    samples: NDArray[np.float64], whole: NoiseSpectrum, response: Response | None
) -> NoiseSpectrum:
    """Return the mean spectrum of short stretches that overlap by half."""
    n = round(BUMP_S * whole.rate_hz)
    starts = range(0, samples.size - n + 1, n // 2)
    parts = [
        noise_spectrum(samples[i : i + n] - samples[i : i + n].mean(), whole.rate_hz)
        for i in starts
    ]
    power = np.mean([part.power for part in parts], axis=0)
    if response is not None:
        power[1:] /= np.square(np.abs(response(np.arange(1, power.size) * whole.rate_hz / n)))
    return NoiseSpectrum(power, n, whole.rate_hz)


def _level(
    spectrum: NoiseSpectrum, weight: NDArray[np.float64], floor: NoiseSpectrum | None
) -> NoiseLevel:
    whole = _total(spectrum, weight)
    if floor is None:
        return whole
    hz = np.arange(floor.power.size) * floor.bin_hz
    here = np.arange(weight.size) * spectrum.bin_hz
    return less_floor(whole, _total(floor, np.interp(hz, here, weight)))


def _total(spectrum: NoiseSpectrum, weight: NDArray[np.float64]) -> NoiseLevel:
    power, u_power = _power(spectrum, weight)
    rms = math.sqrt(power)
    return NoiseLevel(Quantity(rms, 0.5 * u_power / max(rms, 1e-300), "FS"), False, 0.0)


def less_floor(total: NoiseLevel, own: NoiseLevel) -> NoiseLevel:
    """Return a level with the instrument's own noise taken off as power.

    Parameters
    ----------
    total : NoiseLevel
        What was read, the own noise in it.
    own : NoiseLevel
        The own noise alone, of the same band and weighting.

    Returns
    -------
    NoiseLevel
        Only an upper limit where the total is less than 6 dB above the own noise.
    """
    whole, floor = total.rms_fs, own.rms_fs
    u_whole = 2.0 * whole.value * whole.u
    if whole.value < floor.value * 10.0 ** (CLEAR_DB / 20.0):
        # The noise cannot be more than all that is there.
        limit = math.sqrt(whole.value**2 + u_whole)
        return NoiseLevel(Quantity(limit, 0.0, "FS"), True, floor.value)
    rms = math.sqrt(whole.value**2 - floor.value**2)
    u = 0.5 * math.hypot(u_whole, 2.0 * floor.value * floor.u) / rms
    return NoiseLevel(Quantity(rms, u, "FS"), False, floor.value)


def _power(spectrum: NoiseSpectrum, weight: NDArray[np.float64]) -> tuple[float, float]:
    """Return the weighted mean square and its 95 % uncertainty.

    Each bin of noise scatters by its own mean; neighbours are not independent. A line does not
    scatter, so that this is an upper limit.
    """
    part = spectrum.power * weight
    return float(part.sum()), 1.96 * math.sqrt(float(part @ part) / INDEPENDENT)


def _lines(
    spectrum: NoiseSpectrum, band: tuple[float, float], least_snr: float, size: int
) -> tuple[Line, ...]:
    """Return what stands out of the noise about it, three bins taken together."""
    power = spectrum.power
    three = np.convolve(power, np.ones(3), mode="same")
    cut = power[: power.size // size * size].reshape(-1, size)
    # Median of an exponential distribution: ln 2 of its mean.
    blocks = np.median(cut, axis=1) / math.log(2.0)
    place = (np.arange(blocks.size) + 0.5) * size
    around = np.interp(np.arange(power.size), place, blocks)
    first = max(2, math.ceil(band[0] / spectrum.bin_hz))
    last = min(math.floor(band[1] / spectrum.bin_hz), power.size - 3)
    middle = three[first:last]
    peak = (
        (middle > least_snr * around[first:last])
        & (middle >= three[first - 1 : last - 1])
        & (middle > three[first + 1 : last + 1])
    )
    found = []
    for k in np.flatnonzero(peak) + first:
        if power[k] < power[k - 1] or power[k] < power[k + 1]:
            continue
        a, b, c = (math.sqrt(float(v)) for v in power[k - 1 : k + 2])
        shift = 2.0 * (c - a) / (a + 2.0 * b + c)
        shift = min(max(shift, -0.6), 0.6)
        rms = math.sqrt(max(float(power[k - 2 : k + 3].sum()) - 5.0 * float(around[k]), 0.0))
        if rms > 0.0:
            found.append(Line((float(k) + shift) * spectrum.bin_hz, rms))
    return tuple(found)


def _hum(lines: tuple[Line, ...], bin_hz: float) -> Hum | None:
    """Return the mains family that holds most, its frequency by the strongest multiples."""
    best: Hum | None = None
    for nominal_hz in MAINS_HZ:
        members: list[tuple[int, Line]] = []
        for line in lines:
            multiple = round(line.frequency_hz / nominal_hz)
            if not 1 <= multiple <= MOST_MULTIPLE:
                continue
            off_hz = abs(line.frequency_hz - multiple * nominal_hz)
            if off_hz <= multiple * nominal_hz * MAINS_TOLERANCE + 0.5 * bin_hz:
                members.append((multiple, line))
        low = [(multiple, line) for multiple, line in members if multiple <= LOW_MULTIPLE]
        if not low:
            continue
        # The strongest low one tells the frequency; what lies off its multiples, as a line of the
        # engine may, is no member.
        lowest, strongest = max(low, key=lambda member: member[1].rms_fs)
        base_hz = strongest.frequency_hz / lowest
        members = [
            (multiple, line)
            for multiple, line in members
            if abs(line.frequency_hz - multiple * base_hz)
            <= LINE_OFF_BINS * bin_hz * (1.0 + multiple / lowest)
        ]
        weights = [line.rms_fs**2 * multiple**2 for multiple, line in members]
        values = [line.frequency_hz / multiple for multiple, line in members]
        mains_hz = float(np.average(values, weights=weights))
        chosen = tuple(
            line
            for multiple, line in members
            if abs(line.frequency_hz - multiple * mains_hz) <= 1.5 * bin_hz + 2e-4 * multiple
        )
        rms = math.sqrt(sum(line.rms_fs**2 for line in chosen))
        if chosen and (best is None or rms > best.rms_fs):
            best = Hum(mains_hz, chosen, rms)
    return best
