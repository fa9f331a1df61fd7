import math
from dataclasses import replace

import pytest

from levelset.analysis.volume_curve import (
    VolumeStep,
    bass_loss,
    held_from,
    is_over,
    judge_curve,
)


def curve(levels_db, over_from=None, first=1):
    return [
        VolumeStep(
            first + i,
            10 ** (db / 20),
            0.05 if over_from is None or i < over_from else 3.0,
            "clean" if over_from is None or i < over_from else "hard_clipping",
        )
        for i, db in enumerate(levels_db)
    ]


STEADY = [-30 + 1.5 * i for i in range(16)]


def test_a_plain_curve_has_no_fault():
    got = judge_curve(curve(STEADY, over_from=12), 1.0)
    assert got.step_db == pytest.approx(1.5)
    assert (got.repeated, got.missed, got.fixed, got.limited_from) == ((), (), False, None)
    assert got.sentences() == ()


def test_a_volume_law_with_steps_of_its_own_is_no_fault():
    levels, db = [], -60.0
    for i in range(24):
        levels.append(db)
        db += 5.0 * 0.9**i + 0.5
    got = judge_curve(curve(levels), 1.0)
    assert (got.repeated, got.missed, got.limited_from) == ((), (), None)


@pytest.mark.parametrize("at", [3, 7, 12])
def test_repeated_and_missed_steps(at):
    levels = list(STEADY)
    got = judge_curve(curve(levels[:at] + [levels[at - 1]] + levels[at:]), 1.0)
    assert got.repeated == (at + 1,)
    assert got.missed == ()
    got = judge_curve(curve(levels[:at] + levels[at + 1 :]), 1.0)
    assert got.missed == ((at + 1, 1),)
    assert got.repeated == ()
    assert "2 steps at once" in got.sentences()[0]


def test_a_step_that_was_not_measured_is_none_missed():
    points = curve(STEADY)
    del points[6]
    got = judge_curve(points, 1.0)
    assert (got.repeated, got.missed) == ((), ())


def test_a_limiter_is_told_from_clipping():
    held = [min(db, -15.0) + 0.02 * i for i, db in enumerate(STEADY)]
    got = judge_curve(curve(held), 1.0)
    assert got.limited_from == 12
    assert got.limited_volts_rms == pytest.approx(10 ** (held[-1] / 20))
    assert "no longer follows the volume" in got.sentences()[0]
    # The same levels with flat tops are clipping, and no limiter.
    assert judge_curve(curve(held, over_from=11), 1.0).limited_from is None


def test_a_soft_limiter_of_four_to_one():
    held = [db if db < -15 else -15 + (db + 15) / 4 for db in STEADY]
    assert judge_curve(curve(held), 1.0).limited_from == 12


def test_a_fixed_output():
    got = judge_curve(curve([-6.0 + 0.05 * (i % 2) for i in range(8)]), 1.0)
    assert got.fixed
    assert "fixed" in got.sentences()[0]


def test_over_from_the_first_step_and_unknown_distortion():
    got = judge_curve(curve(STEADY, over_from=0), 1.0)
    assert (got.step_db, got.sentences()) == (None, ())
    assert is_over(VolumeStep(1, 1.0, None, "clean"), 1.0)


def test_bass_that_is_withdrawn():
    upper = curve(STEADY)
    bass = curve([db - max(0.0, 0.8 * (i - 9)) for i, db in enumerate(STEADY)])
    loss = bass_loss(bass, upper, 1.0)
    assert loss.withdrawn
    # Index 9, volume 10, is the last at which nothing is; 0.8 dB are more than half a decibel.
    assert (loss.from_volume, loss.kept_to) == (11, 10)
    assert loss.most_db == pytest.approx(0.8 * 6)
    same = bass_loss(curve([db - 2.0 for db in STEADY]), upper, 1.0)
    assert not same.withdrawn
    assert same.most_db == pytest.approx(0.0, abs=1e-9)
    assert (same.from_volume, same.kept_to) == (None, None)
    # Little more is lost after a first large step: the line meets zero far below.
    bent = curve([db - min(2.0, 1.0 * i) - 0.01 * i for i, db in enumerate(STEADY)])
    assert bass_loss(bent[:2] + bent[3:], upper, 1.0).kept_to == 1
    assert bass_loss(bass[:1], upper, 1.0) is None


def test_bass_that_is_withdrawn_is_told_among_levels_that_noise_distorts():
    upper = curve(STEADY)
    bass = curve([db - max(0.0, 0.4 * (i - 5)) for i, db in enumerate(STEADY)])
    noisy = [replace(step, thd_percent=30.0) for step in bass[:9]] + bass[9:]
    assert bass_loss(noisy, upper, 1.0) == bass_loss(bass, upper, 1.0)
    assert bass_loss(bass, upper, 1.0).from_volume == 8
    assert bass_loss(bass, upper, 1.0).kept_to == 6
    noisy = [replace(step, thd_percent=None) for step in upper[:9]] + upper[9:]
    assert bass_loss(bass, noisy, 1.0) == bass_loss(bass, upper, 1.0)
    # Tops that are flat lose level too; that is no bass withdrawn.
    held = [min(db, -20.0) for db in STEADY]
    assert not bass_loss(curve(held, over_from=7), upper, 1.0).withdrawn
    assert bass_loss(curve(held, over_from=0), upper, 1.0) is None


def test_steps_that_become_smaller_once_bass_is_withdrawn_hide_no_click():
    levels = [-30.0, -28.5, -27.6, -26.7, -25.8, -24.9, -24.0]
    assert judge_curve(curve(levels), 1.0).missed == ()


@pytest.mark.parametrize(
    "points",
    [
        [],
        [VolumeStep(2, 1.0, 0.1, "clean"), VolumeStep(2, 1.1, 0.1, "clean")],
        [VolumeStep(1, 0.0, 0.1, "clean")],
        [VolumeStep(1, math.nan, 0.1, "clean")],
    ],
)
def test_bad_curves_are_refused(points):
    with pytest.raises(ValueError):
        judge_curve(points, 1.0)


def test_a_limiter_seen_at_few_volumes():
    """0.5 V at 10 and 1.5 dB a step reach 2 V after 12.04 dB: 18 is below, 19 would be above."""

    def points(most_v, clean_to=99):
        return [
            VolumeStep(
                v,
                min(0.5 * 10.0 ** (1.5 * (v - 10) / 20.0), most_v),
                0.05 if v <= clean_to else 9.0,
                "clean" if v <= clean_to else "hard_clipping",
            )
            for v in (10, 15, 23, 24, 25)
        ]

    assert held_from(points(2.0), 1.0) == 19
    assert held_from(points(100.0), 1.0) is None
    # Flat tops hold a level too.
    assert held_from(points(2.0, clean_to=15), 1.0) is None
