"""The output level of a processor or line converter, by simulated hands and by hand.

Truth by closed forms from the car file: volume steps in decibels, the peak of a sine (the square
root of two) against the clip voltages.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from levelset.plan.gain_structure import LevelFacts, gain_structure
from levelset.ports.simulated import open_demo
from levelset.procedures.agenda import agenda
from levelset.procedures.catalogue import further_steps, run_step, whole_job
from levelset.procedures.common import AT_END
from levelset.procedures.engine import Engine
from levelset.procedures.facts import Facts, StepResult
from levelset.procedures.input_match import input_match
from levelset.procedures.protocol import Answer, Listen
from levelset.record.summary import summarise
from levelset.record.verification import verify_job
from levelset.report.dossier import read_dossier
from levelset.session import job_levels, open_demo_session
from tests.procedures.source_truth import car_with_source, source_with, true_clean

SQRT2 = math.sqrt(2.0)
SOURCE = source_with(start_volume=27)
CLEAN_VOLUME = true_clean(SOURCE)
CLEAN_V = 9.0 * 10.0 ** (-(32 - CLEAN_VOLUME) * 1.5 / 20.0)
"""9 V at volume 32, 1.5 dB a step, the low-order distortion of 0.05 % apart."""
WITHIN, METER_DB = 0.02, 0.2
"""The multimeter that the scale comes from has 0.8 % and three digits."""
PROCESSOR = {
    "input_clip_volts_peak": 12.0,
    "output_clip_volts_peak": 5.0,
    "gain_db": [-20.0, 6.0],
    "noise_millivolts": 0.3,
    "delay_ms": 2.5,
}


def car_file(folder, input_range=(0.3, 8.0), **changes):
    """Write a car whose amplifier takes up to 8 V at its input."""
    rows = [f"{k} = {v}" for k, v in {**PROCESSOR, **changes}.items() if v is not None]
    table = "\n".join(["[processor]", *rows])
    text = car_with_source(SOURCE).replace("\n[probe]", f"\n{table}\n\n[probe]")
    if input_range is not None:
        label = f"input_range_volts = {list(input_range)}"
        text = text.replace("band_hz = [25, 80]", f"band_hz = [25, 80]\n{label}")
    path = folder / "car.toml"
    path.write_text(text, "utf-8")
    return path


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """Run the steps up to the gain on a car whose processor clips first; leave the job's folder."""
    folder = tmp_path_factory.mktemp("processor")
    session = open_demo_session(car_file(folder), folder / "jobs", seed=5, fast=True)
    try:
        for name, channel in (
            ("calibrate", None),
            ("output_kind", None),
            ("clean_volume", None),
            ("processor", None),
            ("input_match", None),
            ("output_kind", "bass"),
            ("gain", "bass"),
        ):
            session.run_one(session.simulated_hands, name, channel)
        [(seq, calibration)] = session.job.calibrations()
        steps = tuple(
            StepResult(s.procedure, s.channel, s.outcome, s.sentence, s.result, tuple(s.cautions))
            for s in session.job.steps()
        )
    finally:
        session.close()
    return steps, session.job_path, (calibration, seq)


def step_of(done, procedure):
    return next(step for step in reversed(done[0]) if step.procedure == procedure)


def job_text(path):
    """Return what ``job show`` says."""
    return summarise(path).text()


class NoRecord:
    """Keeps nothing."""

    def __init__(self):
        self.accepted = []

    def append(self, kind, data):
        if kind == "reading":
            self.accepted.append(data["as_what"])
        return 1

    def store_capture(self, codes, rate_hz):
        return "0" * 64


@pytest.fixture
def behind(done, tmp_path):
    """Return a function that takes the job up on another car behind the same source."""

    def open_other(**changes):
        demo = open_demo(car_file(tmp_path, **changes), seed=6, fast=True)
        calibration, seq = done[2]
        engine = Engine(
            demo.port,
            NoRecord(),
            demo.hands,
            demo.plan,
            calibration=calibration,
            calibration_seq=seq,
            steps=done[0][:3],
        )
        return engine, demo

    return open_other


@pytest.fixture
def processor(behind):
    """Return a function that runs the one step on another car behind the same source."""

    def run(**changes):
        engine, demo = behind(**changes)
        return run_step(engine, demo.port.info, "processor", None)

    return run


def said_db(step, after):
    """Return the decibels that stand before some words of a sentence."""
    return float(re.search(rf"([0-9.]+){re.escape(after)}", step.sentence)[1])


def test_an_output_stage_that_clips_first(done):
    step = step_of(done, "processor")
    result = step.result
    assert (step.outcome, result["limited_by"]) == ("accepted", "clipping")
    assert (result["volume"], result["kind"]) == (CLEAN_VOLUME, "grounded")
    onset, true_v = result["clip_volts_rms"], 5.0 / SQRT2
    assert abs(onset["value"] - true_v) <= onset["u"]
    below_db = 20.0 * math.log10(onset["value"] / result["volts_rms"]["value"])
    assert 0.5 <= below_db <= 0.7
    gain_db = 20.0 * math.log10(true_v / CLEAN_V) - below_db
    assert result["gain_db"]["value"] == pytest.approx(gain_db, abs=0.1)
    assert result["thd_percent"]["value"] < 0.3
    assert "it clips at 3.5" in step.sentence
    assert "amplifiers_down" in step.cautions


