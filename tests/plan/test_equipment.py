"""Amplifiers, bridged loads, matched channels and coils in the plan file."""

from __future__ import annotations

import copy
import math
import tomllib

import msgspec
import pytest

from levelset.errors import UsageError
from levelset.plan.equipment import AmplifierPlan, SupplyRating
from levelset.plan.job import JobPlan
from levelset.plan.plan_file import plan_from_document
from levelset.plan.target import Rating
from levelset.record.schema import from_data
from tests.plan.test_plan_file import EXAMPLE


def plan(text=EXAMPLE, *changes):
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return plan_from_document(tomllib.loads(text))


def test_the_documented_example_has_its_equipment():
    found = plan()
    [amplifier] = found.amplifiers
    assert amplifier.rated == (Rating(4.0, 150.0), Rating(2.0, 250.0))
    assert amplifier.also_rated == (SupplyRating(4.0, 110.0, 12.6),)
    assert amplifier.feed.awg == 4
    assert amplifier.feed.fuse_a == 100.0
    assert found.processor.max_output_v_rms == 8.0
    assert found.supply.running_v == 14.2
    assert found.unconfirmed == ("channel.bass.load",)
    [bass] = found.channels
    assert found.amplifier_of(bass) is amplifier
    assert bass.input_range_v_rms == (0.2, 5.0)
    # At 2 ohm there is one supply voltage only: the clip point is proportional to the supply.
    expected = math.sqrt(500.0) / 1.023477 * 14.2 / 14.4
    assert bass.target.expected_clip_volts_rms == pytest.approx(expected, rel=1e-5)


# A bridged amplifier on Z: each half sees Z/2; 10 V on each of two halves at 2 ohm, 50 W each, is
# 100 W into 4 ohm bridged (worked example of every circuit textbook; arithmetic).
def test_bridged_from_the_ratings_of_one_channel():
    amplifier = AmplifierPlan("a", (Rating(2.0, 50.0), Rating(4.0, 25.0)), 14.4)
    assert Rating(4.0, 100.0) in amplifier.ratings(bridged=True)
    assert math.sqrt(100.0 * 4.0) == 2.0 * 10.0


def test_bridged_takes_its_own_ratings_and_halves_the_load():
    found = plan(EXAMPLE, ("bridged = false", "bridged = true"), ('"4||4"', '"4"'))
    [bass] = found.channels
    assert bass.target.power_w == 300.0  # the loudspeaker's
    assert bass.ratings == (Rating(4.0, 500.0),)
    assert bass.output_load_ohm == 2.0


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([("bridged = false", "bridged = true")], "1 ohm on each of its halves.*bridged, 4 ohm"),
        ([('"4||4"', '"4||4||4"')], "below the lowest load of bass amplifier, 2 ohm"),
        (
            [("bridged = false", "bridged = true"), ("lowest_bridged_ohm = 4.0", "")],
            "below the lowest load of bass amplifier bridged, 4 ohm",
        ),
        ([('amplifier = "bass amplifier"', 'amplifier = "other"')], "amplifiers are: bass ampl"),
        (
            [('"channel.bass.load"', '"channel.bass.lode"')],
            "names 'channel.bass.lode', which is not there",
        ),
        ([('awg = "4"', 'awg = "4/7"')], "gauge"),
        ([('awg = "4"', 'awg = "4", area_mm2 = 25')], "one of both"),
        ([('kind = "speaker_bridged"', 'kind = "wireless"')], "kind"),
        ([("also_rated = [[4.0, 110.0, 12.6]]", "also_rated = [[4.0, 110.0]]")], "three numbers"),
        (
            [
                ("channel.bass.load", "channel.bass.coils"),
                ('load = "4||4"', 'coil_ohm = 4.0\ncoils = 3\nwiring = "single"'),
            ],
            "do not fit",
        ),
        ([('load = "4||4"', 'load = "4"\ncoils = 2')], "stands beside"),
        ([("rest_volts = 12.5", "rest_volts = 1.5")], "rest_volts"),
    ],
)
def test_what_cannot_be_is_refused(changes, words):
    with pytest.raises(UsageError, match=words):
        plan(EXAMPLE, *changes)


