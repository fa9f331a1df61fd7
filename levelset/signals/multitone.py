"""Many tones at once, periodic and with known phases: a response in a few seconds."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

from levelset.limits import require_between
from levelset.mains import distance_to_mains_hz
from levelset.signals.signal import Component
from levelset.units import ratio_from_db

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PERIOD_S = 1.0
LOWEST_HZ, HIGHEST_HZ = 11.0, 20_100.0
PER_OCTAVE = 12
CLEARANCE_HZ = 3
"""Least distance of every tone to every multiple of the mains frequencies, Hz."""
PEAK_DBFS = (-80.0, 0.0)
_PHASE_STEPS = 256
_PHASES = bytes.fromhex(
    "64ffecbf146409304f2bab5df26fcdea8ad2cb6b57fe6927ff5372f05f9f45967963c6783739e758282080e223e9"
    "ad86997f07e0fd6cd4c05ec3b405c0c7fa034da74f935b09876ba90fb835bea6331e525f477307d875ee1794d6a6"
    "c9550be3347bab747262b33597479262b54db5747942b1b6ad123d8d3892"
)
"""Phase of every tone's cosine in 256th turns, found by a search for a low peak
(``tests/benchmarks/low_peak.py``): 8.0 dB above the RMS value, 5.0 dB above a sine's."""


@dataclass(frozen=True, slots=True)
class PeriodicTones:
    """Sines at multiples of one frequency.

    Parameters
    ----------
    name, purpose : str
        Plain name by purpose, and one line of what it is for.
    period_s : float
        Period, s; every frequency is a multiple of its inverse.
    components : tuple of Component
        The sines.
    """

    name: str
    purpose: str
    period_s: float
    components: tuple[Component, ...]

    @property
    def peak_fs(self) -> float:
        """Bound of its magnitude, at most 2 % above the true peak, full scale."""
        return _peak(self.period_s, self.components)

    @property
    def level_dbfs(self) -> float | None:
        """10 lg of the sum of squared peaks (AES17: a full-scale sine is 0 dBFS)."""
        power = sum(part.amplitude_fs**2 for part in self.components)
        return 10.0 * math.log10(power) if power > 0.0 else None

    @property
    def sines(self) -> tuple[tuple[float, float, float], ...]:
        """Frequency in Hz, amplitude in full scale and phase in rad of every sine."""
        return tuple((p.frequency_hz, p.amplitude_fs, p.phase_rad) for p in self.components)

    @property
    def highest_hz(self) -> float:
        """Highest frequency of its sines, Hz; 0 for silence."""
        return max((part.frequency_hz for part in self.components), default=0.0)

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the exact value in full scale at each time, s; shape (n,)."""
        import numpy as np

        value = np.zeros_like(time_s)
        for part in self.components:
            turns = part.frequency_hz * time_s
            value += part.amplitude_fs * np.sin(2.0 * np.pi * turns + part.phase_rad)
        return value

    def with_peak(self, peak_dbfs: float) -> PeriodicTones:
        """Return the same with its peak at a level over full scale, -80 to 0 dB."""
        peak_dbfs = require_between(peak_dbfs, "peak", *PEAK_DBFS, "dBFS")
        factor = ratio_from_db(peak_dbfs) / self.peak_fs
        parts = tuple(replace(p, amplitude_fs=p.amplitude_fs * factor) for p in self.components)
        return replace(self, components=parts)


def response_tones(name: str, purpose: str, peak_dbfs: float) -> PeriodicTones:
    """Return the tones that measure a response.

    Odd multiples of 1 Hz about a twelfth of an octave apart, at least 3 Hz from every multiple of
    50 and 60 Hz, all of the same level: distortion of even order falls on even multiples, of odd
    order on odd ones that are not played (the odd multisine of R. Pintelon and J. Schoukens,
    "System Identification: A Frequency Domain Approach", IEEE Press, 2001).

    Parameters
    ----------
    name, purpose : str
        As in `PeriodicTones`.
    peak_dbfs : float
        Peak over full scale, -80 to 0 dB.

    Returns
    -------
    PeriodicTones
        With a period of 1 s.

    Raises
    ------
    UsageError
        If the level is out of range.
    """
    turn = 2.0 * math.pi / _PHASE_STEPS
    parts = tuple(
        Component(float(f), 1.0 / len(_PHASES), turn * step + math.pi / 2.0)
        for f, step in zip(response_frequencies(), _PHASES, strict=True)
    )
    return PeriodicTones(name, purpose, PERIOD_S, parts).with_peak(peak_dbfs)


def clear_of_mains(frequency_hz: int, clearance_hz: int) -> bool:
    """Tell whether a whole frequency, Hz, keeps its distance to every multiple of 50 and 60 Hz."""
    return distance_to_mains_hz(frequency_hz) >= clearance_hz


@lru_cache(maxsize=1)
def response_frequencies() -> tuple[int, ...]:
    """Return the frequencies of `response_tones`, Hz, ascending."""
    chosen: set[int] = set()
    octaves = math.log2(HIGHEST_HZ / LOWEST_HZ)
    for place in range(int(octaves * PER_OCTAVE) + 1):
        wanted_hz = LOWEST_HZ * 2.0 ** (place / PER_OCTAVE)
        near = [
            k
            for k in range(max(int(wanted_hz) - 8, int(LOWEST_HZ)), int(wanted_hz) + 9)
            if k % 2 and k <= HIGHEST_HZ and k not in chosen and clear_of_mains(k, CLEARANCE_HZ)
        ]
        if not near:
            continue
        best = min(near, key=lambda k: abs(math.log(k / wanted_hz)))
        if abs(math.log2(best / wanted_hz)) <= 0.5 / PER_OCTAVE + 1.0 / wanted_hz:
            chosen.add(best)
    return tuple(sorted(chosen))


@lru_cache(maxsize=32)
def _peak(period_s: float, components: tuple[Component, ...]) -> float:
    """Return the largest sample of one period over ``cos(pi f / rate)``, f the highest frequency.

    No trigonometric polynomial is larger between its samples (H. Ehlich and K. Zeller, Math. Z.
    86, 1964).
    """
    import numpy as np

    if not components:
        return 0.0
    highest_hz = max(part.frequency_hz for part in components)
    points = 1 << math.ceil(math.log2(16.0 * highest_hz * period_s))
    lines = np.zeros(points // 2 + 1, dtype=np.complex128)
    for part in components:
        place = round(part.frequency_hz * period_s)
        lines[place] += part.amplitude_fs * np.exp(1j * part.phase_rad) / 2j
    period = np.fft.irfft(lines, points, norm="forward")
    bound = math.cos(math.pi * highest_hz * period_s / points)
    return float(np.abs(period).max()) / bound
