"""Frequencies of the mains: hum lies at their multiples, and test tones keep clear of them."""

from __future__ import annotations

MAINS_HZ = (50.0, 60.0)
"""Nominal frequencies (IEC 60196, from memory)."""
MAINS_TOLERANCE = 0.006
"""Part by which the mains are taken to be off at most; large grids stay well within (common
practice, no source)."""


def distance_to_mains_hz(frequency_hz: float) -> float:
    """Return how far a frequency above 0 is from the nearest multiple of 50 or 60 Hz, Hz."""
    return min(
        abs(frequency_hz - max(1, round(frequency_hz / mains_hz)) * mains_hz)
        for mains_hz in MAINS_HZ
    )
