"""Choice of a tone that mains hum cannot be mistaken for."""

from __future__ import annotations

import math
from dataclasses import dataclass

from levelset.errors import UsageError
from levelset.limits import require_between
from levelset.mains import distance_to_mains_hz

CLEARANCE_HZ = 3.0
"""Least distance of the tone and its harmonics to every multiple of the mains frequencies, Hz."""
CHECKED_MULTIPLES = 6
"""The tone itself and its first five harmonics (2nd to 6th)."""
BAND_HZ = (5.0, 100_000.0)
UPPER_TONE_HZ = 997.0
"""Standard tone of digital audio measurement (AES17, from memory); it keeps the clearance."""
CALIBRATION_CENTRE_HZ = 100.0
"""Multimeters are accurate on AC near here (common practice, no source)."""
_NEAR = 2.0 ** (1.0 / 6.0)
"""Within a sixth of an octave of the middle, the widest clearance counts more than the middle."""


@dataclass(frozen=True, slots=True)
class SetTone:
    """A tone for a pass band.

    Parameters
    ----------
    frequency_hz : float
        Frequency, Hz.
    mains_distance_hz : float
        Least distance of it and its first five harmonics to a multiple of 50 or 60 Hz, Hz.
    """

    frequency_hz: float
    mains_distance_hz: float

    @property
    def clear_of_mains(self) -> bool:
        """True where the distance is at least 3 Hz, so that hum can be told from the tone."""
        return self.mains_distance_hz >= CLEARANCE_HZ


def choose_set_tone(low_hz: float, high_hz: float) -> SetTone:
    """Return the set tone of a pass band.

    Where the band is an upper one (it holds 997 Hz well inside and 997 Hz lies within an octave
    of its geometric mean) the tone is 997 Hz. Else, of all tones that keep 3 Hz: the one with the
    widest distance within a sixth of an octave of the geometric mean, or where there is none the
    one nearest to the mean. Whole hertz come first, tenths where no whole one serves.

    Parameters
    ----------
    low_hz, high_hz : float
        Edges of the pass band, 5 to 100000 Hz; the tone itself stays at or below 20 kHz.

    Returns
    -------
    SetTone
        In the band. If the band holds no clear tone it is the widest distance there is, and
        ``clear_of_mains`` is False.

    Raises
    ------
    UsageError
        If the edges are out of range, not in order, or above 20 kHz altogether.
    """
    low_hz = require_between(low_hz, "lower edge of the pass band", *BAND_HZ, "Hz")
    high_hz = require_between(high_hz, "upper edge of the pass band", *BAND_HZ, "Hz")
    if not low_hz < high_hz:
        raise UsageError(
            f"pass band from {low_hz:g} to {high_hz:g} Hz is empty", "give the lower edge first"
        )
    high_hz = min(high_hz, 20_000.0)
    if not low_hz < high_hz:
        raise UsageError(
            f"pass band from {low_hz:g} Hz lies above 20000 Hz", "give a band that can be heard"
        )
    middle_hz = math.sqrt(low_hz * high_hz)
    inside = low_hz * 1.25 <= UPPER_TONE_HZ <= high_hz / 1.25
    if inside and abs(math.log2(UPPER_TONE_HZ / middle_hz)) <= 1.0:
        return _tone(UPPER_TONE_HZ)

    candidates: list[SetTone] = []
    for per_hz in (1, 10):
        # A clear whole number is never far: two octaves round the middle are plenty, and in a
        # narrower band the band is the limit.
        first = math.ceil(max(low_hz, middle_hz / 2.0) * per_hz)
        last = math.floor(min(high_hz, middle_hz * 2.0) * per_hz)
        step = max(1, (last - first) // 4000)
        candidates = [_tone(n / per_hz) for n in range(first, last + 1, step)]
        clear = [tone for tone in candidates if tone.clear_of_mains]
        near = [t for t in clear if middle_hz / _NEAR <= t.frequency_hz <= middle_hz * _NEAR]
        if near:
            return max(near, key=lambda t: (t.mains_distance_hz, -_octaves(t, middle_hz)))
        if clear:
            return min(clear, key=lambda t: _octaves(t, middle_hz))
    candidates.append(_tone(middle_hz))
    return max(candidates, key=lambda t: (t.mains_distance_hz, -_octaves(t, middle_hz)))


def calibration_tone_hz() -> float:
    """Return the tone to calibrate with: near 100 Hz and clear of mains by the same rule."""
    low_hz, high_hz = CALIBRATION_CENTRE_HZ / 2.0**0.25, CALIBRATION_CENTRE_HZ * 2.0**0.25
    return choose_set_tone(low_hz, high_hz).frequency_hz


def mains_distance_hz(frequency_hz: float) -> float:
    """Return the least distance of a tone and its first five harmonics to a mains multiple.

    Parameters
    ----------
    frequency_hz : float
        Frequency, Hz, above 0.

    Returns
    -------
    float
        Distance to the nearest multiple (from the first) of 50 or 60 Hz, Hz.
    """
    return min(distance_to_mains_hz(k * frequency_hz) for k in range(1, CHECKED_MULTIPLES + 1))


def _tone(frequency_hz: float) -> SetTone:
    return SetTone(frequency_hz, mains_distance_hz(frequency_hz))


def _octaves(tone: SetTone, middle_hz: float) -> float:
    return abs(math.log2(tone.frequency_hz / middle_hz))
