"""Target voltage of a channel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

from levelset.errors import UsageError
from levelset.limits import require_between
from levelset.plan.load import MAX_LOAD_OHM, MIN_LOAD_OHM

POWER_W = (0.1, 50_000.0)
"""Powers that a channel can have, W."""
SUPPLY_V = (5.0, 60.0)
"""Supply voltages of a vehicle, V."""
OVERLAP_DB = (0.0, 15.0)
"""Gain overlap in use by the trade, dB (common practice, no source)."""
RATED_THD = 0.01
"""THD at which mobile amplifiers are rated (CTA-2006, by public summaries)."""
_SAME_LOAD = 1e-6
"""Relative difference below which two loads are the same."""


@dataclass(frozen=True, slots=True)
class Rating:
    """Rated power of an amplifier channel at one load.

    Parameters
    ----------
    load_ohm : float
        Load, ohm.
    power_w : float
        Rated power, W.
    """

    load_ohm: float
    power_w: float


@dataclass(frozen=True, slots=True)
class Target:
    """Where the gain of a channel goes.

    Parameters
    ----------
    net_load_ohm : float
        Load as one resistance, ohm.
    power_w : float
        Power at that load, W.
    volts_rms : float
        sqrt(P * Z), V.
    clean_volts_rms : float
        Where a hard clipper rated at 1 % THD begins to clip: the amplifier's rated voltage
        / 1.0235, V. It does not change where the loudspeaker sets the target.
    tone_dbfs : float
        Level of the set tone: minus the gain overlap, dBFS.
    expected_clip_volts_rms : float or None
        ``clean_volts_rms`` scaled with the supply; None without both supplies.
    limited_by : {"target", "loudspeaker", "match"}
        Whether the amplifier's rating, the loudspeaker's, or a channel that it must match sets it.
    """

    net_load_ohm: float
    power_w: float
    volts_rms: float
    clean_volts_rms: float
    tone_dbfs: float
    expected_clip_volts_rms: float | None
    limited_by: Literal["target", "loudspeaker", "match"]


def target(
    power_w: float,
    net_load_ohm: float,
    *,
    supply_v: float | None = None,
    rated_supply_v: float | None = None,
    overlap_db: float,
) -> Target:
    """Return the target voltage of a channel from its rated power.

    Parameters
    ----------
    power_w : float
        Rated power at this load, 0.1 to 50000 W.
    net_load_ohm : float
        Load as one resistance, 0.1 to 10000 ohm.
    supply_v, rated_supply_v : float or None
        Supply voltage now and that of the rating, 5 to 60 V; None where not known.
    overlap_db : float
        Gain overlap, 0 to 15 dB: the set tone is recorded this far below full scale, the target
        voltage does not change.

    Returns
    -------
    Target
        Limited by ``"target"``.

    Raises
    ------
    UsageError
        If a number is out of range.

    Notes
    -----
    V = sqrt(P Z) (Joule's law). An unregulated amplifier clips in proportion to its supply
    (common practice, no source).
    """
    power_w = require_between(power_w, "power", *POWER_W, "W")
    net_load_ohm = require_between(net_load_ohm, "net load", MIN_LOAD_OHM, MAX_LOAD_OHM, "ohm")
    overlap_db = require_between(overlap_db, "gain overlap", *OVERLAP_DB, "dB")
    if supply_v is not None:
        supply_v = require_between(supply_v, "supply voltage", *SUPPLY_V, "V")
    if rated_supply_v is not None:
        rated_supply_v = require_between(rated_supply_v, "rated supply voltage", *SUPPLY_V, "V")
    volts = math.sqrt(power_w * net_load_ohm)
    clean = volts / rms_over_onset(RATED_THD)
    expected = None
    if supply_v is not None and rated_supply_v is not None:
        expected = clean * supply_v / rated_supply_v
    return Target(
        net_load_ohm=net_load_ohm,
        power_w=power_w,
        volts_rms=volts,
        clean_volts_rms=clean,
        tone_dbfs=0.0 - overlap_db,
        expected_clip_volts_rms=expected,
        limited_by="target",
    )


def rated_power_w(ratings: Sequence[Rating], net_load_ohm: float) -> float:
    """Return what an amplifier channel can deliver into a load, from the ratings on its label.

    Parameters
    ----------
    ratings : sequence of Rating
        At least one; each load once.
    net_load_ohm : float
        Load as one resistance, ohm.

    Returns
    -------
    float
        Power, W. Between two rated loads it follows from the lower of their two voltages, above
        the highest rated load from that rating's voltage: V**2 / Z.

    Raises
    ------
    UsageError
        If a rating is out of range or given twice, or the load is below the lowest rated one,
        which the amplifier is not made to bear.
    """
    if not ratings:
        raise UsageError("the channel has no rating", "give rated power and load from the label")
    for rating in ratings:
        require_between(rating.load_ohm, "rated load", MIN_LOAD_OHM, MAX_LOAD_OHM, "ohm")
        require_between(rating.power_w, "rated power", *POWER_W, "W")
    require_between(net_load_ohm, "net load", MIN_LOAD_OHM, MAX_LOAD_OHM, "ohm")
    ordered = sorted(ratings, key=lambda rating: rating.load_ohm)
    for low, high in zip(ordered, ordered[1:], strict=False):
        if _same_load(low.load_ohm, high.load_ohm):
            raise UsageError(
                f"two ratings for {low.load_ohm:g} ohm: {low.power_w:g} W and {high.power_w:g} W",
                "give every load once",
            )
    for rating in ordered:
        if _same_load(rating.load_ohm, net_load_ohm):
            return rating.power_w
    below = [rating for rating in ordered if rating.load_ohm < net_load_ohm]
    above = [rating for rating in ordered if rating.load_ohm > net_load_ohm]
    if not below:
        raise UsageError(
            f"net load of {net_load_ohm:g} ohm is below the lowest rated load, "
            f"{ordered[0].load_ohm:g} ohm",
            "wire the voice coils for a higher load or use another amplifier",
        )
    neighbours = [below[-1], *above[:1]]
    square_volts = min(rating.power_w * rating.load_ohm for rating in neighbours)
    return square_volts / net_load_ohm


@cache
def rms_over_onset(thd: float) -> float:
    """Return the RMS of a hard clipped sine of this THD over its RMS at the onset of clipping.

    Parameters
    ----------
    thd : float
        All harmonics over the fundamental, as a ratio, 0.0001 to 0.4.

    Returns
    -------
    float
        1.023477 for 1 %.

    Raises
    ------
    ValueError
        If the THD is outside these limits.

    Notes
    -----
    Fourier series of a sine of peak 1 clipped at c = sin a, both halves (integrate
    (2/pi) sin(t) min(sin t, c) over 0 to pi; Kreyszig, Advanced Engineering Mathematics, chapter
    on Fourier series, for the coefficients; from memory):

    fundamental b1 = (2/pi) (a + sin a cos a), mean square
    m = (2/pi) (a/2 - sin(2a)/4 + c**2 (pi/2 - a)), THD**2 = 2 m / b1**2 - 1 (Parseval),
    and at the onset the mean square is c**2 / 2.
    """
    if not 1e-4 <= thd <= 0.4:
        raise ValueError(f"THD must be 0.0001 to 0.4, got {thd}")
    low, high = 0.1, math.pi / 2.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _clipped(middle)[0] > thd:
            low = middle
        else:
            high = middle
    return _clipped(high)[1]


def _clipped(a: float) -> tuple[float, float]:
    """THD, and RMS over RMS at the onset, of a sine clipped at sin a."""
    c = math.sin(a)
    b1 = (2.0 / math.pi) * (a + c * math.cos(a))
    m = (2.0 / math.pi) * (a / 2.0 - math.sin(2.0 * a) / 4.0 + c * c * (math.pi / 2.0 - a))
    return math.sqrt(max(2.0 * m / (b1 * b1) - 1.0, 0.0)), math.sqrt(2.0 * m) / c


def _same_load(one_ohm: float, other_ohm: float) -> bool:
    return math.isclose(one_ohm, other_ohm, rel_tol=_SAME_LOAD)
