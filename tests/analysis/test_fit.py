"""The fit against direct sums, dense least squares, scipy, and the Cramer-Rao bound."""

import math

import numpy as np
import pytest
from scipy.optimize import curve_fit

from levelset.analysis.fit import fit_tone, strongest_line
from levelset.analysis.kernels import dirichlet
from levelset.analysis.projection import (
    basis,
    fold,
    layout,
    project,
    project_with_moment,
    synthesise,
)
from tests.analysis import closed_forms as forms

RATE_HZ = 48000.0


def centred(n):
    return np.arange(n) - 0.5 * (n - 1)


def dense_matrix(w, n, order):
    kt = np.outer(np.arange(1, order + 1), w * centred(n))
    return np.concatenate((np.ones((1, n)), np.cos(kt), np.sin(kt))).T


@pytest.mark.parametrize("n", [960, 1001, 7175, 12000])
@pytest.mark.parametrize("order", [1, 7, 40])
def test_projection_and_synthesis_equal_the_direct_sums(n, order):
    rng = np.random.default_rng(n + order)
    samples = rng.normal(size=n)
    w = 0.9 * math.pi / order * rng.uniform(0.1, 1.0)
    waves = basis(layout(n), w, order)
    direct = np.exp(-1j * np.outer(np.arange(1, order + 1), w * centred(n)))
    products, moments = project_with_moment(fold(samples), waves)
    assert products == pytest.approx(direct @ samples, abs=1e-9)
    assert moments == pytest.approx(direct @ (centred(n) * samples), abs=1e-9 * n)
    assert project(fold(samples), waves) == pytest.approx(products, abs=1e-12)
    phasors = rng.normal(size=order) + 1j * rng.normal(size=order)
    expected = (phasors @ direct.conj()).real
    assert synthesise(layout(n), waves, phasors) == pytest.approx(expected, abs=1e-10)


def test_kernels_equal_the_direct_sums():
    n, w, m = 1001, 0.037, np.arange(81)
    t = centred(n)
    kernels = dirichlet(w, n, 80)
    angle = np.outer(m, w * t)
    assert kernels.d0 == pytest.approx(np.cos(angle).sum(axis=1), abs=1e-8)
    assert kernels.d1 == pytest.approx((t * np.sin(angle)).sum(axis=1), abs=1e-6)
    assert kernels.d2 == pytest.approx((t * t * np.cos(angle)).sum(axis=1), rel=1e-9, abs=1e-4)


@pytest.mark.parametrize(
    ("frequency_hz", "n", "snr_db"),
    [(50.013, 12000, 80.0), (50.013, 2880, 40.0), (997.3, 960, 20.0), (5021.7, 2000, 60.0)],
)
def test_fit_equals_dense_least_squares_at_its_frequency(frequency_hz, n, snr_db):
    rng = np.random.default_rng(3)
    harmonics = forms.clipped_cosine(min(40, forms.below_nyquist(frequency_hz, RATE_HZ)), 1.0, 1.0)
    samples = forms.sampled(harmonics, frequency_hz, RATE_HZ, n)
    samples += forms.white_noise(rng, n, harmonics[1], snr_db)
    fit = fit_tone(fold(samples), strongest_line(samples), refit=False)
    matrix = dense_matrix(fit.w, n, fit.order)
    solution, energy = np.linalg.lstsq(matrix, samples, rcond=None)[:2]
    cosines, sines = solution[1 : fit.order + 1], solution[fit.order + 1 :]
    assert fit.phasors == pytest.approx(cosines - 1j * sines, abs=1e-10)
    assert fit.offset == pytest.approx(solution[0], abs=1e-10)
    assert fit.residual_energy == pytest.approx(float(energy[0]), rel=1e-6)
    # No frequency nearby leaves less: a least-squares minimum, to a small part of the scatter.
    scatter = math.sqrt(fit.var_w_ratio * fit.residual_energy / n)
    for step in (-scatter, scatter):
        beside = dense_matrix(fit.w + step, n, fit.order)
        left = samples - beside @ np.linalg.lstsq(beside, samples, rcond=None)[0]
        assert left @ left > fit.residual_energy


@pytest.mark.outside
@pytest.mark.parametrize("frequency_hz", [51.37, 997.0, 11999.5])
def test_fit_equals_the_sine_fit_of_scipy(frequency_hz):
    """A lone sine: the four-parameter fit (IEEE Std 1057 names it) by scipy's curve_fit."""
    rng = np.random.default_rng(8)
    n = 4800
    time_s = centred(n) / RATE_HZ
    samples = 0.4 * np.cos(2 * math.pi * frequency_hz * time_s + 0.7) + 0.01
    samples += rng.normal(size=n) * 1e-6
    fit = fit_tone(fold(samples), strongest_line(samples), refit=False)

    def sine(t, amplitude, frequency, phase, offset):
        return amplitude * np.cos(2 * math.pi * frequency * t + phase) + offset

    found, _ = curve_fit(sine, time_s, samples, p0=(0.39, frequency_hz * 1.0001, 0.6, 0.0))
    assert abs(fit.phasors[0]) == pytest.approx(found[0], rel=1e-6)
    assert fit.w * RATE_HZ / (2 * math.pi) == pytest.approx(found[1], rel=1e-8)
    assert np.angle(fit.phasors[0]) == pytest.approx(found[2], abs=1e-6)
    assert fit.offset == pytest.approx(found[3], abs=1e-6)


