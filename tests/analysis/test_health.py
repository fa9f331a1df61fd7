"""Health of the raw input, channel by channel."""

import math

import numpy as np
import pytest

from levelset.analysis.health import input_void
from tests.analysis import closed_forms as forms

RATE_HZ = 48000.0
N = 12000


def tone(frequency_hz, level):
    return level * forms.sampled([0.0, 1.0], frequency_hz, RATE_HZ, N)


def code(samples, live):
    void = input_void(samples[:, None], RATE_HZ, live)[0]
    return None if void is None else void.code


def quantised(samples, bits):
    steps = 2.0 ** (bits - 1)
    return np.clip(np.round(samples * steps), -steps, steps - 1) / steps


@pytest.mark.parametrize("frequency_hz", [20.0, 50.013, 997.0, 12000.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_a_recorded_full_scale_sine_is_no_overload(frequency_hz, bits):
    """AES17's full-scale sine touches the extreme code and is legitimate in a recording."""
    samples = quantised(tone(frequency_hz, 1.0), bits)
    assert code(samples, live=False) is None
    assert code(samples, live=True) == "input_overload"


@pytest.mark.parametrize("frequency_hz", [20.0, 50.013, 997.0])
@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("over_db", [0.3, 1.0, 6.0])
def test_a_recording_that_stands_at_full_scale_is_an_overload(frequency_hz, bits, over_db):
    samples = quantised(tone(frequency_hz, 10 ** (over_db / 20)), bits)
    assert code(samples, live=False) == "input_overload"


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_one_half_is_enough(sign):
    samples = sign * quantised(tone(50.013, 0.8) + 0.4, 24)
    assert code(samples, live=False) == "input_overload"


def test_an_amplifier_that_clips_below_full_scale_is_no_overload():
    harmonics = forms.clipped_cosine(400, 3.0, 3.0)
    samples = quantised(0.9 * forms.sampled(harmonics, 50.013, RATE_HZ, N), 24)
    assert np.abs(samples).max() < 10 ** (-1 / 20)
    assert code(samples, live=False) is None
    assert code(samples, live=True) is None


@pytest.mark.parametrize(("peak_dbfs", "expected"), [(-1.1, None), (-0.9, "input_overload")])
def test_live_ceiling_at_minus_1_dbfs(peak_dbfs, expected):
    samples = tone(997.0, 10 ** (peak_dbfs / 20))
    assert code(samples, live=True) == expected
    assert code(samples, live=False) is None


@pytest.mark.parametrize("live", [True, False])
def test_each_channel_has_its_own_void(live):
    frozen = tone(50.013, 0.5)
    frozen[4000:] = frozen[4000]
    broken = tone(50.013, 0.5)
    broken[17] = math.nan
    columns = [tone(50.013, 0.5), np.zeros(N), np.full(N, -0.25), frozen, broken]
    voids = input_void(np.column_stack(columns), RATE_HZ, live)
    assert [None if v is None else v.code for v in voids] == [
        None,
        "silent_input",
        "silent_input",
        "silent_input",
        "not_finite",
    ]
    assert all(v is None or v.reason.endswith(".") for v in voids)


def test_too_short():
    assert code(tone(997.0, 0.5)[:959], live=True) == "too_short"
    assert code(tone(997.0, 0.5)[:960], live=True) is None
    assert code(np.zeros(0), live=False) == "too_short"


def test_wrong_arguments_are_refused():
    with pytest.raises(ValueError, match="shape"):
        input_void(np.zeros(N), RATE_HZ, live=False)
    with pytest.raises(ValueError, match="rate"):
        input_void(np.zeros((N, 1)), 0.0, live=False)
