"""Design of the resistor probe: values from the shops' series, and what they can do.

One tip::

    tip o--[ R1 ]--+-----o input          R1 may be several resistors in series
                   |                      C and the cable's capacitance lie across R2
               [R2] = C
                   |
    clip o--[ 1k ]-+-----o input ground

Two tips share the ground lead; on a balanced input each pin has its own R1, R2 and C.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from levelset.errors import UsageError
from levelset.probe.preferred import E12, E24, preferred
from levelset.probe.uncertainty import expanded_uncertainty, from_limits
from levelset.quantity import Quantity
from levelset.units import db_from_ratio, ratio_from_db, rms_from_peak

Tips = Literal["one", "two", "balanced"]
"""One tip, two tips on two channels, or two tips on both pins of one balanced channel."""

GROUND_LEAD_OHM = 1000.0
R1_OHM = (100_000.0, 2_000_000.0)
"""The lower limit bounds every current through a tip without a clamp."""
R2_OHM = (470.0, 10_000.0)
"""The upper limit keeps the corner of the cable's capacitance above the audio band."""
CORNER_HZ = (60_000.0, 100_000.0)
"""The corner keeps class-D residue out and 20 kHz in."""
LOW_RATIO = 10.0
HIGH_RATIO = 100.0
HEADROOM_DB = 1.0
"""A peak above -1 dBFS counts as an overload, so that much of full scale is not used."""
DERATING = 0.5
"""A resistor is used up to this part of its rated power (common practice, no source)."""
BOLTZMANN_J_PER_K = 1.380649e-23
ROOM_K = 300.0
NOISE_BAND_HZ = 20_000.0
MAX_TOUCH_V_PEAK = 42.4
"""Above 30 V RMS terminals are hazardous to touch (ISO 6469-3 class limits, from memory)."""
_R_TOLERANCE, _C_TOLERANCE, _CABLE_TOLERANCE = 0.01, 0.10, 0.20
_CLOSE = 0.05
_PER_RESISTOR = 0.03
_HANDIEST_R1_OHM = 1_000_000.0


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
class Requirement:
    """What the probe is for and what it is connected to.

    Parameters
    ----------
    tips : Tips
        One tip, two tips, or two tips on a balanced input.
    max_volts : float
        Largest voltage at a tip, 1 to 400 V peak.
    full_scale_v_peak : float
        Peak volts at the input per full scale, 0.05 to 30 V (between the pins where balanced).
    input_impedance_ohm : float
        Of the input, 2 kohm to 100 Mohm (between the pins where balanced).
    cable_pf : float
        Capacitance of the cable and the input from each tip's R2 on, 0 to 3000 pF.
    coupling_hz : float
        Corner of the input's coupling capacitor from a source of low impedance, 0 to 40 Hz; 0
        where DC coupled.
    noise_dbfs : float
        Noise of the input, -160 to -40 dBFS (AES17).
    resistor_v, resistor_w : float
        Rated working voltage (V) and power (W) of one resistor, from its data sheet: 50 to 2000 V,
        0.05 to 5 W.

    Raises
    ------
    UsageError
        If a number is out of range.
    """

    tips: Tips
    max_volts: float
    full_scale_v_peak: float
    input_impedance_ohm: float
    cable_pf: float
    coupling_hz: float
    noise_dbfs: float
    resistor_v: float
    resistor_w: float

    def __post_init__(self) -> None:
        if self.tips not in ("one", "two", "balanced"):
            raise UsageError(f"no such kind of probe: {self.tips!r:.40}", "one, two or balanced")
        for value, what, low, high, unit in (
            (self.max_volts, "largest voltage", 1.0, 400.0, "V peak"),
            (self.full_scale_v_peak, "full scale", 0.05, 30.0, "V peak"),
            (self.input_impedance_ohm, "input impedance", 2e3, 100e6, "ohm"),
            (self.cable_pf, "capacitance of the cable", 0.0, 3000.0, "pF"),
            (self.coupling_hz, "corner of the input", 0.0, 40.0, "Hz"),
            (self.noise_dbfs, "noise of the input", -160.0, -40.0, "dBFS"),
            (self.resistor_v, "rated voltage of a resistor", 50.0, 2000.0, "V"),
            (self.resistor_w, "rated power of a resistor", 0.05, 5.0, "W"),
        ):
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise UsageError(f"{what} is not a number: {value!r:.40}", f"give {unit}")
            if not low <= value <= high:
                raise UsageError(
                    f"{what} of {value:g} {unit} is out of range",
                    f"give {low:g} to {high:g} {unit}",
                )

    @property
    def pin_impedance_ohm(self) -> float:
        """Input impedance that lies across each R2, ohm."""
        return self.input_impedance_ohm / (2.0 if self.tips == "balanced" else 1.0)


