"""First-order high-pass (any circuit textbook): |H| = 1/sqrt(1 + (fc/f)^2), phase atan(fc/f)."""

import math

import numpy as np
import pytest
from scipy import signal

from levelset.probe.coupling import Coupling

# Closed form evaluated by hand: f/fc, dB, degrees.
TABLE = [
    (0.1, -20.0432, 84.289),
    (0.2, -14.1497, None),
    (0.5, -6.9897, 63.435),
    (1.0, -3.0103, 45.0),
    (2.0, -0.9691, 26.565),
    (3.0, -0.4576, None),
    (5.0, -0.1703, 11.310),
    (10.0, -0.0432, 5.711),
    (20.0, -0.0108, None),
    (50.0, -0.0017, None),
]


@pytest.mark.parametrize(("ratio", "db", "degrees"), TABLE)
def test_one_pole_by_the_table(ratio, db, degrees):
    h = complex(Coupling((2.0,), 100.0).transfer(2.0 * ratio))
    assert 20.0 * math.log10(abs(h)) == pytest.approx(db, abs=5e-5)
    if degrees is not None:
        assert math.degrees(math.atan2(h.imag, h.real)) == pytest.approx(degrees, abs=5e-4)


def test_response_is_one_at_the_reference_and_relative_elsewhere():
    coupling = Coupling((2.1, 0.9), 94.0)
    f = np.array([20.0, 94.0, 1000.0])
    response = coupling.response(f)
    assert response.shape == (3,)
    assert response[1] == pytest.approx(1.0, abs=1e-15)
    expected = coupling.transfer(f) / complex(coupling.transfer(94.0))
    assert np.allclose(response, expected, rtol=1e-14)
    assert abs(response[0]) < 1.0 < abs(response[2])


def test_dc_coupled_input_changes_nothing():
    assert np.all(Coupling((), 94.0).response(np.array([1.0, 1e4])) == 1.0)


def test_two_poles_against_scipy():
    # Outside check: scipy's analogue frequency response.
    poles = (8.0, 0.9)
    f = np.geomspace(1.0, 20000.0, 50)
    b = [1.0, 0.0, 0.0]
    a = np.poly([-2.0 * np.pi * p for p in poles])
    _, expected = signal.freqs(b, a, worN=2.0 * np.pi * f)
    assert np.allclose(Coupling(poles, 100.0).transfer(f), expected, rtol=1e-12)


@pytest.mark.parametrize("frequency", [20.0, 94.0, 1000.0])
def test_sensitivity_against_a_small_change_of_each_pole(frequency):
    poles = [8.0, 2.1]
    got = Coupling(tuple(poles), 94.0).log_sensitivity(frequency)
    for i, value in enumerate(got):
        logs = []
        for factor in (1.0 - 1e-5, 1.0 + 1e-5):
            moved = list(poles)
            moved[i] *= factor
            logs.append(math.log(abs(complex(Coupling(tuple(moved), 94.0).response(frequency)))))
        assert value == pytest.approx((logs[1] - logs[0]) / 2e-5, abs=1e-8)


@pytest.mark.parametrize("poles", [(0.0,), (-1.0,), (math.nan,), (2.0, math.inf)])
def test_bad_poles_are_refused(poles):
    with pytest.raises(ValueError, match="above 0 Hz"):
        Coupling(poles, 100.0)
    with pytest.raises(ValueError, match="above 0 Hz"):
        Coupling((), 0.0)
