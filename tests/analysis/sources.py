"""Random sources for the tests: what a player, a processor and a tap do to known sines.

Linear parts act on each sine by their closed-form transfer; a limiter acts on the waveform.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np


def waves(sines, gains, rate_hz, frames, ppm, start_s):
    """Sum of sines times complex gains, by a clock that is `ppm` fast, shape (frames,)."""
    f, a, p = np.array(sines).T
    keep = f * (1.0 + ppm * 1e-6) < 0.499 * rate_hz
    f, a, p, g = f[keep], a[keep], p[keep], np.asarray(gains)[keep]
    a, p = a * np.abs(g), p + np.angle(g)
    step = (1.0 + ppm * 1e-6) / rate_hz
    block = 512
    rows = -(-frames // block)
    left = 2.0 * np.pi * ((np.multiply.outer(start_s + np.arange(rows) * block * step, f)) % 1.0)
    right = 2.0 * np.pi * np.multiply.outer(f, np.arange(block) * step)
    left = np.concatenate((a * np.sin(left + p), a * np.cos(left + p)), axis=1)
    return (left @ np.concatenate((np.cos(right), np.sin(right)))).ravel()[:frames]


def butterworth(f, corner_hz, order, kind):
    """Analog prototype by its poles (S. Butterworth, 1930)."""
    s = 1j * f / corner_hz
    if kind == "high":
        s = 1.0 / s
    poles = np.exp(1j * np.pi * (2.0 * np.arange(1, order + 1) + order - 1.0) / (2.0 * order))
    return 1.0 / np.prod(s[:, None] - poles, axis=1)


def linkwitz_riley(f, corner_hz, order, kind):
    """Two Butterworth filters of half the order in a row (S. Linkwitz, 1976)."""
    return butterworth(f, corner_hz, order // 2, kind) ** 2


def bell(f, centre_hz, gain_db, q):
    """Analog prototype of the common digital equaliser: (s2 + s A/Q + 1)/(s2 + s/(A Q) + 1)."""
    s = 1j * f / centre_hz
    a = 10.0 ** (gain_db / 40.0)
    return (s * s + s * a / q + 1.0) / (s * s + s / (a * q) + 1.0)


def shelf(f, centre_hz, gain_db, order, end):
    """Tone control with half of its gain in dB at the centre, by zeros and poles.

    First order: ``(s + sqrt g) / (s + 1/sqrt g)``. Second order: the low shelf of the cookbook
    formulas with slope 1, ``A (s2 + sqrt A/Q s + A)/(A s2 + sqrt A/Q s + 1)``, ``Q = 1/sqrt 2`` (R.
    Bristow-Johnson, from memory). A treble control has s turned over.
    """
    s = 1j * f / centre_hz
    if end == "treble":
        s = 1.0 / s
    if order == 1:
        root = 10.0 ** (gain_db / 40.0)
        return (s + root) / (s + 1.0 / root)
    a = 10.0 ** (gain_db / 40.0)
    across = math.sqrt(2.0 * a)
    return a * (s * s + across * s + a) / (a * s * s + across * s + 1.0)


@dataclass
class Source:
    """One way from player to tap."""

    highpass: tuple | None = None  # (Hz, order, "butterworth" or "linkwitz_riley")
    lowpass: tuple | None = None
    bells: list = field(default_factory=list)  # (Hz, dB, q)
    shelves: list = field(default_factory=list)  # (Hz, dB, order, "bass" or "treble")
    gain_db: float = -20.0
    sign: float = 1.0
    delay_s: float = 0.0
    coupling_hz: tuple = ()

    def transfer(self, f):
        f = np.asarray(f, dtype=float)
        h = np.full(f.shape, self.sign * 10.0 ** (self.gain_db / 20.0), dtype=complex)
        for part, kind in ((self.highpass, "high"), (self.lowpass, "low")):
            if part is not None:
                corner, order, shape = part
                make = butterworth if shape == "butterworth" else linkwitz_riley
                h = h * make(f, corner, order, kind)
        for one in self.bells:
            h = h * bell(f, *one)
        for one in self.shelves:
            h = h * shelf(f, *one)
        for pole in self.coupling_hz:
            h = h * (1j * f / (1j * f + pole))
        return h * np.exp(-2j * np.pi * f * self.delay_s)


def random_source(draw, sub: bool = False) -> Source:
    """Equalised, with tone controls, coupled, delayed, reversed; with `sub` a low-passed tap."""

    def one(*items):
        return items[int(draw.integers(len(items)))]

    def filtered(low, high):
        corner = float(np.exp(draw.uniform(math.log(low), math.log(high))))
        shape = one("butterworth", "linkwitz_riley")
        return corner, one(1, 2, 3, 4) if shape == "butterworth" else one(2, 4), shape

    source = Source(
        gain_db=float(draw.uniform(-50.0, -6.0)),
        sign=one(1.0, -1.0),
        delay_s=float(draw.uniform(0.0, 0.2)),
        coupling_hz=tuple(draw.uniform(0.5, 8.0, int(draw.integers(1, 3)))),
    )
    if sub:
        source.lowpass = filtered(80.0, 150.0)
    else:
        if draw.random() < 0.6:
            source.highpass = filtered(20.0, 300.0)
        if draw.random() < 0.3:
            source.lowpass = filtered(2000.0, 12_000.0)
    for _ in range(int(draw.integers(0, 5))):
        source.bells.append(
            (
                float(np.exp(draw.uniform(math.log(40.0), math.log(10_000.0)))),
                float(draw.uniform(-9.0, 9.0)),
                float(draw.uniform(0.5, 3.0)),
            )
        )
    for end, low_hz, high_hz in (("bass", 60.0, 300.0), ("treble", 2000.0, 8000.0)):
        if not sub and draw.random() < 0.25:
            centre_hz = float(np.exp(draw.uniform(math.log(low_hz), math.log(high_hz))))
            source.shelves.append((centre_hz, float(draw.uniform(-9.0, 9.0)), one(1, 2), end))
    return source


def limited(x, kind, threshold):
    """A limiter that is part of the source: hard, or soft by tanh."""
    if kind == "hard":
        return np.clip(x, -threshold, threshold)
    return threshold * np.tanh(x / threshold)
