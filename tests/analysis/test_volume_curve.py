import math

import pytest

from levelset.analysis.volume_curve import VolumeStep, bass_loss, is_over, judge_curve


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
    assert loss.from_volume == 11
    assert loss.most_db == pytest.approx(0.8 * 6)
    same = bass_loss(curve([db - 2.0 for db in STEADY]), upper, 1.0)
    assert not same.withdrawn
    assert same.most_db == pytest.approx(0.0, abs=1e-9)
    assert bass_loss(bass[:1], upper, 1.0) is None


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
