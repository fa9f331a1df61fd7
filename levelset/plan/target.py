"""Target voltage of a channel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


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
        Where a hard clipper rated at 1 % THD begins to clip: volts / 1.0235, V.
    tone_dbfs : float
        Level of the set tone: minus the gain overlap, dBFS.
    expected_clip_volts_rms : float or None
        ``clean_volts_rms`` scaled with the supply; None without both supplies.
    limited_by : {"target", "loudspeaker"}
        Whether the amplifier's rating or the loudspeaker's sets it.
    """

    net_load_ohm: float
    power_w: float
    volts_rms: float
    clean_volts_rms: float
    tone_dbfs: float
    expected_clip_volts_rms: float | None
    limited_by: Literal["target", "loudspeaker"]
