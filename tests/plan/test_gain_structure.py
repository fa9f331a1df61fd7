"""The chain of one channel, by numbers worked by hand."""

from __future__ import annotations

import math

import pytest

from levelset.plan.gain_structure import LevelFacts, gain_structure
from levelset.tui.renderables.gain_structure import gain_structure_lines
from tests.plan.test_equipment import EXAMPLE, plan


def facts(source_v=4.0, set_v=None, clip_v=None, processor=0.0, **options):
    """Give the results of a job; the processor's gain in dB, or its result."""
    clean = {"volume": 30, "volts_rms": {"value": source_v, "u": 0.01}, "limited_by": "clipping"}
    gain = None
    if set_v is not None:
        clip = None if clip_v is None else {"value": clip_v, "u": 0.1}
        gain = {"set_volts_rms": {"value": set_v, "u": 0.1}, "clip_volts_rms": clip}
    if isinstance(processor, float):
        volts = (source_v or 0.0) * 10.0 ** (processor / 20.0)
        processor = {"volume": 30, "volts_rms": {"value": volts, "u": 0.01}}
    return LevelFacts(clean if source_v else None, {"bass": gain}, processor=processor, **options)


def chain(found=None, *changes):
    one = plan(EXAMPLE, *changes)
    return gain_structure(one, one.channels[0], found or facts())


def stage(structure, name):
    return next(one for one in structure.stages if name in one.stage)


def test_planned():
    # Target sqrt(250 W * 2 ohm) = 22.361 V from a source of 4 V: 14.948 dB.
    found = chain()
    assert found.gain_db == pytest.approx(20.0 * math.log10(22.360680 / 4.0))
    output = stage(found, "amplifier, output")
    assert not output.measured
    # A hard clipper that is rated at 1 % THD begins to clip 1.0235 below its rating, here at 14.2
    # of 14.4 V.
    assert output.limit_v_rms == pytest.approx(22.36068 / 1.023477 * 14.2 / 14.4, rel=1e-5)
    assert output.headroom_db == pytest.approx(-0.2015 - 0.1215, abs=2e-3)
    speaker = stage(found, "loudspeaker")
    # 300 W against 250 W: 0.79 dB.
    assert speaker.headroom_db == pytest.approx(10.0 * math.log10(300.0 / 250.0))
    assert stage(found, "line converter, input").headroom_db == pytest.approx(
        20.0 * math.log10(5.0)
    )
    # The label's 5 V are for its full power, which is the target here: 1.94 dB.
    assert stage(found, "amplifier, input").headroom_db == pytest.approx(1.938, abs=1e-3)
    assert found.limits_first == "amplifier, output"
    assert "Set the gain of bass to 22.36 V, 14.9 dB" in found.advice


def test_behind_a_processor():
    """4 V less 6.02 dB are 2 V at the amplifier; without its result nothing is known there."""
    found = chain(facts(processor=-6.0206))
    assert found.gain_db == pytest.approx(20.0 * math.log10(22.360680 / 2.0))
    # The label of its output says 8 V: 12.04 dB above 2 V.
    assert stage(found, "line converter, output").headroom_db == pytest.approx(12.041, abs=1e-3)
    assert stage(found, "amplifier, input").headroom_db == pytest.approx(7.959, abs=1e-3)
    clips = {"volume": 30, "volts_rms": {"value": 2.0, "u": 0.01}}
    clips["clip_volts_rms"] = {"value": 2.2, "u": 0.02}
    output = stage(chain(facts(processor=clips)), "line converter, output")
    assert output.headroom_db == pytest.approx(20.0 * math.log10(1.1))
    for other in (None, {**clips, "volume": 29}):
        unknown = chain(facts(processor=other))
        assert unknown.gain_db is None
        assert stage(unknown, "amplifier, input").level_v_rms is None
        assert "Set the output level of an invented line converter first" in unknown.advice


def test_measured_supply_counts_before_the_planned_one():
    supply = {"engine_on_v": {"value": 13.0, "u": 0.05}}
    output = stage(chain(facts(supply=supply)), "amplifier, output")
    assert output.limit_v_rms == pytest.approx(22.36068 / 1.023477 * 13.0 / 14.4, rel=1e-5)


def test_drops_on_the_cables_are_taken_off():
    drops = {"drop_plus_v": {"value": 0.3, "u": 0.01}, "drop_ground_v": {"value": 0.1, "u": 0.01}}
    supply = {"engine_on_v": {"value": 14.4, "u": 0.05}, **drops}
    output = stage(chain(facts(supply=supply)), "amplifier, output")
    assert output.limit_v_rms == pytest.approx(22.36068 / 1.023477 * 14.0 / 14.4, rel=1e-5)
    assert "0.40 V lost" in output.note


def test_set_below_its_onset():
    found = chain(facts(4.0, set_v=15.2, clip_v=16.1))
    output = stage(found, "amplifier, output")
    assert output.measured
    assert output.headroom_db == pytest.approx(20.0 * math.log10(16.1 / 15.2))
    assert found.advice == "Nothing to turn: verify with everything back on."


def test_overlap_is_said():
    found = chain(facts(4.0, set_v=15.2, clip_v=16.1), ("overlap_db = 0.0", "overlap_db = 5.0"))
    output = stage(found, "amplifier, output")
    assert output.level_v_rms == pytest.approx(15.2 * 10 ** (5 / 20))
    # 5 dB of overlap less 0.5 dB of margin.
    assert "clip by up to 4.5 dB: that is what a gain overlap of 5 dB is for" in found.advice
    assert stage(found, "loudspeaker").level_v_rms == 15.2


@pytest.mark.parametrize(
    ("source_v", "words"),
    [
        (None, "Find the clean volume"),
        (12.0, "Amplifier, input: 7.6 dB too hot"),
        (0.1, "too weak by 6.0 dB"),
        (25.0, "line converter, input: 1.9 dB too hot"),
    ],
)
def test_what_comes_first_in_the_order_of_the_signal(source_v, words):
    assert words.lower() in chain(facts(source_v)).advice.lower()


def test_as_text():
    lines = gain_structure_lines(chain(), 80)
    assert all(len(line) <= 80 for line in lines)
    text = "\n".join(lines)
    [row] = [line for line in lines if line.startswith("amplifier, output")]
    assert row.split("output", 1)[1].split() == ["22.36", "V", "*", "21.54", "V", "-0.3", "dB"]
    assert "Limits first: amplifier, output." in text
    unknown = "\n".join(gain_structure_lines(chain(facts(None)), 60))
    assert "not known" in unknown
