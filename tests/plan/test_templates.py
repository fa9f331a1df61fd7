"""Templates are plans, say what waits for confirmation, and are edited without losing a comment."""

from __future__ import annotations

import tomllib

import pytest

from levelset.errors import UsageError
from levelset.plan.plan_file import plan_from_document
from levelset.plan.plan_keys import value_names
from levelset.plan.plan_text import confirmed, text_from_template, with_value
from levelset.plan.supply import feeds
from levelset.plan.templates import TEMPLATES, template_named


def plan_of(text):
    return plan_from_document(tomllib.loads(text))


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda template: template.name)
def test_a_template_is_a_plan_that_waits(template):
    text = text_from_template(template)
    plan = plan_of(text)
    assert set(plan.unconfirmed) < set(value_names(tomllib.loads(template.text)))
    assert {"channel.bass.load", "source.max_volume", "meter.percent"} <= set(plan.unconfirmed)
    assert "invented" in plan.vehicle
    assert set(template.asked) <= set(plan.unconfirmed)
    assert len(template.asked) <= 8
    assert not any(feed.findings for feed in feeds(plan))
    assert text.startswith("# A template: nothing in it is a real vehicle")
    assert plan_of(confirmed(text)).unconfirmed == ()
    assert confirmed(text).count("#") == template.text.count("#")


def test_what_is_typed_is_confirmed_and_nothing_else():
    text = text_from_template(TEMPLATES[0])
    before = plan_of(text)
    text = with_value(text, "channel.bass.load", "2+2")
    text = with_value(text, "amplifier.bass amplifier.rated", "[[4.0, 200.0]]")
    text = with_value(text, "source.max_volume", "62")
    after = plan_of(text)
    assert after.channels[2].net_load_ohm == 4.0
    assert after.channels[2].target.power_w == 200.0
    assert after.source.max_volume == 62
    gone = {"channel.bass.load", "amplifier.bass amplifier.rated", "source.max_volume"}
    assert set(before.unconfirmed) - set(after.unconfirmed) == gone
    assert "of your probe: levelset probe designs one" in text


def test_a_channel_takes_another_name():
    text = with_value(text_from_template(TEMPLATES[0]), "channel.bass.name", "boot")
    plan = plan_of(text)
    assert plan.channels[2].name == "boot"
    assert "channel.boot.load" in plan.unconfirmed
    assert not any(one.startswith("channel.bass.") for one in plan.unconfirmed)


@pytest.mark.parametrize(
    ("key", "typed", "words"),
    [
        ("channel.bass.lode", "4", "no value"),
        ("source.max_volume", "forty", "cannot be 'forty'"),
        ("source.max_volume", "[", "cannot be"),
    ],
)
def test_what_cannot_be_typed(key, typed, words):
    with pytest.raises(UsageError, match=words):
        with_value(text_from_template(TEMPLATES[0]), key, typed)


def test_unknown_names():
    with pytest.raises(UsageError, match="front pair and bass"):
        template_named("limousine")
    with pytest.raises(UsageError, match="does not wait"):
        confirmed(text_from_template(TEMPLATES[0]), ["vehicle", "vehicle"])
