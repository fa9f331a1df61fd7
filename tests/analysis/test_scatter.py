"""The usual scatter against the standard deviation and a general-purpose library."""

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from levelset.analysis.scatter import usual_scatter


def test_it_is_the_standard_deviation_of_noise_whatever_a_third_of_it_is():
    noise = np.random.default_rng(1).normal(0.0, 0.3, 30_000)
    assert usual_scatter(noise) == pytest.approx(0.3, rel=0.02)
    assert usual_scatter(np.concatenate((noise[:20_000], np.full(100, 1e9)))) < 0.32


def test_it_is_the_median_deviation_of_scipy():
    values = np.random.default_rng(2).standard_t(3, 501)
    expected = median_abs_deviation(values, center=lambda x, axis: 0.0, scale="normal")
    assert usual_scatter(values) == pytest.approx(expected, rel=1e-4)
