"""Mains hum beside the tone: found in the residual, fitted at a free frequency, taken out.

Hum is a second, weaker harmonic set. Its lines are fitted together on one free mains frequency;
tone and hum are then fitted in turn, which converges by the overlap of two lines, a factor of
about ten per bin and round. A line nearer than two bins to the tone, a fitted harmonic or zero
cannot be told apart and stays where it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.fit import HarmonicFit, fit_chosen, fit_tone
from levelset.analysis.projection import Folded, fold, synthesise
from levelset.analysis.spectrum import NoiseSpectrum, noise_spectrum

if TYPE_CHECKING:
    from numpy.typing import NDArray

MAINS_HZ = (50.0, 60.0)
MAINS_TOLERANCE = 0.006
HIGHEST_MULTIPLE = 20
STANDS_OUT = 14.0
FIT_BINS = 2.0
FLAG_BINS = 3.0
ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Separated:
    """Tone and hum of one window.

    Parameters
    ----------
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

    fit: HarmonicFit
    clean: NDArray[np.float64]
    hum: NDArray[np.float64] | None
    residual: NDArray[np.float64]
    spectrum: NoiseSpectrum
    amplitude: float
    not_separable: bool
    doubt_fundamental: float
    doubt_harmonics: float


@dataclass(frozen=True, slots=True)
class _Family:
    mains_hz: float
    amplitudes: dict[int, float]


def _model(window: Folded, fit: HarmonicFit) -> NDArray[np.float64]:
    return synthesise(window.cut, fit.waves, fit.phasors) + fit.offset


def _family(spectrum: NoiseSpectrum, mains_hz: float) -> _Family:
    """Return the multiples of `mains_hz` that stand out of their surroundings."""
    amplitudes: dict[int, float] = {}
    best, frequency = 0.0, mains_hz
    for multiple in range(1, HIGHEST_MULTIPLE + 1):
        centre = multiple * mains_hz / spectrum.bin_hz
        reach = max(1.0, centre * MAINS_TOLERANCE)
        first, last = math.floor(centre - reach), math.ceil(centre + reach)
        if first < 2 or last + 2 > spectrum.power.size * 0.9:
            continue
        around = spectrum.power[max(1, first - 12) : last + 13]
        # The median of an exponential distribution is ln 2 times its mean.
        floor = float(np.median(around)) / math.log(2.0)
        peak = first + int(spectrum.power[first : last + 1].argmax())
        power = float(spectrum.power[peak])
        beside = max(float(spectrum.power[peak - 1]), float(spectrum.power[peak + 1]))
        if power < STANDS_OUT * floor or power < beside:
            continue
        # A Hann window spreads a line of amplitude A to A**2/3 in its own bin.
        amplitudes[multiple] = math.sqrt(3.0 * power)
        if power > best:
            a, b, c = np.sqrt(spectrum.power[peak - 1 : peak + 2])
            shift = float(2.0 * (c - a) / (a + 2.0 * b + c))
            best, frequency = power, (peak + shift) * spectrum.bin_hz / multiple
    lowest, highest = mains_hz * (1.0 - MAINS_TOLERANCE), mains_hz * (1.0 + MAINS_TOLERANCE)
    return _Family(min(max(frequency, lowest), highest), amplitudes)


def _nearest(line_hz: float, tone_hz: float, highest: int) -> tuple[int, float]:
    """Return the nearest harmonic, 0 for the offset, and its distance in Hz."""
    k = min(max(round(line_hz / tone_hz), 0), highest)
    return k, abs(line_hz - k * tone_hz)


def separate(
    samples: NDArray[np.float64], window: Folded, fit: HarmonicFit, rate_hz: float, counted: int
) -> Separated:
    """Take out the mains lines that can be told from the tone.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        The window.
    window : Folded
        The same, folded.
    fit : HarmonicFit
        Its first fit.
    rate_hz : float
        Sample rate, Hz.
    counted : int
        Highest harmonic that THD counts.

    Returns
    -------
    Separated
    """
    residual = samples - _model(window, fit)
    spectrum = noise_spectrum(residual, rate_hz)
    family = max(
        (_family(spectrum, mains) for mains in MAINS_HZ),
        key=lambda f: sum(a * a for a in f.amplitudes.values()),
    )
    if not family.amplitudes:
        return Separated(fit, samples, None, residual, spectrum, 0.0, False, 0.0, 0.0)

    tone_hz = fit.w * rate_hz / (2.0 * math.pi)
    doubts, separable = _doubts(family, tone_hz, fit.order, counted, spectrum.bin_hz)
    clean, hum = samples, None
    if separable:
        fit, clean, hum, residual = _fit_in_turn(
            samples, window, fit, 2.0 * math.pi * family.mains_hz / rate_hz, separable
        )
        spectrum = noise_spectrum(residual, rate_hz)
    fundamental = doubts.pop(1, 0.0)
    return Separated(
        fit,
        clean,
        hum,
        residual,
        spectrum,
        max(family.amplitudes.values()),
        bool(fundamental or doubts),
        fundamental,
        math.sqrt(sum(d * d for d in doubts.values())),
    )


def _doubts(
    family: _Family, tone_hz: float, order: int, counted: int, bin_hz: float
) -> tuple[dict[int, float], tuple[int, ...]]:
    """Return what may be hum in each harmonic, and the lines that can be told apart."""
    largest = max(family.amplitudes.values())
    doubts: dict[int, float] = {}
    separable = []
    for multiple in range(1, max(family.amplitudes) + 1):
        line_hz = multiple * family.mains_hz
        seen = family.amplitudes.get(multiple)
        harmonic, distance_hz = _nearest(line_hz, tone_hz, order)
        apart = distance_hz >= FIT_BINS * bin_hz
        if seen is not None and apart:
            separable.append(multiple)
        if 1 <= harmonic <= counted and distance_hz < FLAG_BINS * bin_hz:
            if apart:
                share = 0.02 * (seen or 0.0)
            elif multiple == 1 or seen is not None:
                # Most of the line has gone into the harmonic; only its rest is seen.
                share = max(largest, 3.0 * (seen or 0.0))
            else:
                share = largest if multiple % 2 else 0.3 * largest
            if share > 0.0:
                doubts[harmonic] = math.hypot(doubts.get(harmonic, 0.0), share)
    return doubts, tuple(separable)


def _fit_in_turn(
    samples: NDArray[np.float64],
    window: Folded,
    fit: HarmonicFit,
    mains_w: float,
    lines: tuple[int, ...],
) -> tuple[HarmonicFit, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the last fit of the tone, samples less hum, hum, and what both leave."""
    model = _model(window, fit)
    for _ in range(ROUNDS):
        rest = fold(samples - model)
        found = fit_chosen(rest, mains_w, lines)
        if abs(found.w / mains_w - 1.0) < MAINS_TOLERANCE:
            mains_w = found.w
        hum = synthesise(window.cut, found.waves, found.phasors)
        clean = samples - hum
        before = fit
        window = fold(clean)
        fit = fit_tone(window, fit.w, refit=True)
        model = _model(window, fit)
        noise = fit.residual_energy / window.cut.n
        moved_amplitude = abs(abs(fit.phasors[0]) - abs(before.phasors[0]))
        if abs(fit.w - before.w) < 0.1 * math.sqrt(
            fit.var_w_ratio * noise
        ) and moved_amplitude < 0.1 * math.sqrt(fit.var_amplitude_ratio * noise):
            break
    return fit, clean, hum, clean - model
