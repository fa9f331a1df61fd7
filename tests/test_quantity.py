"""A quantity is finite, and shows two digits of its uncertainty."""

from __future__ import annotations

import math

import numpy as np
import pytest

from levelset.quantity import Quantity


@pytest.mark.parametrize(
    ("value", "u", "unit", "text"),
    [
        (22.0123, 0.278, "V", "22.01 ± 0.28 V"),
        (0.00712, 0.00041, "V", "7.12 ± 0.41 mV"),
        (-0.0001, 0.23, "%", "0.00 ± 0.23 %"),
        (6.3214, 12.3, "V", "6 ± 12 V"),
        (0.05, 0.0, "%", "0.050000 ± 0.000001 %"),
        (1.00031, 0.0002, "", "1.00031 ± 0.00020"),
    ],
)
def test_text(value, u, unit, text):
    assert Quantity(value, u, unit).text() == text


def test_sign():
    assert Quantity(0.123, 0.1, "dB").text(signed=True) == "+0.12 ± 0.10 dB"
    assert Quantity(-0.123, 0.1, "dB").text(signed=True) == "-0.12 ± 0.10 dB"
    assert Quantity(0.0001, 0.0016, "dB").text(signed=True, finest=2) == "0.00 ± 0.01 dB"
    assert Quantity(0.0061, 0.0016, "V").text(finest=1) == "6.1 ± 1.6 mV"


@pytest.mark.parametrize(("value", "u"), [(math.nan, 0.1), (1.0, math.inf), (1.0, -0.1)])
def test_what_is_no_number_is_refused(value, u):
    with pytest.raises(ValueError, match="not a quantity"):
        Quantity(value, u, "V")


def test_numpy_scalars_become_floats():
    assert type(Quantity(np.float64(1.0), np.float64(0.1), "V").value) is float
