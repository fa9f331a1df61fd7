"""Files to be measured: written for a test, nothing from the product in them."""

from __future__ import annotations

import numpy as np
import soundfile

RATE_HZ = 48000


def tone(frequency_hz=97.0, seconds=2.0, level=0.5, rate_hz=RATE_HZ, noise=1e-4, seed=1, phase=0.4):
    """A sine in white noise, shape (n,)."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    x = level * np.sin(2.0 * np.pi * frequency_hz * t + phase)
    return x + noise * np.random.default_rng(seed).normal(size=t.size)


def write(path, samples, rate_hz=RATE_HZ, subtype="FLOAT"):
    """Write samples of shape (n,) or (n, channels) and return the path."""
    soundfile.write(path, samples, rate_hz, subtype=subtype)
    return path
