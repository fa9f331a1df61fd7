"""Where clipping begins, from readings taken while the knob moves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from levelset.analysis.clipped_sine import ClippedSine
from levelset.analysis.result import Clipping
from levelset.probe.reading import Reading
from levelset.procedures.steady import ClippingWatch, over_limit
from levelset.quantity import Quantity
from levelset.units import SQRT2, db_from_ratio, ratio_from_db

BRACKET_DB = 0.15
"""The onset of a soft limit is narrowed down to this, dB."""

EDGE_HARMONICS = range(7, 22)
"""Harmonics that tell an edge from a bend; an amplifier's own low-order distortion is below."""

EDGE_APART = 0.25
"""How far they may be from those of a hard clipped sine, as a part of these."""

STILL = 0.003
"""Two successive readings whose voltages differ by less than this part: the knob stands still."""

CONTRADICTED = 0.99
"""A flat top's voltage is no onset when THD is over the limit below this part of it."""


@dataclass(frozen=True, slots=True)
class Onset:
    """Where clipping begins.

    Parameters
    ----------
    volts_rms : Quantity
        Voltage of the largest sine that is not clipped, V.
    kind : {"flat", "limit"}
        Found from the flat top, or as the level where THD meets the limit.
    """

    volts_rms: Quantity
    kind: Literal["flat", "limit"]


class OnsetSearch:
    """Collects readings until the onset is known.

    A flat top tells its own voltage: one confirmed sight is enough. A soft limit has no edge; its
    onset is the level at which THD meets the limit, narrowed down between a clean level and one
    above the limit.

    Parameters
    ----------
    limit_percent : float
        THD limit, %.
    """

    close_enough_db = BRACKET_DB / 3.0

    def __init__(self, limit_percent: float) -> None:
        self._limit_percent = limit_percent
        self._clipping = ClippingWatch(limit_percent)
        self._clean_v = 0.0
        self._over_v = float("inf")
        self._over_seen = False
        self._last_v = 0.0
        self.onset: Onset | None = None
        self.clipped: Reading | None = None

    def add(self, one: Reading) -> None:
        """Take the next reading that is not void and has volts."""
        volts = one.volts_rms
        if volts is None:
            return
        self._clipping.add(one)
        still = abs(math.log(volts.value / self._last_v)) < STILL if self._last_v else False
        self._last_v = volts.value
        if self._clipping.confirmed:
            self._over_seen = True
            self.clipped = one
            flat = [flat_onset(r) for r in self._clipping.consecutive]
            if None not in flat:
                self.onset = _surer(self.onset, flat[-1])
                return
            if still:
                self._over_v = min(self._over_v, volts.value)
            if self.onset is not None and self._over_v < CONTRADICTED * self.onset.volts_rms.value:
                self.onset = None
        elif (
            still
            and not self._clipping.suspected
            and not over_limit(one, self._limit_percent, doubtful=True)
        ):
            self._clean_v = max(self._clean_v, volts.value)
        if self.onset is None and self._over_seen and self._narrow:
            middle = (self._clean_v + self._over_v) / 2.0
            half = abs(self._over_v - self._clean_v) / 2.0
            u = (half * half + volts.u * volts.u) ** 0.5
            self.onset = Onset(Quantity(middle, u, "V"), "limit")

    @property
    def undecided(self) -> bool:
        """True while clipping is suspected, or seen and its onset not known yet."""
        if self.onset is not None:
            return False
        return self._over_seen or self._clipping.suspected

    @property
    def suspected(self) -> bool:
        """True when the newest reading shows clipping."""
        return self._clipping.suspected

    @property
    def wanted_v_rms(self) -> float | None:
        """Voltage to look at next; None to stay."""
        if not self._over_seen or self.onset is not None or self._over_v == float("inf"):
            return None
        if self._clipping.suspected and not self._clipping.confirmed:
            return None
        if self._clean_v <= 0.0:
            return self._over_v / 1.5
        return math.sqrt(self._clean_v * self._over_v)

    @property
    def _narrow(self) -> bool:
        if not 0.0 < self._clean_v < float("inf") or self._over_v == float("inf"):
            return False
        if self._clean_v >= self._over_v:
            return True
        return db_from_ratio(self._over_v / self._clean_v) <= BRACKET_DB


def flat_onset(one: Reading) -> Onset | None:
    """Return the largest unclipped sine from the flat top of a reading.

    The flat level is the peak of that sine; the lower of the two halves counts. A soft limit looks
    flat too when it is driven hard, but its top tells no onset.
    """
    tone, volts = one.tone, one.volts_rms
    clipping = tone.clipping
    if clipping is None or clipping.overdrive_db is None or volts is None:
        return None
    if tone.amplitude_fs is None:
        return None
    edge_fs = _edge_fs(clipping)
    sine = ClippedSine(
        edge_fs.value * ratio_from_db(clipping.overdrive_db.value),
        None if clipping.upper_fs is None else abs(clipping.upper_fs.value),
        None if clipping.lower_fs is None else abs(clipping.lower_fs.value),
    )
    if not _clips_hard(sine, tone.harmonics_percent):
        return None
    volts_per_fs = volts.value * SQRT2 / tone.amplitude_fs.value
    value = edge_fs.value * volts_per_fs / SQRT2
    relative = ((edge_fs.u / edge_fs.value) ** 2 + (volts.u / volts.value) ** 2) ** 0.5
    return Onset(Quantity(value, value * relative, "V"), "flat")


def exceeds_edge(one: Reading, clipped: Reading) -> bool:
    """Tell whether a sine is surely higher than the flat tops of a louder one of its frequency.

    So little of its tops is cut that noise may hide it; the level shows it all the same. Harmonics
    may lower the tops by as much as they are.
    """
    tone, clipping = one.tone, clipped.tone.clipping
    if tone.amplitude_fs is None or tone.thd_percent is None:
        return False
    if clipping is None or flat_onset(clipped) is None:
        return False
    lowest_fs = tone.amplitude_fs.low * (1.0 - 0.01 * tone.thd_percent.value)
    return lowest_fs > _edge_fs(clipping).high


def _edge_fs(clipping: Clipping) -> Quantity:
    """Return the level of the flat top that is nearer to the middle, full scale."""
    tops = [flat for flat in (clipping.upper_fs, clipping.lower_fs) if flat is not None]
    return min((Quantity(abs(flat.value), flat.u, "FS") for flat in tops), key=lambda q: q.value)


def _clips_hard(sine: ClippedSine, harmonics_percent: tuple[float, ...]) -> bool:
    """Tell whether the high harmonics are those of an edge."""
    numbers = [n for n in EDGE_HARMONICS if n - 2 < len(harmonics_percent)]
    edge = [sine.harmonic_percent(n) for n in numbers]
    apart = math.dist([harmonics_percent[n - 2] for n in numbers], edge)
    return apart < EDGE_APART * math.hypot(*edge)


def _surer(known: Onset | None, found: Onset | None) -> Onset | None:
    if known is None or (found is not None and found.volts_rms.u < known.volts_rms.u):
        return found
    return known
