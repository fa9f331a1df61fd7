"""Wire, ampacity and fuses against published tables."""

from __future__ import annotations

import math

import pytest

from levelset.errors import UsageError
from levelset.plan.equipment import CableRun
from levelset.plan.wire import (
    AMPACITY_A,
    CLASS_5_OHM_PER_KM,
    ampacity_a,
    awg_area_mm2,
    awg_diameter_mm,
    gauge,
    gauge_text,
    ohm_per_m,
    protecting_fuse_a,
)

FOOT_M = 0.3048


def copper(awg=None, **options):
    return CableRun(1.0, "copper", awg, **options)


# ASTM B258: diameters in mm; circular mils of 4/0 and 10 (211600 and 10383).
@pytest.mark.parametrize(
    ("awg", "mm"),
    [(-3, 11.6840), (-2, 10.4049), (0, 8.2515), (4, 5.1894), (8, 3.2636), (18, 1.0237)],
)
def test_diameters(awg, mm):
    assert awg_diameter_mm(awg) == pytest.approx(mm, abs=5e-5)


@pytest.mark.parametrize(("awg", "circular_mils"), [(-3, 211600), (4, 41741), (10, 10383)])
def test_areas(awg, circular_mils):
    # A circular mil is the area of a circle of 0.0254 mm.
    assert awg_area_mm2(awg) / (math.pi / 4.0 * 0.0254**2) == pytest.approx(circular_mils, rel=5e-5)


# Copper wire tables, NBS Handbook 100 (values as commonly reprinted): ohm per 1000 ft at 20 C.
HANDBOOK = {
    -3: 0.0490,
    -2: 0.0618,
    -1: 0.0779,
    0: 0.0983,
    1: 0.1239,
    2: 0.1563,
    4: 0.2485,
    6: 0.3951,
    8: 0.6282,
    10: 0.9989,
    12: 1.588,
    14: 2.525,
    16: 4.016,
    18: 6.385,
}


@pytest.mark.parametrize("awg", HANDBOOK)
def test_copper_wire_table(awg):
    # The table prints three or four digits.
    found = ohm_per_m(copper(awg), 20.0) * 1000.0 * FOOT_M
    assert found == pytest.approx(HANDBOOK[awg], rel=5e-4, abs=5e-5)


# IEC 60228, highest resistance of class 5, ohm/km at 20 C, and its own temperature factor
# 250 / (230 + t), which agrees with IEC 60028 within 0.4 % up to 90 C.
@pytest.mark.parametrize(
    ("mm2", "limit"), [(1.5, 13.3), (4, 4.95), (10, 1.91), (16, 1.21), (25, 0.780), (50, 0.386)]
)
@pytest.mark.parametrize("warm_c", [20.0, 60.0, 90.0])
def test_metric_cable(mm2, limit, warm_c):
    found = ohm_per_m(copper(area_mm2=mm2), warm_c) * 1000.0
    assert found == pytest.approx(limit * (230.0 + warm_c) / 250.0, rel=4e-3)


def test_the_standards_limit_is_above_the_plain_area():
    for area_mm2, limit in CLASS_5_OHM_PER_KM.items():
        assert limit > 1000.0 / 58.0 / area_mm2


# Temperature factors of annealed copper (IEC 60028): 60 C 1.1572, 90 C 1.2751.
@pytest.mark.parametrize(("warm_c", "factor"), [(60.0, 1.1572), (90.0, 1.2751)])
def test_temperature(warm_c, factor):
    assert ohm_per_m(copper(4), warm_c) / ohm_per_m(copper(4), 20.0) == pytest.approx(factor)


def test_copper_clad_aluminium():
    # ASTM B566 class 10A: 0.02743 ohm mm2/m at the most.
    cable = CableRun(1.0, "copper_clad_aluminium", None, 10.5)
    assert ohm_per_m(cable, 20.0) * 10.5 == pytest.approx(0.02743, rel=1e-3)


# 33 CFR 183.425, table 5, at 60, 75, 90 and 105 C.
@pytest.mark.parametrize(
    ("awg", "amperes"),
    [
        (18, (10, 10, 20, 20)),
        (10, (40, 40, 55, 60)),
        (4, (105, 125, 135, 160)),
        (0, (195, 230, 245, 285)),
        (-3, (300, 360, 385, 445)),
    ],
)
def test_ampacity(awg, amperes):
    for insulation_c, limit in zip((60, 75, 90, 105), amperes, strict=True):
        assert ampacity_a(copper(awg, insulation_c=insulation_c)) == limit


def test_thicker_cable_and_better_insulation_bear_more():
    gauges = sorted(AMPACITY_A)
    for thick, thin in zip(gauges, gauges[1:], strict=False):
        assert all(a > b for a, b in zip(AMPACITY_A[thick], AMPACITY_A[thin], strict=True))
    assert all(list(row) == sorted(row) for row in AMPACITY_A.values())


def test_a_metric_area_takes_the_thinner_gauge():
    # 16 mm2 lies between 6 AWG (13.3 mm2) and 4 AWG (21.2 mm2).
    assert ampacity_a(copper(area_mm2=16.0, insulation_c=105)) == 120
    assert ampacity_a(copper(area_mm2=0.5)) is None


def test_worked_fuse():
    # 33 CFR 183.455: 4 AWG at 105 C bears 160 A, and may have up to 240 A; the next usual size
    # that stays within what it bears is 150 A.
    assert protecting_fuse_a(copper(4, insulation_c=105)) == 150.0
    # Copper-clad aluminium of 4 AWG at 60 C: 105 A * sqrt(0.629) = 83.3 A.
    clad = CableRun(1.0, "copper_clad_aluminium", 4)
    assert ampacity_a(clad) == pytest.approx(83.3, abs=0.05)
    assert protecting_fuse_a(clad) == 80.0


@pytest.mark.parametrize(("text", "awg"), [("4", 4), ("1/0", 0), ("0", 0), ("4/0", -3), ("18", 18)])
def test_gauges(text, awg):
    assert gauge(text) == awg
    if text != "0":
        assert gauge_text(awg) == text


@pytest.mark.parametrize("text", ["", "19", "5/0", "0/0", "-1", "four"])
def test_no_gauge(text):
    with pytest.raises(UsageError):
        gauge(text)
