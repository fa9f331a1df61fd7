"""Lost and repeated samples: where, how long, and which of the two."""

import math

import numpy as np
import pytest

from levelset.analysis.continuity import find_breaks
from tests.recordings.recorded import RATE_HZ, tone


def case(seed):
    """A tone with noise of a 24-bit recording, and a place and length to break it."""
    rng = np.random.default_rng(seed)
    frequency_hz = math.exp(rng.uniform(math.log(20.0), math.log(12000.0)))
    seconds = 3.0 if frequency_hz > 60.0 else 5.0
    noise = 0.35 * 10.0 ** (-rng.uniform(30.0, 90.0) / 20.0)
    x = tone(frequency_hz, seconds=seconds, noise=noise, seed=seed)
    x = np.round(x * 2.0**23) / 2.0**23
    frames = int(rng.integers(32, 2000))
    turn_rad = abs(math.remainder(2.0 * math.pi * frequency_hz * frames / RATE_HZ, 2.0 * math.pi))
    return x, frequency_hz, int(rng.integers(x.size // 4, x.size // 2)), frames, turn_rad


@pytest.mark.parametrize("seed", range(25))
def test_breaks_are_found_and_told_apart(seed):
    x, frequency_hz, at, frames, turn_rad = case(seed)
    assert find_breaks(x, RATE_HZ, frequency_hz * (1.0 + 1e-6)) == ()
    held = x.copy()
    held[at : at + frames] = 0.0
    [found] = find_breaks(held, RATE_HZ, frequency_hz)
    assert (found.kind, found.held) == ("drop_out", True)
    assert abs(found.at - at) <= 2
    assert abs(found.frames - frames) <= 4
    if turn_rad < 0.1:  # whole periods: nothing to be seen
        return
    [found] = find_breaks(np.concatenate((x[:at], x[at + frames :])), RATE_HZ, frequency_hz)
    assert (found.kind, found.held) == ("drop_out", False)
    period = RATE_HZ / frequency_hz
    off = math.remainder(found.frames - frames, period)
    assert abs(off) <= 1.0 + 0.05 * period
    [found] = find_breaks(np.concatenate((x[:at], x[at - frames :])), RATE_HZ, frequency_hz)
    assert (found.kind, found.frames) == ("repeated_block", frames)
    assert abs(found.at - at) <= 0.1 * period + 2


def test_a_tone_that_repeats_anyway_is_not_called_a_repeated_block():
    """48 samples a period, without noise: a jump is seen, its kind cannot be told."""
    x = np.sin(2.0 * np.pi * np.arange(3 * RATE_HZ) / 48.0)
    x = np.round(x * 2.0**15) / 2.0**15
    [found] = find_breaks(np.concatenate((x[:50000], x[50000 - 500 :])), RATE_HZ, 1000.0)
    assert found.kind == "drop_out"
    assert "at least" in found.void(2.0, RATE_HZ).reason
    assert f"{2.0 + found.at / RATE_HZ:.3f} s" in found.void(2.0, RATE_HZ).reason


def test_nothing_to_look_at():
    assert find_breaks(np.zeros(RATE_HZ), RATE_HZ, 100.0) == ()
    assert find_breaks(tone(20.0, seconds=0.2), RATE_HZ, 20.0) == ()
