"""Conductors: sizes, resistance and the current that a cable bears, from published tables.

Sources: ASTM B258 (diameters of the American Wire Gauge, closed form); IEC 60028 (standard
annealed copper: 1/58 ohm mm2/m at 20 degrees Celsius, 0.00393 per kelvin); IEC 60228 (highest
resistance of flexible copper conductors, class 5, plain wires); ASTM B566 (copper-clad aluminium,
class 10A: 62.9 % of the conductivity of annealed copper); 33 CFR 183.425, table 5 (currents of
copper conductors below 50 V, 30 degrees Celsius around them).
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right

from levelset.errors import UsageError
from levelset.plan.equipment import CableRun, Material

COPPER_OHM_MM2_PER_M = 1.0 / 58.0
COPPER_PER_KELVIN = 0.00393
CONDUCTIVITY: dict[Material, float] = {"copper": 1.0, "copper_clad_aluminium": 0.629}
"""Relative to annealed copper."""

GAUGES = (-3, 18)
"""Thickest and thinnest gauge that is planned with: 4/0 and 18."""
LARGEST_AREA_MM2 = 120.0

CLASS_5_OHM_PER_KM = {
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
    25.0: 0.780,
    35.0: 0.554,
    50.0: 0.386,
    70.0: 0.272,
    95.0: 0.206,
    120.0: 0.161,
}
"""IEC 60228, class 5, plain copper, 20 degrees Celsius: nominal area in mm2 to ohm/km."""

INSULATIONS_C = (60, 75, 90, 105)
AMPACITY_A: dict[int, tuple[float, float, float, float]] = {
    18: (10, 10, 20, 20),
    16: (15, 15, 25, 25),
    14: (20, 20, 30, 35),
    12: (25, 25, 40, 45),
    10: (40, 40, 55, 60),
    8: (55, 65, 70, 80),
    6: (80, 95, 100, 120),
    4: (105, 125, 135, 160),
    2: (140, 170, 180, 210),
    1: (165, 195, 210, 245),
    0: (195, 230, 245, 285),
    -1: (225, 265, 285, 330),
    -2: (260, 310, 330, 385),
    -3: (300, 360, 385, 445),
}
"""33 CFR 183.425, table 5: amperes by gauge and insulation."""

FUSES_A = (
    1,
    2,
    3,
    5,
    7.5,
    10,
    15,
    20,
    25,
    30,
    40,
    50,
    60,
    70,
    80,
    100,
    125,
    150,
    175,
    200,
    225,
    250,
    300,
    350,
    400,
    450,
    500,
)
"""Sizes of blade and bolted vehicle fuses (ISO 8820, from memory)."""


def gauge(text: str) -> int:
    """Return the gauge number of ``4``, ``1/0`` or ``4/0``; 1/0 is 0, 2/0 is -1.

    Raises
    ------
    UsageError
        If it is no gauge from 4/0 to 18.
    """
    match = re.fullmatch(r"(\d{1,2})(/0)?", text.strip())
    if match is not None:
        number = int(match[1])
        awg = 1 - number if match[2] and number else number
        if GAUGES[0] <= awg <= GAUGES[1] and (not match[2] or 1 <= number <= 4):
            return awg
    raise UsageError(f"gauge {text!r:.20} is not known", "give 4/0, 3/0, 2/0, 1/0 or 1 to 18")


def gauge_text(awg: int) -> str:
    """Return a gauge as it is printed."""
    return f"{1 - awg}/0" if awg <= 0 else str(awg)


def awg_diameter_mm(awg: int) -> float:
    """Return the diameter of a solid wire: 0.127 mm * 92**((36 - n) / 39) (ASTM B258)."""
    return float(0.127 * 92.0 ** ((36 - awg) / 39.0))


def awg_area_mm2(awg: int) -> float:
    """Return the cross section of a gauge, mm2."""
    return math.pi / 4.0 * awg_diameter_mm(awg) ** 2


def ohm_per_m(cable: CableRun, temperature_c: float) -> float:
    """Return the resistance of one metre of the conductor.

    Parameters
    ----------
    cable : CableRun
        The cable; its length does not count.
    temperature_c : float
        Temperature of the conductor, degrees Celsius.

    Returns
    -------
    float
        ohm/m. A gauge counts with its nominal area; vehicle cable may hold up to 11 % less. A
        metric size of the standard counts with the highest resistance that IEC 60228 allows.
    """
    if cable.awg is not None:
        copper = COPPER_OHM_MM2_PER_M / awg_area_mm2(cable.awg)
    else:
        area_mm2 = cable.area_mm2
        assert area_mm2 is not None
        listed = CLASS_5_OHM_PER_KM.get(area_mm2)
        copper = COPPER_OHM_MM2_PER_M / area_mm2 if listed is None else listed / 1000.0
    warm = 1.0 + COPPER_PER_KELVIN * (temperature_c - 20.0)
    return copper * warm / CONDUCTIVITY[cable.material]


def ampacity_a(cable: CableRun) -> float | None:
    """Return the continuous current that a cable bears, A; None below the table.

    An area between two gauges takes the thinner one's current, a temperature of the insulation the
    next lower column. Copper-clad aluminium bears the current that heats it as much as copper:
    sqrt(conductivity) times copper's (Joule's law at equal surface).
    """
    column = bisect_right(INSULATIONS_C, cable.insulation_c) - 1
    area_mm2 = cable.area_mm2 if cable.awg is None else awg_area_mm2(cable.awg)
    assert area_mm2 is not None
    fitting = [n for n in AMPACITY_A if awg_area_mm2(n) <= area_mm2 * 1.001]
    if not fitting or column < 0:
        return None
    return AMPACITY_A[min(fitting)][column] * math.sqrt(CONDUCTIVITY[cable.material])


def protecting_fuse_a(cable: CableRun) -> float | None:
    """Return the largest usual fuse up to what the cable bears, A; None where it bears too little.

    33 CFR 183.455 allows 150 % of the table's current; this stays at 100 %.
    """
    bears_a = ampacity_a(cable)
    fitting = [] if bears_a is None else [fuse for fuse in FUSES_A if fuse <= bears_a]
    return float(max(fitting)) if fitting else None


def cable_text(cable: CableRun) -> str:
    """Return a cable in words."""
    size = f"{cable.area_mm2:g} mm2" if cable.awg is None else f"{gauge_text(cable.awg)} AWG"
    material = "copper" if cable.material == "copper" else "copper-clad aluminium"
    return f"{cable.length_m:g} m of {size} {material}"
