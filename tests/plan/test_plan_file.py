"""A plan file is one readable page, and every fault in it names its key."""

from __future__ import annotations

import math
import tomllib

import pytest

from levelset.errors import UsageError
from levelset.plan import plan_file
from levelset.plan.plan_file import plan_from_document

# The example that the module itself shows.
EXAMPLE = "\n".join(
    line.removeprefix("    ")
    for line in plan_file.__doc__.split("TOML::", 1)[1].splitlines()  # type: ignore[union-attr]
)


def test_the_documented_example_is_a_plan():
    plan = plan_from_document(tomllib.loads(EXAMPLE))
    assert plan.vehicle == "an invented estate"
    assert not plan.invented
    [bass] = plan.channels
    # Two 4 ohm coils in parallel take 250 W at 2 ohm: sqrt(500) V (Ohm's law).
    assert bass.target.volts_rms == pytest.approx(math.sqrt(500.0))
    assert plan.probe.coupling_hz == (2.1,)
    assert plan.probe.meter.counts == 3
    assert plan.probe.meter.frequency_hz == (40.0, 400.0)
    assert plan.probe.meter.true_rms is True
    assert plan.probe.ground_lead_ratio == 0.009


def test_what_may_be_left_out_is_not_known():
    left_out = ("ground_lead_ratio", "range_hz", "true_rms")
    kept = [line for line in EXAMPLE.splitlines() if not line.startswith(left_out)]
    probe = plan_from_document(tomllib.loads("\n".join(kept))).probe
    assert probe.ground_lead_ratio == 0.0
    assert probe.meter.frequency_hz is None
    assert probe.meter.true_rms is None


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("max_volume = 40", "", "max_volume is missing"),
        ("max_volume = 40", "max_volume = 40\nmystery = 1", "mystery is unknown"),
        ("start_volume = 10", "start_volume = 41", "start_volume"),
        ('load = "4||4"', 'load = "4||"', "load"),
        ('load = "4||4"', 'load = "1"', "below"),
        ("rated = [[4.0, 150.0], [2.0, 250.0]]", "rated = []", "rated"),
        ("rated = [[4.0, 150.0], [2.0, 250.0]]", "rated = [[4.0, nan]]", "rated"),
        ("band_hz = [25, 80]", "band_hz = [80, 25]", "band_hz"),
        ("overlap_db = 0.0", "overlap_db = 16.0", "overlap_db"),
        ('tone_from = "vehicle"', 'tone_from = "nobody"', "tone_from"),
        ("limit_percent = 1.0", "limit_percent = true", "limit_percent"),
        ("[meter]", "[metre]", "metre"),
        ("tips = 2", "tips = 3", "tips"),
        ("ground_lead_ratio = 0.009", "ground_lead_ratio = 0.2", "ground_lead_ratio"),
        ("range_hz = [40, 400]", "range_hz = [400, 40]", "range_hz"),
        ("true_rms = true", "true_rms = 1", "true_rms"),
        ("[[channel]]", "[channel]", "channel"),
    ],
)
def test_a_bad_field_is_named(old, new, key):
    assert old in EXAMPLE
    with pytest.raises(UsageError, match=key):
        plan_from_document(tomllib.loads(EXAMPLE.replace(old, new, 1)))


def test_two_channels_of_one_name():
    document = tomllib.loads(EXAMPLE)
    document["channel"] *= 2
    with pytest.raises(UsageError, match="two channels"):
        plan_from_document(document)
