"""Mains hum beside the tone: found in the residual, fitted at a free frequency, taken out.

Hum is a second, weaker harmonic set. Its lines are fitted together on one free mains frequency;
tone and hum are then fitted in turn, which converges by the overlap of two lines, a factor of
about ten per bin and round. A line nearer than two bins to the tone, a fitted harmonic or zero
cannot be told apart and stays where it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.fit import HarmonicFit, fit_chosen, fit_tone
from levelset.analysis.projection import Layout, fold, synthesise
from levelset.analysis.spectrum import NoiseSpectrum, noise_spectrum
from levelset.mains import MAINS_HZ, MAINS_TOLERANCE

if TYPE_CHECKING:
    from numpy.typing import NDArray

HIGHEST_MULTIPLE = 20
STRONG_MULTIPLES = 6
LOWEST_SEEN = 3
"""Lines without one of the first multiples among them are something else."""
STANDS_OUT = 14.0
SURROUNDINGS = 24
"""Bins over which the floor beside a line is taken."""
FIT_BINS = 2.0
FLAG_BINS = 3.0
ROUNDS = 5
MIRROR_SHARE = 0.2
SIDEBAND_SHARE = 0.1
"""Largest sideband of a harmonic, over the harmonic, that may come from moving level."""
FITTED_SHARE = 0.02
"""Part of a line two to three bins away that is left in doubt."""
NEGLIGIBLE = 1e-4
"""Hum over the tone below which nothing is flagged (-80 dB)."""
FUNDAMENTAL_FACTOR = 3.0
"""How much the mains frequency itself may exceed its multiples."""


@dataclass(frozen=True, slots=True)
class Separated:
    """Tone and hum of one window.

    Parameters
    ----------
    cut : Layout
        How the window is cut for the fit.
    fit : HarmonicFit
        The tone without the hum that could be told apart.
    clean : ndarray, shape (n,)
        Samples less hum.
    hum : ndarray or None, shape (n,)
        The hum taken out.
    residual : ndarray, shape (n,)
        `clean` less the fitted tone and offset.
    spectrum : NoiseSpectrum
        Of the residual.
    amplitude : float
        Largest hum line seen, in the unit of the samples.
    not_separable : bool
        A hum line is, or is to be expected, within three bins of the tone or a counted harmonic.
    doubt_fundamental, doubt_harmonics : float
        How much of the fundamental's and of the harmonics' amplitude may be hum.
    """

    cut: Layout
    fit: HarmonicFit
    clean: NDArray[np.float64]
    hum: NDArray[np.float64] | None
    residual: NDArray[np.float64]
    spectrum: NoiseSpectrum
    amplitude: float
    not_separable: bool
    doubt_fundamental: float
    doubt_harmonics: float


def _model(cut: Layout, fit: HarmonicFit) -> NDArray[np.float64]:
    return synthesise(cut, fit.waves, fit.phasors) + fit.offset


def _lines(spectrum: NoiseSpectrum, fit: HarmonicFit) -> list[tuple[float, float]]:
    """Return frequency (Hz) and amplitude of every line that may be hum.

    Level or phase that moves throws the same to both sides of the tone and, much weaker than
    these, of its harmonics; hum stands on one side only.
    """
    tone_hz = fit.w * spectrum.rate_hz / (2.0 * math.pi)
    sizes = np.abs(fit.phasors)
    power = spectrum.power
    highest_hz = (HIGHEST_MULTIPLE + 1) * max(MAINS_HZ)
    chunks = min(math.ceil(highest_hz / spectrum.bin_hz), power.size) // SURROUNDINGS
    if chunks < 1:
        return []
    part = power[: chunks * SURROUNDINGS].reshape(chunks, SURROUNDINGS)
    # The median of an exponential distribution is ln 2 times its mean.
    floor = np.repeat(np.median(part, axis=1) * (STANDS_OUT / math.log(2.0)), SURROUNDINGS)
    middle = power[1 : floor.size - 1]
    stands = (middle > floor[1:-1]) & (middle >= power[: floor.size - 2])
    stands &= middle >= power[2 : floor.size]
    lines = []
    for peak in np.flatnonzero(stands) + 1:
        a, b, c = (float(v) for v in np.sqrt(power[peak - 1 : peak + 2]))
        line_hz = (int(peak) + 2.0 * (c - a) / (a + 2.0 * b + c)) * spectrum.bin_hz
        # A Hann window spreads a line of amplitude A to A**2/3 in its own bin.
        amplitude = math.sqrt(3.0) * b
        harmonic = min(max(1, round(line_hz / tone_hz)), sizes.size)
        centres = [1]
        if amplitude < SIDEBAND_SHARE * sizes[harmonic - 1]:
            centres.append(harmonic)
        for centre in centres:
            mirror = round(abs(2.0 * centre * tone_hz - line_hz) / spectrum.bin_hz)
            reflected = power[max(0, mirror - 1) : mirror + 2]
            if float(reflected.max(initial=0.0)) > MIRROR_SHARE * b * b:
                break
        else:
            lines.append((line_hz, amplitude))
    return lines


@dataclass(frozen=True, slots=True)
class _Doubts:
    """Whether a mains line cannot be told apart, and amplitudes that may be hum."""

    flagged: bool
    fundamental: float
    harmonics: float


@dataclass(slots=True)
class _Family:
    """Multiples of one mains frequency and their amplitudes."""

    mains_hz: float
    seen: dict[int, float] = field(default_factory=dict)

    def add(self, lines: list[tuple[float, float]], nominal_hz: float, bin_hz: float) -> None:
        """Add the lines that are multiples of `nominal_hz`; the strongest gives the frequency."""
        strongest = max(self.seen.values(), default=0.0)
        for line_hz, amplitude in lines:
            multiple = round(line_hz / nominal_hz)
            reach_hz = max(bin_hz, multiple * nominal_hz * MAINS_TOLERANCE)
            off_hz = abs(line_hz - multiple * nominal_hz)
            if not 1 <= multiple <= HIGHEST_MULTIPLE or off_hz > reach_hz:
                continue
            self.seen[multiple] = max(amplitude, self.seen.get(multiple, 0.0))
            if amplitude > strongest:
                strongest = amplitude
                tolerance_hz = nominal_hz * MAINS_TOLERANCE
                self.mains_hz = min(
                    max(line_hz / multiple, nominal_hz - tolerance_hz), nominal_hz + tolerance_hz
                )

    @property
    def power(self) -> float:
        """Sum of squares of the amplitudes."""
        return sum(a * a for a in self.seen.values())

    def expected(self, multiple: int) -> float:
        """Return what a multiple that cannot be seen may have: as much as its neighbours."""
        near = [self.seen.get(multiple + step, 0.0) for step in (-2, -1, 1, 2)]
        return (FUNDAMENTAL_FACTOR if multiple == 1 else 1.0) * max(near)


def _family(lines: list[tuple[float, float]], bin_hz: float) -> tuple[_Family, float]:
    """Return the family that explains most of the lines, and its nominal frequency."""
    families = []
    for nominal_hz in MAINS_HZ:
        family = _Family(nominal_hz)
        family.add(lines, nominal_hz, bin_hz)
        if min(family.seen, default=0) > LOWEST_SEEN:
            family.seen.clear()
        families.append((family, nominal_hz))
    return max(families, key=lambda f: f[0].power)


def separate(
    samples: NDArray[np.float64], cut: Layout, fit: HarmonicFit, rate_hz: float, counted: int
) -> Separated:
    """Take out the mains lines that can be told from the tone.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        The window.
    cut : Layout
        How it is cut.
    fit : HarmonicFit
        Its first fit, on the same cut.
    rate_hz : float
        Sample rate, Hz.
    counted : int
        Highest harmonic that THD counts.

    Returns
    -------
    Separated
    """
    residual = samples - _model(cut, fit)
    spectrum = noise_spectrum(residual, rate_hz)
    bin_hz = spectrum.bin_hz
    tone_hz = fit.w * rate_hz / (2.0 * math.pi)
    lines = _lines(spectrum, fit)
    # What the first fit has taken of a strong line it has spread over weak ones: they are
    # believed only when they are still there without it.
    strongest = max((amplitude for _, amplitude in lines), default=0.0)
    family, nominal_hz = _family([ln for ln in lines if ln[1] > 0.1 * strongest], bin_hz)
    if not family.seen:
        return Separated(cut, fit, samples, None, residual, spectrum, 0.0, False, 0.0, 0.0)

    clean, hum = samples, None
    for _ in range(ROUNDS):
        chosen = tuple(
            multiple
            for multiple in sorted(family.seen)
            if _nearest(multiple * family.mains_hz, tone_hz, fit.order)[1] >= FIT_BINS * bin_hz
        )
        if not chosen:
            break
        before = fit
        rest = fold(residual if hum is None else residual + hum, cut)
        found = fit_chosen(rest, 2.0 * math.pi * family.mains_hz / rate_hz, chosen)
        found_hz = found.w * rate_hz / (2.0 * math.pi)
        if abs(found_hz / nominal_hz - 1.0) < MAINS_TOLERANCE:
            family.mains_hz = found_hz
        for multiple in chosen:
            family.seen[multiple] = float(abs(found.phasors[multiple - 1]))
        hum = synthesise(cut, found.waves, found.phasors)
        clean = samples - hum
        fit = fit_tone(fold(clean, cut), fit.w, refit=True)
        residual = clean - _model(cut, fit)
        spectrum = noise_spectrum(residual, rate_hz)
        tone_hz = fit.w * rate_hz / (2.0 * math.pi)
        number = len(family.seen)
        family.add(_lines(spectrum, fit), nominal_hz, bin_hz)
        if len(family.seen) == number and _settled(fit, before, residual.size):
            break

    doubts = _doubts(family, fit, counted, spectrum)
    return Separated(
        cut,
        fit,
        clean,
        hum,
        residual,
        spectrum,
        max(family.seen.values()),
        doubts.flagged,
        doubts.fundamental,
        doubts.harmonics,
    )


def near_mains(frequency_hz: float, reach_hz: float) -> bool:
    """Return whether a frequency is within `reach_hz` of a strong multiple of 50 or 60 Hz."""
    return any(
        abs(frequency_hz - mains_hz * min(max(round(frequency_hz / mains_hz), 1), STRONG_MULTIPLES))
        < reach_hz
        for mains_hz in MAINS_HZ
    )


def _settled(fit: HarmonicFit, before: HarmonicFit, n: int) -> bool:
    """Return whether a round has moved frequency and amplitude by less than a tenth of noise."""
    noise = fit.residual_energy / n
    amplitude_step = abs(abs(fit.phasors[0]) - abs(before.phasors[0]))
    return bool(
        abs(fit.w - before.w) < 0.1 * math.sqrt(fit.var_w_ratio * noise)
        and amplitude_step < 0.1 * math.sqrt(fit.var_amplitude_ratio * noise)
    )


def _nearest(line_hz: float, tone_hz: float, highest: int) -> tuple[int, float]:
    """Return the nearest harmonic, 0 for the offset, and its distance in Hz."""
    k = min(max(round(line_hz / tone_hz), 0), highest)
    return k, abs(line_hz - k * tone_hz)


def _doubts(family: _Family, fit: HarmonicFit, counted: int, spectrum: NoiseSpectrum) -> _Doubts:
    """Return for every counted harmonic near a mains line how much of it may be hum."""
    tone_hz = fit.w * spectrum.rate_hz / (2.0 * math.pi)
    sizes = np.abs(fit.phasors)
    shares: dict[int, float] = {}
    flagged = False
    for multiple in range(1, max(family.seen) + 3):
        line_hz = multiple * family.mains_hz
        harmonic, distance_hz = _nearest(line_hz, tone_hz, min(counted, fit.order))
        if harmonic < 1 or distance_hz >= FLAG_BINS * spectrum.bin_hz:
            continue
        seen = family.seen.get(multiple, 0.0)
        if distance_hz >= FIT_BINS * spectrum.bin_hz:
            share = FITTED_SHARE * seen
        else:
            # Most of a line so near has gone into the harmonic; only its rest is seen.
            share = max(3.0 * seen, family.expected(multiple))
        flagged = flagged or max(share, seen) > NEGLIGIBLE * float(sizes[0])
        # Hum much larger than what is measured would have to cancel a harmonic by chance.
        share = min(share, 2.0 * float(sizes[harmonic - 1]))
        shares[harmonic] = math.hypot(shares.get(harmonic, 0.0), share)
    fundamental = shares.pop(1, 0.0)
    return _Doubts(flagged, fundamental, math.sqrt(sum(v * v for v in shares.values())))