@dataclass(frozen=True, slots=True)
class ProbeDesign:
    """Both ranges of a probe.

    Parameters
    ----------
    requirement : Requirement
        What it was designed for.
    low, high : DividerRange
        The ranges.
    ground_lead_ohm : float
        Resistor in the ground lead, ohm.
    hazardous : bool
        True where the largest voltage is hazardous to touch.
    remarks : tuple of str
        What the person should know about this choice, in full sentences.
    """

    requirement: Requirement
    low: DividerRange
    high: DividerRange
    ground_lead_ohm: float
    hazardous: bool
    remarks: tuple[str, ...]


def design_probe(requirement: Requirement) -> ProbeDesign:
    """Choose the parts of both ranges.

    Parameters
    ----------
    requirement : Requirement
        What the probe is for.

    Returns
    -------
    ProbeDesign
        The low range is as near to 10:1 as the limits of R1 and R2 allow; the high range is 100:1,
        or as much more as the largest voltage needs. Both bear the largest voltage.

    Raises
    ------
    UsageError
        If no parts of the series do it.

    Notes
    -----
    Dividers, corners and dissipation: Ohm's and Kirchhoff's laws. Resistor noise: 4 k T R B
    (Johnson and Nyquist, 1928).
    """
    usable_v = requirement.full_scale_v_peak * ratio_from_db(-HEADROOM_DB)
    needed = requirement.max_volts / usable_v
    low = _choose(requirement, "low", LOW_RATIO, at_least=1.0)
    high = _choose(requirement, "high", max(HIGH_RATIO, needed), at_least=needed)
    return ProbeDesign(
        requirement=requirement,
        low=low,
        high=high,
        ground_lead_ohm=GROUND_LEAD_OHM,
        hazardous=requirement.max_volts > MAX_TOUCH_V_PEAK,
        remarks=tuple(_remarks(requirement, low)),
    )


@dataclass(frozen=True, slots=True)
class _Parts:
    """Values under trial with what follows from them."""

    count: int
    each_ohm: float
    r2_ohm: float
    pin_ohm: float

    @property
    def r1_ohm(self) -> float:
        return self.count * self.each_ohm

    @property
    def lower_ohm(self) -> float:
        """R2 with the input impedance across it."""
        return _across(self.r2_ohm, self.pin_ohm)

    @property
    def node_ohm(self) -> float:
        """What the capacitance across R2 sees."""
        return _across(self.r1_ohm, self.lower_ohm)

    @property
    def whole_ohm(self) -> float:
        return self.r1_ohm + self.lower_ohm


def _choose(
    need: Requirement, name: Literal["low", "high"], wanted: float, *, at_least: float
) -> DividerRange:
    best: tuple[tuple[float, float], _Parts, float | None] | None = None
    for parts in _candidates(need):
        ratio = _ratio(need, parts)
        if ratio < at_least:
            continue
        capacitor = _capacitor_pf(need, parts)
        if capacitor is None:
            continue
        # Within 5 % of the wish all ratios are alike, since the calibration finds the exact one;
        # then the larger R1 loads and disturbs less, up to where stray capacitance counts. A
        # further resistor to solder must bring the ratio 3 % nearer.
        off = max(abs(math.log(ratio / wanted)), _CLOSE) + _PER_RESISTOR * (parts.count - 1)
        order = (off, abs(math.log(parts.r1_ohm / _HANDIEST_R1_OHM)))
        if best is None or order < best[0]:
            best = (order, parts, capacitor or None)
    if best is None:
        raise UsageError(
            f"no probe of the {name} range fits {need.max_volts:g} V peak, full scale "
            f"{need.full_scale_v_peak:g} V, {need.cable_pf:g} pF",
            "use a shorter cable, an input with a larger full scale, or resistors for more voltage",
        )
    return _describe(need, name, best[1], best[2])


def _candidates(need: Requirement) -> Iterator[_Parts]:
    for r2_ohm in preferred(E24, *R2_OHM):
        for each_ohm in preferred(E24, R1_OHM[0] / 10.0, R1_OHM[1]):
            for count in range(1, 11):
                parts = _Parts(count, each_ohm, r2_ohm, need.pin_impedance_ohm)
                if R1_OHM[0] <= parts.r1_ohm <= R1_OHM[1] and _bears(need, parts):
                    yield parts
                    break  # more resistors of this value only make another R1


def _bears(need: Requirement, parts: _Parts) -> bool:
    return need.max_volts <= _stated_v(need, parts)


def _stated_v(need: Requirement, parts: _Parts) -> float:
    """Voltage at a tip at which one resistor of R1 reaches its voltage or its derated power."""
    by_power = math.sqrt(DERATING * need.resistor_w * parts.each_ohm)
    return min(need.resistor_v, by_power) * parts.whole_ohm / parts.each_ohm


def _ratio(need: Requirement, parts: _Parts) -> float:
    # Between two tips the ground lead carries nothing; one tip's current returns through it.
    ground = GROUND_LEAD_OHM if need.tips == "one" else 0.0
    return (parts.whole_ohm + ground) / parts.lower_ohm


