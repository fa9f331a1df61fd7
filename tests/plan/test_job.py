import math

import pytest

from levelset.errors import UsageError
from levelset.plan.job import plan_channel
from levelset.plan.target import Rating


def plan(**changes):
    fields = {
        "name": "bass",
        "load": "4||4",
        "ratings": [Rating(4.0, 150.0), Rating(2.0, 250.0)],
        "rated_supply_v": 14.4,
        "loudspeaker_w": None,
        "band_hz": (25.0, 80.0),
        "overlap_db": 0.0,
        "supply_v": 14.2,
    }
    return plan_channel(**(fields | changes))


def test_a_bass_channel():
    channel = plan()
    assert channel.net_load_ohm == 2.0
    assert channel.target.power_w == 250.0
    assert channel.target.volts_rms == pytest.approx(math.sqrt(500.0))
    assert channel.target.limited_by == "target"
    assert 25.0 <= channel.set_tone_hz <= 80.0
    assert channel.target.expected_clip_volts_rms == pytest.approx(
        math.sqrt(500.0) / 1.0234773 * 14.2 / 14.4
    )


def test_the_loudspeaker_limits_where_it_bears_less():
    channel = plan(loudspeaker_w=200.0)
    assert channel.target.limited_by == "loudspeaker"
    assert channel.target.power_w == 200.0
    assert channel.target.volts_rms == pytest.approx(20.0)
    # The amplifier clips where it did.
    assert channel.target.clean_volts_rms == plan().target.clean_volts_rms
    assert plan(loudspeaker_w=250.0).target.limited_by == "target"
    assert plan(loudspeaker_w=400.0).target == plan().target


def test_overlap_reaches_the_tone():
    assert plan(overlap_db=5.0).target.tone_dbfs == -5.0


@pytest.mark.parametrize(
    "changes",
    [
        {"name": ""},
        {"name": "two\nlines"},
        {"load": "4||4||4||4"},
        {"load": "4||"},
        {"ratings": []},
        {"rated_supply_v": 0.0},
        {"loudspeaker_w": 0.0},
        {"loudspeaker_w": math.inf},
        {"band_hz": (80.0, 25.0)},
        {"band_hz": (25.0,)},
        {"overlap_db": 20.0},
        {"supply_v": math.nan},
    ],
)
def test_a_bad_field_is_a_usage_error(changes):
    with pytest.raises(UsageError):
        plan(**changes)