# Two drivers with two 4 ohm coils each: all in parallel 1, coils in series then parallel 4, all in
# series 16 ohm (arithmetic, Kirchhoff's laws).
@pytest.mark.parametrize(
    ("wiring", "coils", "ohm"),
    [("series_parallel", 4, 4.0), ("series", 4, 16.0), ("parallel", 2, 2.0), ("single", 1, 4.0)],
)
def test_coils_and_wiring(wiring, coils, ohm):
    text = f'coil_ohm = 4.0\ncoils = {coils}\nwiring = "{wiring}"'
    [bass] = plan(
        EXAMPLE, ("channel.bass.load", "channel.bass.coils"), ('load = "4||4"', text)
    ).channels
    assert bass.net_load_ohm == pytest.approx(ohm)


PAIR = """
[[channel]]
name = "left"
load = "4"
rated = [[4.0, 75.0]]
rated_supply = 14.4
band_hz = [80, 16000]
match = "front"
[[channel]]
name = "right"
load = "4"
rated = [[4.0, 60.0]]
rated_supply = 14.4
band_hz = [80, 16000]
match = "front"
[supply]"""


def test_matched_channels_have_one_target():
    _, left, right = plan(EXAMPLE, ("[supply]", PAIR)).channels
    assert left.target.volts_rms == right.target.volts_rms == pytest.approx(math.sqrt(240.0))
    assert (left.target.limited_by, right.target.limited_by) == ("match", "target")
    assert left.target.power_w == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("supply_v", "ratio"),
    [
        # Ratings at both ends: on the straight line through sqrt(100 * 4) and sqrt(64 * 4).
        (14.4, 1.0),
        (12.0, 0.8),
        (13.2, 0.9),
        # Outside: in proportion to the supply from the nearest rating.
        (10.8, 0.8 * 10.8 / 12.0),
    ],
)
def test_clip_point_follows_the_supply(supply_v, ratio):
    amplifier = AmplifierPlan(
        "a", (Rating(4.0, 100.0),), 14.4, also_rated=(SupplyRating(4.0, 64.0, 12.0),)
    )
    assert amplifier.clip_ratio(4.0, supply_v, bridged=False) == pytest.approx(ratio)


def test_regulated_does_not_follow():
    amplifier = AmplifierPlan("a", (Rating(4.0, 100.0),), 14.4, regulated=True)
    assert amplifier.clip_ratio(4.0, 11.0, bridged=False) == 1.0


def test_several_sources():
    other = '[[source]]\nname = "phone"\nmax_volume = 16\nstart_volume = 1\n[processor]'
    found = plan(EXAMPLE, ("[source]", "[[source]]"), ("[processor]", other))
    assert found.source.name == "factory radio"
    assert [one.name for one in found.other_sources] == ["phone"]


def test_a_plan_stored_without_the_newer_fields_still_opens():
    data = msgspec.to_builtins(plan())
    newer = ("amplifiers", "processor", "other_sources", "supply", "unconfirmed")
    old = {key: value for key, value in copy.deepcopy(data).items() if key not in newer}
    old["source"] = {"max_volume": 40, "start_volume": 10}
    for channel in old["channels"]:
        for key in ("amplifier", "bridged", "input_range_v_rms", "match"):
            del channel[key]
    found = from_data(old, JobPlan, "job")
    assert found.channels[0].target == plan().channels[0].target
    assert from_data(data, JobPlan, "job") == plan()


def test_a_value_to_confirm_that_is_gone_is_named_with_what_to_do() -> None:
    document = tomllib.loads(EXAMPLE)
    document["unconfirmed"] = [*document.get("unconfirmed", []), "channel.gone.load"]
    with pytest.raises(UsageError, match=r"unconfirmed names 'channel.gone.load', which is not"):
        plan_from_document(document)


def test_a_meters_dc_range_is_given_whole() -> None:
    document = tomllib.loads(EXAMPLE)
    for name in ("dc_percent", "dc_counts", "dc_resolution_v"):
        document["meter"].pop(name, None)
    document["meter"]["dc_counts"] = 2
    with pytest.raises(UsageError, match="dc_percent"):
        plan_from_document(document)