def _capacitor_pf(need: Requirement, parts: _Parts) -> float | None:
    """Capacitor for the corner; 0 where the cable is enough, None where nothing fits."""
    wanted_pf = 1e12 / (2.0 * math.pi * parts.node_ohm * math.sqrt(CORNER_HZ[0] * CORNER_HZ[1]))
    fitting = []
    for c_pf in (0.0, *preferred(E12, 10.0, 10_000.0)):
        # The corner stays within its limits at the ends of all tolerances.
        least = c_pf * (1.0 - _C_TOLERANCE) + need.cable_pf * (1.0 - _CABLE_TOLERANCE)
        most = c_pf * (1.0 + _C_TOLERANCE) + need.cable_pf * (1.0 + _CABLE_TOLERANCE)
        highest = 1e12 / (2.0 * math.pi * parts.node_ohm * (1.0 - _R_TOLERANCE) * max(least, 1e-9))
        lowest = 1e12 / (2.0 * math.pi * parts.node_ohm * (1.0 + _R_TOLERANCE) * max(most, 1e-9))
        if CORNER_HZ[0] <= lowest and highest <= CORNER_HZ[1]:
            fitting.append(c_pf)
    return min(fitting, key=lambda c: abs(c + need.cable_pf - wanted_pf), default=None)


def _remarks(need: Requirement, low: DividerRange) -> Iterator[str]:
    if low.readable_v_peak >= need.max_volts:
        yield (
            f"The low range alone reads {low.readable_v_peak:.0f} V peak: the high range is not "
            "needed for this input."
        )
    if low.ratio > 1.5 * LOW_RATIO:
        yield (
            f"The low range is {low.ratio:.0f}:1, not about {LOW_RATIO:g}:1: R1 must not be "
            "smaller, and R2 is held down by the cable's capacitance and the input's impedance. A "
            "shorter cable or another input lowers the noise."
        )
    if need.max_volts > MAX_TOUCH_V_PEAK:
        yield (
            f"{need.max_volts:g} V peak is hazardous to touch: insulate tips and resistors for it, "
            "place the tips with the amplifier off. Local electrical codes and licensed practice "
            "come first."
        )


def _describe(
    need: Requirement, name: Literal["low", "high"], parts: _Parts, c_pf: float | None
) -> DividerRange:
    ratio = _ratio(need, parts)
    scale_v = ratio * need.full_scale_v_peak
    each_v = need.max_volts * parts.each_ohm / parts.whole_ohm
    r2_v = need.max_volts * parts.lower_ohm / parts.whole_ohm
    corner = _high_corner(need, parts, c_pf or 0.0)
    source_ohm = _across(parts.r1_ohm, parts.r2_ohm)
    return DividerRange(
        name=name,
        r1_count=parts.count,
        r1_each_ohm=parts.each_ohm,
        r2_ohm=parts.r2_ohm,
        c_pf=c_pf,
        ratio=ratio,
        volts_per_full_scale=scale_v,
        readable_v_peak=scale_v * ratio_from_db(-HEADROOM_DB),
        stated_v_peak=_stated_v(need, parts),
        r1_each_v_peak=each_v,
        r1_each_w=each_v**2 / parts.each_ohm,
        r2_w=r2_v**2 / parts.r2_ohm,
        noise_v_rms=_noise_v(need, parts, ratio),
        low_corner_hz=need.coupling_hz * parts.pin_ohm / (parts.pin_ohm + source_ohm),
        high_corner_hz=corner,
        loss_20k_db=0.5 * db_from_ratio(1.0 + (20_000.0 / corner.value) ** 2),
        ground_lead_ratio=GROUND_LEAD_OHM / parts.whole_ohm,
    )


def _noise_v(need: Requirement, parts: _Parts, ratio: float) -> float:
    channels = 2 if need.tips == "two" else 1
    nodes = 1 if need.tips == "one" else 2
    converter = rms_from_peak(need.full_scale_v_peak) * ratio_from_db(need.noise_dbfs)
    resistors_square = 4.0 * BOLTZMANN_J_PER_K * ROOM_K * parts.node_ohm * NOISE_BAND_HZ
    return ratio * math.sqrt(channels * converter**2 + nodes * resistors_square)


def _high_corner(need: Requirement, parts: _Parts, c_pf: float) -> Quantity:
    total_pf = c_pf + need.cable_pf
    value = 1.0 / (2.0 * math.pi * parts.node_ohm * total_pf * 1e-12)
    relative = expanded_uncertainty(
        (
            from_limits("resistors", 1.0, _R_TOLERANCE),
            from_limits("capacitor", 1.0, _C_TOLERANCE * c_pf / total_pf),
            from_limits("cable", 1.0, _CABLE_TOLERANCE * need.cable_pf / total_pf),
        )
    )
    return Quantity(value, value * relative, "Hz")


def _across(one_ohm: float, other_ohm: float) -> float:
    return one_ohm * other_ohm / (one_ohm + other_ohm)
