"""The values of a plan in words."""

from __future__ import annotations

import tomllib

from levelset.plan.plan_keys import value_at, value_names
from levelset.plan.plan_text import shown_value, text_from_template, with_value
from levelset.plan.templates import TEMPLATES
from levelset.tui.renderables.plan_rows import how_to_type, key_words, listed, value_words


def test_every_value_of_a_template_is_words():
    [text] = [text_from_template(one) for one in TEMPLATES if one.name == "four channels and bass"]
    document = tomllib.loads(text)
    for key in value_names(document):
        value = value_at(document, key)
        words = f"{key_words(key)} {value_words(key, value)}"
        assert "_" not in words
        assert "{" not in f"{words} {how_to_type(key)}"
        assert "None" not in words
        # What the line shows to be changed can be typed as it stands.
        if isinstance(value, dict):
            assert tomllib.loads(with_value(text, key, shown_value(value))) == {
                **document,
                "unconfirmed": [one for one in document["unconfirmed"] if one != key],
            }


def test_words_and_units():
    assert key_words("channel.front left.loudspeaker_w") == "front left: loudspeakers take"
    assert key_words("source.max_volume") == "source: highest volume"
    assert key_words("vehicle") == "vehicle"
    assert value_words("amplifier.a.rated", [[4.0, 75.0], [2.0, 120.5]]) == (
        "75 W into 4 ohm, 120.5 W into 2 ohm"
    )
    assert value_words("amplifier.a.also_rated", [[4.0, 60.0, 12.6]]) == "60 W into 4 ohm at 12.6 V"
    assert value_words("probe.coupling_hz", []) == "passes DC"
    assert value_words("probe.coupling_hz", [2.0, 5.5]) == "2 Hz and 5.5 Hz"
    assert value_words("channel.a.band_hz", [25, 80]) == "25 to 80 Hz"
    assert value_words("source.kind", "speaker_bridged") == "loudspeaker wires, bridged"
    assert value_words("meter.true_rms", True) == "yes"
    cable = {"awg": "4", "material": "copper", "length_m": 5.0, "return_m": 0.5, "fuse": 80}
    assert value_words("amplifier.a.feed", cable) == "4 AWG copper, 5 + 0.5 m, fuse 80 A"


def test_what_belongs_to_one_thing_is_listed_together():
    keys = ("vehicle", "channel.bass.load", "channel.bass.band_hz", "probe.tips")
    assert listed(keys) == "vehicle; bass: loudspeakers as wired, plays; probe: tips"
