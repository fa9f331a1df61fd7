"""The input is turned up to the mark by a hand, and the calibration that follows fits it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from levelset.ports.simulated import open_demo
from levelset.procedures.catalogue import run_step
from levelset.procedures.engine import Engine
from levelset.procedures.input_level import CEILING_DBFS, HEADROOM_DB, largest_voltage
from levelset.procedures.protocol import Answer, Ask, Listen
from levelset.record.job import Job
from levelset.record.job_calibration import calibration_from_job
from levelset.record.verification import verify_job


class Control:
    """A port whose input has a control of its own, from -40 dB to an upper end."""

    def __init__(self, port, highest_db=12.0, lowest_db=-40.0):
        self._port = port
        self.gain_db = 0.0
        self.ends_db = (lowest_db, highest_db)

    def __getattr__(self, name):
        return getattr(self._port, name)

    def turn(self, by_db):
        """Turn; False at an end."""
        wanted = self.gain_db + by_db
        self.gain_db = min(max(wanted, self.ends_db[0]), self.ends_db[1])
        return self.gain_db == wanted

    def blocks(self):
        for block in self._port.blocks():
            codes = np.rint(block.samples * 10.0 ** (self.gain_db / 20.0) * 2**23)
            yield replace(block, samples=np.clip(codes, -(2**23), 2**23 - 1) / 2**23)


class Turner:
    """Simulated hands that also reach the control; coarse, and not always the right way."""

    def __init__(self, hands, control):
        self._hands, self._control = hands, control
        self._random = np.random.default_rng(2)
        self._seen = None
        self.views = []

    def see(self, view):
        self.views.append(view)
        self._hands.see(view)

    def answer(self, view):
        match view.instruction:
            case Ask(act=act) if act.verb == "input_to_minimum":
                self._control.gain_db = self._control.ends_db[0]
                return Answer("done")
            case Listen(guidance=guidance, offers=offers) if guidance.act.verb == "turn_input":
                if view.reading is self._seen or view.reading is None:
                    return None
                self._seen = view.reading
                if self._control.turn(guidance.to_go_db * self._random.uniform(0.6, 1.2)):
                    return None
                return Answer(offers[0].word)
        return self._hands.answer(view)

    def wants_to_stop(self):
        return False


@pytest.fixture
def run(tmp_path):
    """Return a function that sets the input of the invented car's interface."""
    opened = []

    def start(*names, **ends):
        demo = open_demo(None, seed=4, fast=True)
        port = Control(demo.port, **ends)
        job = Job.create(tmp_path, "not invented", replace(demo.plan, invented=False))
        opened.append((demo.port, job))
        person = Turner(demo.hands, port)
        engine = Engine(port, job, person, demo.plan)
        return [run_step(engine, port.info, name, None) for name in names], person, job.path

    yield start
    for port, job in opened:
        port.close()
        job.close()


def test_the_mark_leaves_room_for_the_rating_and_the_calibration_goes_by_it(run):
    (step, calibrated), person, path = run("input_level", "calibrate")
    assert step.outcome == "accepted", step.sentence
    # The invented car's bass: 240 W into 2 ohm, by its label; V = sqrt(P Z).
    largest_v = math.sqrt(2.0 * 240.0 * 2.0)
    assert step.result["largest_volts_peak"] == pytest.approx(largest_v)
    room_db = HEADROOM_DB - CEILING_DBFS
    assert step.result["headroom_db"] == pytest.approx(room_db, abs=0.6)
    assert calibrated.outcome == "accepted", calibrated.sentence
    found, made = (
        step.result["volts_per_full_scale"],
        calibrated.result["volts_per_full_scale"][0],
    )
    assert abs(found["value"] - made["value"]) < found["u"] + made["u"]
    assert "goes by what was found" in step.sentence
    headlines = {
        v.instruction.guidance.headline for v in person.views if isinstance(v.instruction, Listen)
    }
    assert {"UNDER THE MARK", "AT THE MARK"} <= headlines
    assert verify_job(path).ok
    stored, _ = calibration_from_job(path, "bench")
    assert stored.set_up.full_scale_v_peak == step.result["full_scale_volts_peak"]["value"]


def test_a_control_that_ends_below_the_mark_costs_only_range(run):
    (step,), _, _ = run("input_level", highest_db=0.0)
    assert step.outcome == "limited"
    # As labelled: 100:1 and 1.6 V; the multimeter's error is within its tolerance.
    assert step.result["volts_per_full_scale"]["value"] == pytest.approx(160.0, rel=0.02)
    assert step.result["at_mark"] is False
    assert "left where it ends" in step.sentence


def test_an_input_that_is_full_below_the_rating_is_refused(run):
    (step,), _, _ = run("input_level", lowest_db=15.0, highest_db=30.0)
    assert step.outcome == "failed"
    assert "next range" in step.sentence


def test_the_hands_of_the_invented_car_find_no_control(tmp_path):
    demo = open_demo(None, seed=4, fast=True)
    with Job.create(tmp_path, "invented", demo.plan) as job:
        engine = Engine(demo.port, job, demo.hands, demo.plan)
        step = run_step(engine, demo.port.info, "input_level", None)
    demo.port.close()
    assert step.outcome == "limited", step.sentence


def test_a_probe_that_may_carry_less_sets_the_largest_voltage():
    plan = open_demo(None, seed=1, fast=True).plan
    weak = replace(plan, probe=replace(plan.probe, max_volts=20.0))
    assert largest_voltage(weak).volts_peak == 20.0
    assert "probe" in largest_voltage(weak).of_what
