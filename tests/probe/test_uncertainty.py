"""Against JCGM 100:2008 (the GUM), and the general-purpose library GTC."""

import math
import random

import GTC as gtc
import numpy as np
import pytest

from levelset.probe.uncertainty import (
    Component,
    combined_uncertainty,
    effective_dof,
    expanded_uncertainty,
    from_limits,
    from_quantity,
    from_repeats,
    student_t,
)
from levelset.quantity import Quantity

# JCGM 100:2008, H.1, end-gauge calibration (inputs from the GUM; results 32 nm, 16 dof, 93 nm).
# l = l_s + d - l_s (d_alpha theta + alpha_s d_theta); lengths in nm.
LENGTH = 50_000_623.0


def end_gauge():
    sensitivity_d_alpha = -LENGTH * -0.1
    sensitivity_d_theta = -LENGTH * 11.5e-6
    return [
        Component("standard", LENGTH, 25.0, "normal", 18.0),
        Component("repeated observations", 215.0, 5.8, "normal", 24.0),
        Component("comparator, random", 0.0, 3.9, "normal", 5.0),
        Component("comparator, systematic", 0.0, 6.7, "normal", 8.0),
        from_limits("d_alpha", 0.0, 1e-6, dof=50.0, sensitivity=sensitivity_d_alpha),
        from_limits("d_theta", 0.0, 0.05, dof=2.0, sensitivity=sensitivity_d_theta),
    ]


def test_gum_h1_combined_dof_and_expanded():
    parts = end_gauge()
    u = combined_uncertainty(parts)
    dof = effective_dof(parts)
    assert u == pytest.approx(32.0, abs=0.5)  # GUM H.1.4
    assert math.floor(dof) == 16  # GUM H.1.6
    assert student_t(0.99, 16.0) == pytest.approx(2.92, abs=0.005)  # GUM table G.2
    # GUM H.1.6: 93 nm, with the degrees of freedom cut to 16; we keep 16.75.
    assert student_t(0.99, 16.0) * u == pytest.approx(92.5, abs=0.1)
    assert expanded_uncertainty(parts, 0.99) == pytest.approx(93.0, abs=1.2)


@pytest.mark.outside
def test_gum_h1_against_gtc():
    # Type-B dof follow each input in GTC; the arithmetic is GTC's own, from the formula itself.
    l_s = gtc.ureal(LENGTH, 25, 18)
    d = gtc.ureal(215, 5.8, 24) + gtc.ureal(0, 3.9, 5) + gtc.ureal(0, 6.7, 8)
    alpha_s = gtc.ureal(11.5e-6, gtc.type_b.uniform(2e-6))
    theta_bar = gtc.ureal(-0.1, 0.2)
    delta = gtc.ureal(0, gtc.type_b.arcsine(0.5))
    d_alpha = gtc.ureal(0, gtc.type_b.uniform(1e-6), 50)
    d_theta = gtc.ureal(0, gtc.type_b.uniform(0.05), 2)
    length = l_s + d - l_s * (d_alpha * (theta_bar + delta) + alpha_s * d_theta)
    parts = end_gauge()
    assert combined_uncertainty(parts) == pytest.approx(gtc.uncertainty(length), rel=1e-9)
    assert effective_dof(parts) == pytest.approx(gtc.dof(length), rel=1e-9)
    k = gtc.reporting.k_factor(gtc.dof(length), 99)
    assert expanded_uncertainty(parts, 0.99) == pytest.approx(k * gtc.uncertainty(length), rel=1e-6)


# JCGM 100:2008, table H.2: five simultaneous observations of a voltage and a current.
VOLTS = [5.007, 4.994, 5.005, 4.990, 4.999]
MILLIAMPS = [19.663, 19.639, 19.640, 19.685, 19.678]


def test_gum_h2_means_and_their_standard_uncertainties():
    volts = from_repeats("V", VOLTS)
    current = from_repeats("I", MILLIAMPS)
    assert (volts.value, volts.dof) == (pytest.approx(4.9990), 4.0)
    assert volts.standard_uncertainty == pytest.approx(0.0032, abs=5e-5)
    assert current.value == pytest.approx(19.6610)
    assert current.standard_uncertainty == pytest.approx(0.0095, abs=5e-5)


@pytest.mark.outside
def test_the_impedance_of_h2_taken_as_uncorrelated_against_gtc():
    v, i = gtc.type_a.estimate(VOLTS), gtc.type_a.estimate(MILLIAMPS)
    z = v / (i * 1e-3)
    current = sum(MILLIAMPS) / 5e3
    parts = [
        from_repeats("V", VOLTS, sensitivity=1.0 / current),
        from_repeats("I", MILLIAMPS, sensitivity=-(sum(VOLTS) / 5) / current**2 * 1e-3),
    ]
    assert combined_uncertainty(parts) == pytest.approx(gtc.uncertainty(z), rel=1e-9)
    assert effective_dof(parts) == pytest.approx(gtc.dof(z), rel=1e-9)
    k = gtc.reporting.k_factor(gtc.dof(z), 95)
    assert expanded_uncertainty(parts) == pytest.approx(k * gtc.uncertainty(z), rel=1e-6)


