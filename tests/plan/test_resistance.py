"""DC resistances against wirings. Net loads by Kirchhoff's laws, worked by hand."""

from __future__ import annotations

import itertools
import math

import pytest

from levelset.plan.load import net_load_ohm
from levelset.plan.resistance import judge_resistance, possible_wirings


@pytest.mark.parametrize(
    ("load", "ohm", "verdict", "words"),
    [
        ("4||4", 1.7, "fits", "fits 2 ohm net"),
        ("4||4", 6.5, "contradicts", "reads like the coils in series, 8 ohm"),
        ("4||4", 3.3, "contradicts", "reads like a single coil"),
        ("4+4", 1.6, "contradicts", "reads like the coils in parallel, 2 ohm"),
        ("4", 1.7, "contradicts", "two coils of 4 ohm in parallel"),
        ("4", 6.6, "contradicts", "two coils of 4 ohm in series"),
        ("(4+4)||(4+4)", 0.8, "contradicts", "the coils in parallel, 1 ohm"),
        ("(4+4)||(4+4)", 13.0, "contradicts", "the coils in series, 16 ohm"),
        ("4||4", math.inf, "contradicts", "No connection reads like an open circuit"),
        ("4||4", 2_000_000.0, "contradicts", "an open circuit"),
        ("4||4", 0.05, "contradicts", "a short circuit"),
        ("8", 23.0, "unclear", "neither the plan"),
    ],
)
def test_what_a_reading_says(load, ohm, verdict, words):
    found = judge_resistance(load, ohm)
    assert found.verdict == verdict
    assert words in found.sentence


@pytest.mark.parametrize("part", [0.6, 0.7, 0.8, 0.9, 0.95])
@pytest.mark.parametrize("load", ["4", "4||4", "2+2", "8||8", "(4+4)||(4+4)", "4||8", "4||4||4"])
def test_the_planned_wiring_never_contradicts(load, part):
    assert judge_resistance(load, part * net_load_ohm(load)).verdict == "fits"


# Pairs of coils: as planned and as wired by mistake, with the word that names the mistake.
@pytest.mark.parametrize("coil", [1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("part", [0.65, 0.75, 0.8, 0.9])
@pytest.mark.parametrize(
    ("planned", "wired"), [*itertools.permutations(("series", "parallel", "single"), 2)]
)
def test_every_mistake_with_two_coils_is_named(coil, part, planned, wired):
    nets = {"series": 2.0 * coil, "parallel": coil / 2.0, "single": coil}
    loads = {"series": f"{coil}+{coil}", "parallel": f"{coil}||{coil}"}
    if planned == "single":
        return
    found = judge_resistance(loads[planned], part * nets[wired])
    assert found.verdict == "contradicts"
    assert wired in found.reads_like


def test_three_coils():
    # 3 coils of 6 ohm: 18, 2, 9 (two in parallel and one in series), 4 (two in series, one beside).
    nets = sorted(w.ohm for w in possible_wirings("6||6||6"))
    assert nets == pytest.approx([3.0, 4.0, 6.0, 9.0, 12.0, 18.0])
