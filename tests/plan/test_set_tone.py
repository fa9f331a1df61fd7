import math
import random

import numpy as np
import pytest

from levelset.errors import UsageError
from levelset.plan.set_tone import (
    UPPER_TONE_HZ,
    calibration_tone_hz,
    choose_set_tone,
    mains_distance_hz,
)

MAINS = np.array([n * base for base in (50.0, 60.0) for n in range(1, 2601)])


def brute_distance(frequency_hz):
    """Every multiple of 50 and 60 Hz against the tone and its 2nd to 6th harmonic."""
    multiples = frequency_hz * np.arange(1, 7)
    return float(np.min(np.abs(multiples[:, None] - MAINS[None, :])))


BANDS = [(25, 80), (30, 120), (80, 250), (80, 20000), (250, 3000), (3000, 20000), (20, 20000)]
BANDS += [(48.5, 51.5), (59.0, 62.0)]  # no tone of these is clear of mains
_random = random.Random(7)
BANDS += [
    (low, min(low * ratio, 40000.0))
    for low, ratio in (
        (10.0 ** _random.uniform(1.1, 3.9), 10.0 ** _random.uniform(0.01, 2.0)) for _ in range(120)
    )
]


@pytest.mark.parametrize(("low", "high"), BANDS)
def test_the_tone_lies_in_the_band_clear_of_mains_near_the_middle(low, high):
    tone = choose_set_tone(low, high)
    assert low <= tone.frequency_hz <= min(high, 20000.0)
    assert tone.mains_distance_hz == pytest.approx(brute_distance(tone.frequency_hz), abs=1e-9)
    if not tone.clear_of_mains:
        # Then no tone does, by a search ten times finer than the product's.
        n = int((high - low) * 100) + 1
        assert max(brute_distance(low + i / 100) for i in range(n)) < 3.1
        return
    middle = math.sqrt(low * min(high, 20000.0))
    octaves = abs(math.log2(tone.frequency_hz / middle))
    if tone.frequency_hz != UPPER_TONE_HZ:
        better = [
            f
            for f in range(math.ceil(max(low, middle / 2)), int(min(high, middle * 2)) + 1)
            if abs(math.log2(f / middle)) < octaves - 1e-9 and brute_distance(f) >= 3.0
        ]
        assert octaves <= 1.0 / 6.0 + 1e-9 or not better


def test_upper_bands_use_the_standard_tone():
    # 997 Hz: AES17 (from memory); it keeps the rule, exactly 3 Hz from 1000 Hz.
    assert brute_distance(997) == 3.0
    for band in ((80, 20000), (250, 3000), (20, 20000), (500, 5000)):
        assert choose_set_tone(*band).frequency_hz == 997.0
    for band in ((25, 80), (80, 250), (3000, 20000), (990, 4000), (200, 1000)):
        assert choose_set_tone(*band).frequency_hz != 997.0


def test_a_band_without_a_clear_tone_gets_the_widest_distance_and_says_so():
    tone = choose_set_tone(49.0, 51.0)
    assert not tone.clear_of_mains
    assert 49.0 <= tone.frequency_hz <= 51.0
    assert (
        tone.mains_distance_hz
        == max(brute_distance(f / 10) for f in range(490, 511))
        == pytest.approx(1.0)
    )


def test_a_very_narrow_band_still_gets_a_tone_inside():
    tone = choose_set_tone(43.01, 43.02)
    assert 43.01 <= tone.frequency_hz <= 43.02


def test_calibration_tone_is_near_100_hz_and_clear():
    tone = calibration_tone_hz()
    assert 85.0 <= tone <= 118.0
    assert brute_distance(tone) >= 3.0


@pytest.mark.parametrize("frequency", [50, 60, 100, 150, 120, 25, 20, 30, 10, 12.5])
def test_tones_whose_harmonics_meet_mains_have_no_distance(frequency):
    assert mains_distance_hz(frequency) == 0.0


@pytest.mark.parametrize(
    ("low", "high"),
    [
        (0, 80),
        (-25, 80),
        (80, 25),
        (80, 80),
        (25, math.inf),
        (math.nan, 80),
        (25, 1e7),
        (30000, 40000),
        ("25", 80),
    ],
)
def test_bad_bands_are_refused(low, high):
    with pytest.raises(UsageError):
        choose_set_tone(low, high)
