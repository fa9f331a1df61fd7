"""Signals whose harmonics are known without the product: closed forms and quadrature.

Every signal is built from its Fourier series, so that nothing aliases.

Sources: the series of square, triangle and sawtooth and the THD of their whole series are in
I. Blagouchine and E. Moreau, "Analytic method for the computation of the total harmonic
distortion by the Cauchy method of residues", IEEE Trans. Commun. 59(9), 2011. The clipped sine is
the elementary Fourier integral of a cosine cut at ``A cos(phi)``.
"""

from __future__ import annotations

import math

import numpy as np


def clipped_cosine(count, upper_db=0.0, lower_db=0.0):
    """Harmonics 0 ... count of a unit cosine cut `upper_db` and `lower_db` below its peaks.

    E0 = (sin p - p cos p)/pi, E1 = (p - sin p cos p)/pi,
    En = 2 (sin np cos p - n cos np sin p)/(pi n (n^2 - 1)); the cap of the upper half is taken
    away, that of the lower half added with alternating sign.
    """

    def cap(db):
        p = math.acos(10.0 ** (-db / 20.0))
        n = np.arange(2.0, count + 1)
        higher = np.sin(n * p) * math.cos(p) - n * np.cos(n * p) * math.sin(p)
        first = [
            (math.sin(p) - p * math.cos(p)) / math.pi,
            (p - math.sin(p) * math.cos(p)) / math.pi,
        ]
        return np.concatenate((first, 2.0 * higher / (math.pi * n * (n * n - 1.0))))

    out = np.zeros(count + 1)
    out[1] = 1.0
    signs = np.where(np.arange(count + 1) % 2, 1.0, -1.0)
    return out - cap(upper_db) - signs * cap(lower_db)


def square(count):
    """Harmonics of a unit square wave in cosine phase: 4/(pi n), n odd, alternating."""
    n = np.arange(count + 1.0)
    n[0] = 1.0
    out = 4.0 / (math.pi * n) * np.sin(n * math.pi / 2.0)
    out[0] = 0.0
    return out


def triangle(count):
    """Harmonics of a unit triangle wave in cosine phase: 8/(pi n)^2, n odd."""
    n = np.arange(count + 1.0)
    n[0] = 1.0
    out = np.where(n % 2 == 1, 8.0 / (math.pi * n) ** 2, 0.0)
    out[0] = 0.0
    return out


def harmonics_of(curve, count, points=8192):
    """Harmonics 0 ... count of curve(cos t) by quadrature over one period."""
    values = curve(np.cos(np.arange(points) * (2.0 * math.pi / points)))
    lines = np.fft.rfft(values).real / points
    return np.concatenate((lines[:1], 2.0 * lines[1 : count + 1]))


def thd_percent(harmonics, highest):
    """THD over the fundamental of harmonics 2 ... highest, %."""
    part = np.asarray(harmonics[2 : highest + 1])
    return 100.0 * math.sqrt(float(np.square(np.abs(part)).sum())) / abs(harmonics[1])


def below_nyquist(frequency_hz, rate_hz):
    """Highest harmonic number below 0.49 of the rate."""
    return max(1, int(0.49 * rate_hz / frequency_hz))


def sampled(harmonics, frequency_hz, rate_hz, n, phase_rad=0.3):
    """Samples of Re sum h_k exp(j k (w t + phase)); the constant part included."""
    harmonics = np.asarray(harmonics, dtype=complex)
    z = np.exp(1j * (2.0 * math.pi * frequency_hz / rate_hz * np.arange(n) + phase_rad))
    out = np.zeros(n, dtype=complex)
    for h in harmonics[:0:-1]:
        out += h
        out *= z
    return out.real + harmonics[0].real


def coupling(poles_hz):
    """Transfer of an AC-coupled input: the product of jf / (jf + pole)."""

    def response(frequencies_hz):
        jf = 1j * np.asarray(frequencies_hz, dtype=float)
        out = np.ones(jf.shape, dtype=complex)
        for pole in poles_hz:
            out *= jf / (jf + pole)
        return out

    return response


def coupled(harmonics, frequency_hz, poles_hz):
    """The harmonics behind an AC-coupled input."""
    out = np.asarray(harmonics, dtype=complex).copy()
    out[0] = 0.0
    k = np.arange(1, out.size)
    out[1:] *= coupling(poles_hz)(k * frequency_hz)
    return out


def white_noise(rng, n, fundamental, snr_db):
    """White noise `snr_db` below a sine of peak `fundamental`."""
    return rng.normal(size=n) * (fundamental / math.sqrt(2.0) * 10.0 ** (-snr_db / 20.0))
