"""A divider of given parts: ratio, corners, noise, dissipation and what it bears."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from levelset.probe.uncertainty import expanded_uncertainty, from_limits
from levelset.quantity import Quantity
from levelset.units import db_from_ratio, ratio_from_db, rms_from_peak

if TYPE_CHECKING:
    from levelset.probe.requirement import Requirement

GROUND_LEAD_OHM = 1000.0
HEADROOM_DB = 1.0
"""A peak above -1 dBFS counts as an overload, so that much of full scale is not used."""
DERATING = 0.5
"""A resistor is used up to this part of its rated power (common practice, no source)."""
R_TOLERANCE, C_TOLERANCE, CABLE_TOLERANCE = 0.01, 0.10, 0.20
"""Tolerances of resistors, capacitors and a cable's stated capacitance, as ratios."""
BOLTZMANN_J_PER_K = 1.380649e-23
ROOM_K = 300.0
NOISE_BAND_HZ = 20_000.0


@dataclass(frozen=True, slots=True)
class DividerRange:
    """One range of the probe; every tip has the same values.

    Parameters
    ----------
    name : {"low", "high"}
        About 10:1 for taps, lines and noise; about 100:1 or more for amplifier outputs.
    r1_count : int
        Resistors in series that make R1, equal.
    r1_each_ohm, r2_ohm : float
        Values from E24, ohm.
    c_pf : float or None
        Capacitor across R2 from E12, pF; None where the cable is enough.
    ratio : float
        Volts at the output over volts at the input in mid band, input impedance counted.
    volts_per_full_scale : float
        Peak volts at the output per full scale, V.
    readable_v_peak : float
        Largest voltage that stays 1 dB below full scale, V.
    stated_v_peak : float
        Largest voltage that the resistors of a tip bear, V.
    r1_each_v_peak, r1_each_w, r2_w : float
        Voltage and worst dissipation (DC or a square wave) at the largest voltage asked for.
    noise_v_rms : float
        Noise floor at the output, 20 Hz to 20 kHz, V.
    low_corner_hz : float
        -3 dB by the input's coupling capacitor with the probe as its source, Hz; 0 where DC
        coupled.
    high_corner_hz : Quantity
        -3 dB by C and cable, with the tolerance of parts and cable, Hz.
    loss_20k_db : float
        Loss at 20 kHz, dB.
    ground_lead_ratio : float
        Ground lead's resistor over the whole resistance of a tip.
    """

    name: Literal["low", "high"]
    r1_count: int
    r1_each_ohm: float
    r2_ohm: float
    c_pf: float | None
    ratio: float
    volts_per_full_scale: float
    readable_v_peak: float
    stated_v_peak: float
    r1_each_v_peak: float
    r1_each_w: float
    r2_w: float
    noise_v_rms: float
    low_corner_hz: float
    high_corner_hz: Quantity
    loss_20k_db: float
    ground_lead_ratio: float

    @property
    def r1_ohm(self) -> float:
        """Whole resistance between tip and R2, ohm."""
        return self.r1_count * self.r1_each_ohm


@dataclass(frozen=True, slots=True)
class Parts:
    """Values of one tip with what follows from them by Ohm's and Kirchhoff's laws.

    Parameters
    ----------
    count : int
        Resistors in series that make R1.
    each_ohm, r2_ohm : float
        Values of one of them and of R2, ohm.
    pin_ohm : float
        Input impedance across R2, ohm.
    """

    count: int
    each_ohm: float
    r2_ohm: float
    pin_ohm: float

    @property
    def r1_ohm(self) -> float:
        """Whole resistance between tip and R2, ohm."""
        return self.count * self.each_ohm

    @property
    def lower_ohm(self) -> float:
        """R2 with the input impedance across it."""
        return across(self.r2_ohm, self.pin_ohm)

    @property
    def node_ohm(self) -> float:
        """What the capacitance across R2 sees."""
        return across(self.r1_ohm, self.lower_ohm)

    @property
    def whole_ohm(self) -> float:
        """From tip to the probe's ground, ohm."""
        return self.r1_ohm + self.lower_ohm


