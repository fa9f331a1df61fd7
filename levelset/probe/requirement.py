"""What a probe is for, and what it is connected to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from levelset.errors import UsageError
from levelset.limits import require_between

Tips = Literal["one", "two", "balanced"]
"""One tip, two tips on two channels, or two tips on both pins of one balanced channel."""
LIMITS: dict[str, tuple[str, float, float, str]] = {
    "max_volts": ("largest voltage", 1.0, 400.0, "V peak"),
    "full_scale_v_peak": ("full scale", 0.05, 30.0, "V peak"),
    "input_impedance_ohm": ("input impedance", 2e3, 100e6, "ohm"),
    "cable_pf": ("capacitance of the cable", 0.0, 3000.0, "pF"),
    "coupling_hz": ("corner of the input", 0.0, 40.0, "Hz"),
    "noise_dbfs": ("noise of the input", -160.0, -40.0, "dBFS"),
    "resistor_v": ("rated voltage of a resistor", 50.0, 2000.0, "V"),
    "resistor_w": ("rated power of a resistor", 0.05, 5.0, "W"),
}
"""Name, inclusive limits and unit of every number of a requirement."""
TYPICAL: dict[str, float] = {
    "input_impedance_ohm": 10_000.0,
    "cable_pf": 150.0,
    "coupling_hz": 5.0,
    "noise_dbfs": -100.0,
    "resistor_v": 200.0,
    "resistor_w": 0.25,
    "ground_lead_w": 0.5,
    "battery_v": 14.4,
}
"""What a person is offered who has no data sheet at hand (common practice, no source)."""


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
        for name, (what, low, high, unit) in LIMITS.items():
            require_between(getattr(self, name), what, low, high, unit)

    @property
    def pin_impedance_ohm(self) -> float:
        """Input impedance that lies across each R2, ohm."""
        return self.input_impedance_ohm / (2.0 if self.tips == "balanced" else 1.0)
