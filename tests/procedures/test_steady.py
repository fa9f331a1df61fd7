"""Steady means what the rule says, and one knock ends nothing."""

from __future__ import annotations

import pytest

from levelset.analysis.result import Clipping, ToneResult, Void
from levelset.probe.reading import Reading
from levelset.procedures.steady import ClippingWatch, SteadyWatch, over_by_more, over_limit
from levelset.quantity import Quantity


def reading(
    start_s,
    level_db=-20.0,
    *,
    u_db=0.01,
    thd=0.1,
    thd_u=0.01,
    state="clean",
    void=None,
    over_db=None,
):
    tone = ToneResult(
        void=void,
        level_dbfs=None if void else Quantity(level_db, u_db, "dB"),
        thd_percent=None if void else Quantity(thd, thd_u, "%"),
        clipping=None if void else Clipping(state, "none", over_db, None, None),
    )
    return Reading("pair", start_s, 0.25, tone, None, None)


def feed(watch, levels, start_s=0.0, **more):
    for i, level in enumerate(levels):
        watch.add(reading(start_s + 0.25 * i, level, **more))


def test_four_windows_must_agree():
    watch = SteadyWatch(0.0)
    feed(watch, [-20.0, -20.0, -20.0])
    assert not watch.steady
    feed(watch, [-20.04], start_s=0.75)
    assert watch.steady
    assert watch.confirmed


def test_a_drift_is_not_steady():
    watch = SteadyWatch(0.0)
    feed(watch, [-20.0, -20.02, -20.04, -20.06])
    assert not watch.steady
    assert watch.span_db == pytest.approx(0.06)


def test_scatter_of_the_reading_widens_the_span():
    watch = SteadyWatch(0.0)
    feed(watch, [-20.0, -20.2, -20.1, -20.0], u_db=0.2)
    assert watch.steady


def test_seen_again_two_seconds_later():
    watch = SteadyWatch(2.0)
    feed(watch, [-20.0] * 11)
    assert watch.steady
    assert not watch.confirmed
    feed(watch, [-20.0], start_s=2.75)
    assert watch.confirmed


def test_a_slow_creep_between_the_two_sights_starts_again():
    watch = SteadyWatch(2.0)
    feed(watch, [-20.0 + 0.012 * i for i in range(12)])
    assert watch.steady
    assert not watch.confirmed


def test_a_void_starts_again():
    watch = SteadyWatch(0.0)
    feed(watch, [-20.0] * 3)
    watch.add(reading(0.75, void=Void("no_tone", "There is no tone.")))
    feed(watch, [-20.0], start_s=1.0)
    assert not watch.steady


def test_one_knock_ends_nothing():
    watch = ClippingWatch(1.0)
    for state in ("hard_clipping", "hard_clipping", "clean", "hard_clipping", "hard_clipping"):
        watch.add(reading(0.0, state=state))
        assert not watch.confirmed
    watch.add(reading(0.0, state="hard_clipping"))
    assert watch.confirmed


@pytest.mark.parametrize(
    ("thd", "u", "surely", "perhaps"),
    [
        (0.5, 0.1, False, False),
        (0.95, 0.1, False, True),
        (1.05, 0.1, False, True),
        (1.2, 0.1, True, True),
    ],
)
def test_limit_within_the_uncertainty_is_too_close_to_call(thd, u, surely, perhaps):
    one = reading(0.0, thd=thd, thd_u=u)
    assert over_limit(one, 1.0, doubtful=False) is surely
    assert over_limit(one, 1.0, doubtful=True) is perhaps


def test_flat_top_below_the_thd_limit_is_over():
    assert over_limit(reading(0.0, thd=0.3, state="hard_clipping"), 1.0, doubtful=False)


@pytest.mark.parametrize(
    ("over_db", "thd", "is_over"),
    [
        (Quantity(0.5, 0.1, "dB"), 0.3, True),
        (Quantity(0.04, 0.02, "dB"), 0.3, False),
        (Quantity(0.04, 0.02, "dB"), 1.2, True),
        # Perhaps by nothing.
        (Quantity(0.3, 0.4, "dB"), 0.3, False),
        (Quantity(0.3, 0.4, "dB"), 1.2, True),
    ],
)
@pytest.mark.parametrize("doubtful", [False, True])
def test_tops_flat_by_next_to_nothing_count_by_their_distortion(over_db, thd, is_over, doubtful):
    one = reading(0.0, thd=thd, state="hard_clipping", over_db=over_db)
    assert over_by_more(one, 1.0, doubtful=doubtful) is is_over
