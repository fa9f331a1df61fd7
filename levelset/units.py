"""The only unit conversions; each name says both sides."""

from __future__ import annotations

import math

SQRT2 = math.sqrt(2.0)

DB_PER_NEPER = 20.0 / math.log(10.0)
"""A small relative change of an amplitude, in neper, as dB: 8.686 (ISO 80000-3, from memory)."""


def db_from_ratio(ratio: float) -> float:
    """Level in dB of an amplitude ratio: 20 lg(ratio), ratio > 0."""
    if not ratio > 0.0:
        raise ValueError(f"a level needs a ratio above 0, got {ratio}")
    return 20.0 * math.log10(ratio)


def ratio_from_db(db: float) -> float:
    """Amplitude ratio of a level in dB: 10**(db / 20)."""
    return float(10.0 ** (db / 20.0))


def rms_from_peak(peak: float) -> float:
    """RMS value of a sine with this peak."""
    return peak / SQRT2


def peak_from_rms(rms: float) -> float:
    """Peak of a sine with this RMS value."""
    return rms * SQRT2


def watts_from_volts(volts_rms: float, load_ohm: float) -> float:
    """Power into a resistive load: V**2 / R (watts, volts RMS, ohms > 0)."""
    if not load_ohm > 0.0:
        raise ValueError(f"load must be above 0 ohm, got {load_ohm}")
    return volts_rms * volts_rms / load_ohm