def test_what_follows_takes_its_voltage(done):
    volts = step_of(done, "processor").result["volts_rms"]
    matched = step_of(done, "input_match").result
    assert matched["input_volts_rms"] == volts
    # The amplifier's rating is its target: the position follows from the voltage at its input.
    [row] = matched["channels"]
    assert row["gain_position_db"] == pytest.approx(20.0 * math.log10(8.0 / volts["value"]))
    gain = step_of(done, "gain")
    assert (gain.outcome, gain.result["limited_by"]) == ("accepted", "target")
    [chain] = job_levels(done[1])
    output = next(one for one in chain.stages if one.stage == "line converter, output")
    assert output.measured
    assert output.level_v_rms == volts["value"]
    set_v = gain.result["set_volts_rms"]["value"]
    assert chain.gain_db == pytest.approx(20.0 * math.log10(set_v / volts["value"]))


def test_the_record_proves_itself_and_the_gain_was_confirmed_behind_the_processor(done):
    found = verify_job(done[1])
    assert found.ok, found.text()
    assert re.search(r"processor +3\.\d+ ± 0\.\d+ V RMS .* limited by clipping", job_text(done[1]))
    dossier = read_dossier(done[1])
    assert {"processor", "processor_output"} <= {r.as_what for r in dossier.readings.values()}


@pytest.mark.parametrize(
    ("changes", "limited_by", "volts"),
    [
        ({"max_output_volts": 2.5}, "label", 2.5),
        ({"input_range": (0.3, 3.0)}, "amplifier_input", 3.0),
        ({"gain_db": [-20.0, -8.0]}, "range", CLEAN_V * 10.0 ** (-8.0 / 20.0)),
        # Nothing but the ear of the instrument: no label says where to go.
        ({"input_range": None, "gain_db": [-12.0, 0.0]}, "clipping", 5.0 / SQRT2 * 0.944),
    ],
)
def test_what_comes_first_ends_it(processor, changes, limited_by, volts):
    step = processor(**changes)
    assert (step.outcome, step.result["limited_by"]) == ("accepted", limited_by)
    found_v = step.result["volts_rms"]["value"]
    if limited_by in ("label", "amplifier_input"):
        # Met by the instrument's own volts, and never exceeded.
        assert volts * 10.0 ** (-0.1 / 20.0) <= found_v <= volts
    else:
        assert found_v == pytest.approx(volts, rel=WITHIN)


def test_an_input_stage_that_clips_is_named_with_what_to_turn(processor):
    step = processor(input_clip_volts_peak=6.0)
    over_db = 20.0 * math.log10(SQRT2 * CLEAN_V / 6.0)
    assert step.outcome == "failed"
    assert "its input stage is overdriven" in step.sentence
    assert said_db(step, " dB. Lower") == pytest.approx(over_db, abs=METER_DB)
    # Steps of 1.5 dB: the first volume that is so much lower.
    volume = CLEAN_VOLUME - math.ceil(over_db / 1.5)
    assert f"end the search at volume {volume}." in step.sentence


class EndsAt:
    """Hands that say at a volume that it does not turn any further.

    Parameters
    ----------
    hands : Person
        The hands.
    volume : int
        Where they stop.
    """

    def __init__(self, hands, volume):
        self._hands, self._volume = hands, volume

    def see(self, view):
        self._hands.see(view)

    def answer(self, view):
        listens = isinstance(view.instruction, Listen)
        curve = view.instruction.guidance.curve if listens else ()
        offers = view.instruction.offers if listens else ()
        if curve and curve[-1].volume >= self._volume and AT_END in offers:
            return Answer(AT_END.word)
        return self._hands.answer(view)

    def wants_to_stop(self):
        return False


def test_what_it_says_to_turn_puts_it_right(behind):
    """The search for the clean volume is ended where it was told to, and the step done again."""
    engine, demo = behind(input_clip_volts_peak=6.0)
    hands = demo.hands
    engine.person = EndsAt(hands, 27)
    clean = run_step(engine, demo.port.info, "clean_volume", None)
    assert (clean.outcome, clean.result["volume"]) == ("accepted", 27)
    engine.person = hands
    step = run_step(engine, demo.port.info, "processor", None)
    assert (step.outcome, step.result["limited_by"]) == ("accepted", "clipping")
    assert step.result["volume"] == 27