@pytest.mark.outside
def test_random_budgets_against_gtc():
    rng = random.Random(3)
    for _ in range(50):
        n = rng.randint(1, 7)
        u = [10.0 ** rng.uniform(-3, 1) for _ in range(n)]
        dof = [rng.choice([2.0, 3.5, 9.0, 40.0, math.inf]) for _ in range(n)]
        c = [rng.uniform(-3, 3) for _ in range(n)]
        total = sum(ci * gtc.ureal(1.0, ui, di) for ci, ui, di in zip(c, u, dof, strict=True))
        parts = [
            Component(str(k), 1.0, ui, "normal", None if math.isinf(di) else di, ci)
            for k, (ui, di, ci) in enumerate(zip(u, dof, c, strict=True))
        ]
        nu = effective_dof(parts)
        assert combined_uncertainty(parts) == pytest.approx(gtc.uncertainty(total), rel=1e-9)
        assert (math.inf if nu is None else nu) == pytest.approx(gtc.dof(total), rel=1e-9)
        k = student_t(0.95, nu)
        # GTC's k factor rounds large dof to infinity.
        assert k == pytest.approx(gtc.reporting.k_factor(gtc.dof(total), 95), rel=1e-3)
        assert expanded_uncertainty(parts) == pytest.approx(k * gtc.uncertainty(total), rel=2e-3)


@pytest.mark.parametrize(
    ("dof", "p95", "p99"),
    # GUM table G.2.
    [(1, 12.71, 63.66), (2, 4.30, 9.92), (5, 2.57, 4.03), (10, 2.23, 3.17), (50, 2.01, 2.68)],
)
def test_student_t_by_the_gum_table(dof, p95, p99):
    assert student_t(0.95, float(dof)) == pytest.approx(p95, abs=0.005)
    assert student_t(0.99, float(dof)) == pytest.approx(p99, abs=0.005)


def test_student_t_without_limit_is_the_normal_factor():
    assert student_t(0.95, None) == pytest.approx(1.96, abs=0.001)
    assert student_t(0.99, None) == pytest.approx(2.576, abs=0.001)


def test_a_dominant_rectangle_by_ea_4_02():
    # EA-4/02, example S9, calibration of a hand-held multimeter at 100 V DC (values from memory):
    # normal 0.001 V, rectangular +-0.05 V and +-0.011 V; k = 1.65, U = 0.05 V.
    parts = [
        Component("calibrator", 100.0, 0.001, "normal", None),
        from_limits("resolution of the meter", 0.0, 0.05),
        from_limits("calibrator, other effects", 0.0, 0.011),
    ]
    assert combined_uncertainty(parts) == pytest.approx(0.029575, abs=1e-5)
    assert round(expanded_uncertainty(parts), 2) == 0.05
    # The two rectangles alone make a trapezoid: 0.061 - sqrt(0.05 * 0.022 * 0.1) in closed form.
    assert expanded_uncertainty(parts) == pytest.approx(0.061 - math.sqrt(1.1e-4), rel=0.01)


@pytest.mark.parametrize("ratio", [0.0, 1e-6, 0.01, 0.1, 0.3, 1.0, 3.0, 30.0, 1e6])
def test_rectangle_and_normal_hold_95_percent(ratio):
    # Monte Carlo with numpy, by the idea of JCGM 101.
    rng = np.random.default_rng(11)
    parts = [from_limits("r", 0.0, 1.0), Component("n", 0.0, ratio, "normal", None)]
    u = expanded_uncertainty(parts)
    n = 400_000
    error = rng.uniform(-1.0, 1.0, n) + ratio * rng.standard_normal(n)
    assert np.mean(np.abs(error) <= u) == pytest.approx(0.95, abs=0.0015)


@pytest.mark.parametrize("widths", [(1.0, 1.0), (1.0, 0.7, 0.5), (1.0, 0.2, 0.2, 0.2)])
def test_several_rectangles_hold_about_95_percent(widths):
    rng = np.random.default_rng(12)
    u = expanded_uncertainty([from_limits(str(w), 0.0, w) for w in widths])
    error = sum(rng.uniform(-w, w, 400_000) for w in widths)
    assert 0.945 <= np.mean(np.abs(error) <= u) <= 0.965


def test_divisors_of_limits():
    # GUM 4.3 (from memory): sqrt 3, sqrt 6, sqrt 2.
    for shape, divisor in (("rectangular", 3.0), ("triangular", 6.0), ("arcsine", 2.0)):
        part = from_limits("x", 0.0, 1.0, distribution=shape)
        assert part.standard_uncertainty == pytest.approx(1.0 / math.sqrt(divisor))


def test_a_quantity_comes_back_as_it_was():
    part = from_quantity("x", Quantity(5.0, 0.2, "V"))
    assert expanded_uncertainty([part]) == pytest.approx(0.2, rel=1e-12)


def test_nothing_is_certain():
    assert expanded_uncertainty([]) == 0.0
    assert effective_dof([]) is None
    assert combined_uncertainty([]) == 0.0


def test_bad_input():
    with pytest.raises(ValueError, match="at least 2"):
        from_repeats("x", [1.0])
    with pytest.raises(ValueError, match="degrees of freedom"):
        effective_dof([Component("x", 0.0, 1.0, "normal", 0.0)])
    for coverage in (0.0, 1.0, math.nan):
        with pytest.raises(ValueError, match="coverage"):
            student_t(coverage, None)