def test_stated_variances_equal_the_published_bound_of_a_lone_tone():
    """Rife and Boorstyn, IEEE Trans. Inf. Theory 20(5), 1974: 2 s^2/N and 24 s^2/(A^2 N(N^2-1))."""
    n, amplitude = 4800, 0.4
    samples = forms.sampled([0.0, amplitude], 12345.6, RATE_HZ, n)
    samples += np.random.default_rng(1).normal(size=n) * 1e-4
    fit = fit_tone(fold(samples), strongest_line(samples), refit=False)
    assert fit.order == 1
    assert fit.var_amplitude_ratio == pytest.approx(2.0 / n, rel=2e-3)
    assert fit.var_w_ratio == pytest.approx(24.0 / (amplitude**2 * n * (n**2 - 1.0)), rel=2e-3)


def bound(harmonics, w, n, order):
    """Cramer-Rao bound of offset, harmonics and frequency, from the dense Jacobian."""
    t = centred(n)
    k = np.arange(1, len(harmonics))
    slope = -(np.asarray(harmonics[1:]) * k) @ np.sin(np.outer(k, w * t)) * t
    jacobian = np.column_stack((dense_matrix(w, n, order), slope))
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    return covariance[1, 1], covariance[-1, -1]


@pytest.mark.parametrize(
    ("frequency_hz", "n", "overdrive_db", "snr_db"),
    [
        (50.013, 2880, 1.0, 60.0),
        (50.013, 2880, 0.05, 20.0),
        (50.013, 12000, 0.2, 90.0),
        (152.0, 960, 0.5, 20.0),
        (997.3, 2400, 3.0, 80.0),
        (19997.0, 960, 0.0, 30.0),
    ],
)
def test_scatter_reaches_the_bound_of_the_fitted_order(frequency_hz, n, overdrive_db, snr_db):
    rng = np.random.default_rng(17)
    w = 2 * math.pi * frequency_hz / RATE_HZ
    order = min(40, forms.below_nyquist(frequency_hz, RATE_HZ))
    harmonics = forms.clipped_cosine(order, overdrive_db, overdrive_db)
    clean = forms.sampled(harmonics, frequency_hz, RATE_HZ, n, -w * 0.5 * (n - 1))
    noise = harmonics[1] / math.sqrt(2) * 10 ** (-snr_db / 20)
    amplitudes, frequencies, orders = [], [], set()
    for _ in range(300):
        samples = clean + rng.normal(size=n) * noise
        fit = fit_tone(fold(samples), strongest_line(samples), refit=False)
        amplitudes.append(abs(fit.phasors[0]))
        frequencies.append(fit.w)
        orders.add(fit.order)
    var_a, var_w = bound(harmonics, w, n, min(orders))
    # 300 trials scatter by 4 %: the limit is 1.05 and two and a half of these.
    assert np.std(amplitudes) / (noise * math.sqrt(var_a)) < 1.15
    assert np.std(frequencies) / (noise * math.sqrt(var_w)) < 1.15
    assert abs(np.mean(amplitudes) - harmonics[1]) < 0.25 * np.std(amplitudes)


@pytest.mark.parametrize(("overdrive_db", "order"), [(0.0, 40), (3.0, 120)])
def test_the_order_follows_the_signal(overdrive_db, order):
    rng = np.random.default_rng(2)
    harmonics = forms.clipped_cosine(400, overdrive_db, overdrive_db)
    samples = forms.sampled(harmonics, 50.013, RATE_HZ, 12000)
    samples += forms.white_noise(rng, 12000, 1.0, 85.0)
    assert fit_tone(fold(samples), strongest_line(samples), refit=False).order == order


def test_a_refit_from_the_last_frequency_finds_the_same():
    rng = np.random.default_rng(4)
    harmonics = forms.clipped_cosine(40, 0.5, 0.5)
    samples = forms.sampled(harmonics, 50.013, RATE_HZ, 12000)
    samples += forms.white_noise(rng, 12000, 1.0, 70.0)
    window = fold(samples)
    cold = fit_tone(window, strongest_line(samples), refit=False)
    scatter = math.sqrt(cold.var_w_ratio * cold.residual_energy / 12000)
    for ppm in (-50.0, -1.0, 0.0, 1.0, 50.0):
        warm = fit_tone(window, cold.w * (1 + ppm * 1e-6), refit=True)
        assert abs(warm.w - cold.w) < 0.05 * scatter