def ratio_of(need: Requirement, parts: Parts) -> float:
    """Return volts at the output over volts at the input in mid band."""
    # Between two tips the ground lead carries nothing; one tip's current returns through it.
    ground = GROUND_LEAD_OHM if need.tips == "one" else 0.0
    return (parts.whole_ohm + ground) / parts.lower_ohm


def stated_v(need: Requirement, parts: Parts) -> float:
    """Voltage at a tip at which one resistor of R1 reaches its voltage or its derated power."""
    by_power = math.sqrt(DERATING * need.resistor_w * parts.each_ohm)
    return min(need.resistor_v, by_power) * parts.whole_ohm / parts.each_ohm


def describe(
    need: Requirement, name: Literal["low", "high"], parts: Parts, c_pf: float | None
) -> DividerRange:
    """Return what a divider of these parts does.

    Parameters
    ----------
    need : Requirement
        What it is connected to.
    name : {"low", "high"}
        Its range.
    parts : Parts
        Its resistors.
    c_pf : float or None
        Capacitor across R2, pF; None where there is none.

    Notes
    -----
    Resistor noise: 4 k T R B (Johnson and Nyquist, 1928).
    """
    ratio = ratio_of(need, parts)
    scale_v = ratio * need.full_scale_v_peak
    each_v = need.max_volts * parts.each_ohm / parts.whole_ohm
    r2_v = need.max_volts * parts.lower_ohm / parts.whole_ohm
    corner = _high_corner(need, parts, c_pf or 0.0)
    source_ohm = across(parts.r1_ohm, parts.r2_ohm)
    return DividerRange(
        name=name,
        r1_count=parts.count,
        r1_each_ohm=parts.each_ohm,
        r2_ohm=parts.r2_ohm,
        c_pf=c_pf,
        ratio=ratio,
        volts_per_full_scale=scale_v,
        readable_v_peak=scale_v * ratio_from_db(-HEADROOM_DB),
        stated_v_peak=stated_v(need, parts),
        r1_each_v_peak=each_v,
        r1_each_w=each_v**2 / parts.each_ohm,
        r2_w=r2_v**2 / parts.r2_ohm,
        noise_v_rms=_noise_v(need, parts, ratio),
        low_corner_hz=need.coupling_hz * parts.pin_ohm / (parts.pin_ohm + source_ohm),
        high_corner_hz=corner,
        loss_20k_db=0.5 * db_from_ratio(1.0 + (20_000.0 / corner.value) ** 2),
        ground_lead_ratio=GROUND_LEAD_OHM / parts.whole_ohm,
    )


def _noise_v(need: Requirement, parts: Parts, ratio: float) -> float:
    channels = 2 if need.tips == "two" else 1
    nodes = 1 if need.tips == "one" else 2
    converter = rms_from_peak(need.full_scale_v_peak) * ratio_from_db(need.noise_dbfs)
    resistors_square = 4.0 * BOLTZMANN_J_PER_K * ROOM_K * parts.node_ohm * NOISE_BAND_HZ
    return ratio * math.sqrt(channels * converter**2 + nodes * resistors_square)


def _high_corner(need: Requirement, parts: Parts, c_pf: float) -> Quantity:
    total_pf = c_pf + need.cable_pf
    value = 1.0 / (2.0 * math.pi * parts.node_ohm * total_pf * 1e-12)
    relative = expanded_uncertainty(
        (
            from_limits("resistors", 1.0, R_TOLERANCE),
            from_limits("capacitor", 1.0, C_TOLERANCE * c_pf / total_pf),
            from_limits("cable", 1.0, CABLE_TOLERANCE * need.cable_pf / total_pf),
        )
    )
    return Quantity(value, value * relative, "Hz")


def across(one_ohm: float, other_ohm: float) -> float:
    """Return two resistances in parallel, ohm."""
    return one_ohm * other_ohm / (one_ohm + other_ohm)
