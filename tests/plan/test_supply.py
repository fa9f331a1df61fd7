"""Currents, drops and fuses against worked examples."""

from __future__ import annotations

import pytest

from levelset.plan.equipment import CableRun
from levelset.plan.supply import current_a, feed, feeds
from levelset.plan.wire import ohm_per_m
from tests.plan.test_equipment import EXAMPLE, plan


# Arithmetic: 1000 W, 80 %, 13.8 V; 500 W, 60 %, 13.8 V; 400 W, 85 %, 14.4 V.
@pytest.mark.parametrize(
    ("power_w", "efficiency", "supply_v", "ampere"),
    [(1000, 0.80, 13.8, 90.58), (500, 0.60, 13.8, 60.39), (400, 0.85, 14.4, 32.68)],
)
def test_current(power_w, efficiency, supply_v, ampere):
    assert current_a(power_w, efficiency, supply_v) == pytest.approx(ampere, abs=0.005)


# Worked drops at 20 C (ASTM B258 areas and IEC 60028 copper): 100 A along 5 m of 4 AWG 0.40759 V;
# 150 A along 6 m of 1/0 AWG 0.29018 V; a pair of 10 ft, 50 A, 4 AWG 0.249 V and 30 A, 10 AWG
# 0.599 V (a published drop chart for boats).
@pytest.mark.parametrize(
    ("awg", "length_m", "ampere", "volts", "abs_v"),
    [
        (4, 5.0, 100, 0.40759, 5e-6),
        (0, 6.0, 150, 0.29018, 1e-5),
        (4, 6.096, 50, 0.249, 1e-3),
        (10, 6.096, 30, 0.599, 1e-3),
    ],
)
def test_drop_at_20_degrees(awg, length_m, ampere, volts, abs_v):
    cable = CableRun(length_m, "copper", awg)
    assert ohm_per_m(cable, 20.0) * length_m * ampere == pytest.approx(volts, abs=abs_v)


def test_both_ways_and_warm():
    one = feed("bass", CableRun(5.0, "copper", 4, return_m=5.0), 100.0, 14.4, None)
    # 60 degrees: 1.1572 times the resistance at 20 (IEC 60028).
    assert one.drop_v == pytest.approx(0.81517 * 1.1572, rel=1e-4)
    assert one.music_drop_v == pytest.approx(one.drop_v / 3.0)
    assert "both ways" in one.text()
    assert any("0.94 V are lost" in text for text in one.findings)


def test_a_kit_that_is_fused_too_high():
    """4 AWG copper-clad aluminium behind 100 A (common practice, no source, and too much)."""
    cable = CableRun(5.0, "copper_clad_aluminium", 4, fuse_a=100.0)
    one = feed("bass", cable, 60.0, 14.4, None)
    assert one.protecting_fuse_a == 80.0
    assert any("100 A does not protect" in text for text in one.findings)


def test_a_fuse_that_will_blow_and_a_cable_that_is_too_thin():
    one = feed("bass", CableRun(1.0, "copper", 10, fuse_a=30.0), 150.0, 14.4, 60.0)
    text = " ".join(one.findings)
    assert "will blow a fuse of 30 A" in text
    assert "more than the cable bears, 40 A" in text
    assert "manual's fuse of 60 A" in text


def test_nothing_is_said_against_a_good_feed():
    cable = CableRun(4.0, "copper", 0, return_m=0.5, fuse_a=150.0, insulation_c=105)
    assert feed("bass", cable, 90.0, 14.4, 100.0).findings == ()


def test_feeds_of_the_documented_plan():
    own, shared = feeds(plan(EXAMPLE))
    # 250 W, class D, 14.2 V.
    assert own.full_a == pytest.approx(250.0 / 0.8 / 14.2)
    assert shared.full_a == own.full_a
    assert shared.cable.area_mm2 == 35.0