def test_who_clipped_names_it_when_its_level_was_knocked(behind):
    engine, demo = behind()
    for name, channel in (("processor", None), ("output_kind", "bass")):
        run_step(engine, demo.port.info, name, channel)
    # 0.5 dB of margin, then 3 dB more.
    demo.levers.turn_gain(None, 3.0)
    step = run_step(engine, demo.port.info, "who_clipped", "bass")
    assert step.result["stages"] == ["processor"]
    assert "turn its output level down" in step.sentence


def test_a_source_too_hot_for_the_label(processor):
    step = processor(max_input_volts=4.0)
    assert step.outcome == "failed"
    over_db = 20.0 * math.log10(CLEAN_V / 4.0)
    assert said_db(step, " dB too hot") == pytest.approx(over_db, abs=METER_DB)
    volume = CLEAN_VOLUME - math.ceil(over_db / 1.5)
    assert f"volume {volume}." in step.sentence


def test_a_control_that_is_too_loud_at_its_lowest(processor):
    step = processor(gain_db=[-4.0, 6.0], max_output_volts=2.0)
    # 6.37 V less 4 dB is 4.02 V, beyond the 3.54 V RMS of the output stage.
    assert step.outcome == "failed"
    assert "its output stage is overdriven" in step.sentence
    step = processor(gain_db=[-6.0, 6.0], max_output_volts=2.0)
    over_db = 20.0 * math.log10(CLEAN_V / 2.0) - 6.0
    assert said_db(step, " dB more than the 2.00 V") == pytest.approx(over_db, abs=METER_DB)


# Without a car.


def plans(tmp_path):
    plan = open_demo(car_file(tmp_path), seed=1, fast=True).plan
    return plan, replace(plan, processor=None)


def test_place_in_the_whole_job(tmp_path):
    plan, without = plans(tmp_path)
    order = [name for name, _ in whole_job(plan)]
    at = order.index("processor")
    assert order[at - 1 : at + 2] == ["clean_volume", "processor", "input_match"]
    assert ("processor", None) not in {*whole_job(without), *further_steps(without)}
    assert ("processor", None) not in set(further_steps(plan))


def results(clean_volume=30, processor_volume=30, volts=2.0):
    clean = {"volume": clean_volume, "volts_rms": {"value": 6.0, "u": 0.01}, "tone_hz": 43.0}
    level = {"volume": processor_volume, "volts_rms": {"value": volts, "u": 0.01}}
    return clean, level


def steps_with(clean, level):
    found = {"clean_volume": clean, "processor": level, "gain": {}}
    return [
        StepResult(name, "bass" if name == "gain" else None, "accepted", "", result, ())
        for name, result in found.items()
        if result is not None and name != "gain"
    ]


def matched(plan, clean, level):
    [finish] = input_match(plan, Facts(None, steps_with(clean, level)))
    return finish


@pytest.mark.parametrize("other", [{"level": None}, {"processor_volume": 29}])
def test_its_voltage_is_not_guessed(tmp_path, other):
    """Neither from the source, nor from another clean volume."""
    plan, _ = plans(tmp_path)
    clean, level = results(processor_volume=other.get("processor_volume", 30))
    level = None if "level" in other else level
    finish = matched(plan, clean, level)
    assert finish.outcome == "skipped"
    assert "First set the output level of invented line converter" in finish.sentence
    chain = gain_structure(plan, plan.channels[0], LevelFacts(clean, {}, processor=level))
    assert chain.gain_db is None
    assert chain.stages[0].level_v_rms == 6.0
    assert [one.level_v_rms for one in chain.stages if "amplifier, input" in one.stage] == [None]
    assert "Set the output level of invented line converter first" in chain.advice


def test_input_match_behind_it_by_hand(tmp_path):
    """An input of 8 V against 2 V is 12.04 dB above the minimum; 10 V are 1.94 dB too much."""
    plan, without = plans(tmp_path)
    [row] = matched(plan, *results()).result["channels"]
    assert row["gain_position_db"] == pytest.approx(12.0412, abs=1e-3)
    hot = matched(plan, *results(volts=10.0))
    assert "1.9 dB too hot" in hot.sentence
    assert "set the output level of invented line converter lower" in hot.sentence
    [row] = matched(without, *results()).result["channels"]
    assert row["gain_position_db"] == pytest.approx(20.0 * math.log10(8.0 / 6.0))


def test_a_new_clean_volume_outdates_it_and_it_outdates_the_gain(tmp_path):
    plan, _ = plans(tmp_path)
    clean, level = results()
    gain = {"set_volts_rms": {"value": 20.0, "u": 0.1}, "limited_by": "target"}
    steps = [
        *steps_with(clean, level),
        StepResult("gain", "bass", "accepted", "", gain, ()),
    ]

    def outdated(more):
        entries = agenda(plan, whole_job(plan), [*steps, *more])
        return {e.procedure: e.outdated_by for e in entries if e.outdated_by}

    assert outdated([]) == {}
    assert outdated(steps[:1]) == {"processor": "clean_volume", "gain": "clean_volume"}
    assert outdated(steps[1:2]) == {"gain": "processor"}
