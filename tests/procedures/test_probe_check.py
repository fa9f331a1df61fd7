"""The known voltage at the end of a job, on a simulated car whose interface may be knocked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from levelset.ports.simulated import open_demo
from levelset.procedures.catalogue import run_step, whole_job
from levelset.procedures.engine import Engine
from levelset.record.job import Job
from levelset.record.summary import summarise
from levelset.record.verification import verify_job


class Knocked:
    """A port whose input gain can change, in exact codes like any converter's."""

    def __init__(self, port):
        self._port = port
        self.gain = (1.0, 1.0)

    def __getattr__(self, name):
        return getattr(self._port, name)

    def blocks(self):
        for block in self._port.blocks():
            codes = np.rint(block.samples * self.gain * 2**23)
            yield replace(block, samples=codes / 2**23)


@pytest.fixture
def car(tmp_path):
    demo = open_demo(None, seed=3, fast=True)
    port = Knocked(demo.port)
    with Job.create(tmp_path, "invented", demo.plan) as job:
        engine = Engine(port, job, demo.hands, demo.plan)
        yield port, engine, job.path, demo
    demo.port.close()


def run(engine, port, *names):
    return [run_step(engine, port.info, name, None) for name in names][-1]


def test_a_scale_that_holds_is_confirmed_at_another_volume_too(car):
    port, engine, path, demo = car
    run(engine, port, "calibrate", "output_kind")
    demo.levers.turn_volume(-4)  # whatever came between; the check sets the volume itself
    step = run(engine, port, "probe_check")
    assert step.outcome == "accepted"
    assert step.result["confirmed"] is True
    assert len(step.result["change_percent"]) == 2
    assert step.cautions[:2] == ("loudspeakers_stay_off", "probe_ground")
    assert step.cautions[-1] == "restore"
    assert summarise(path).unconfirmed == ()
    assert verify_job(path).ok


@pytest.mark.parametrize(("gain", "percent"), [((1.02, 1.02), 2.0), ((1.0, 0.98), -2.0)])
def test_a_knocked_input_leaves_the_readings_unconfirmed(car, gain, percent):
    port, engine, path, _ = car
    run(engine, port, "calibrate", "output_kind")
    port.gain = gain
    step = run(engine, port, "probe_check")
    assert step.outcome == "failed"
    assert step.result["confirmed"] is False
    changes = [change["value"] for change in step.result["change_percent"]]
    worst = max(changes, key=abs)
    assert worst == pytest.approx(percent, abs=0.3)
    unconfirmed = summarise(path).unconfirmed
    with_volts = [seq for seq, data in Job.open(path, False).readings() if data.calibration_seq]
    assert unconfirmed == tuple(seq for seq in with_volts if seq != step.result["reading_seq"])
    assert unconfirmed
    answer = verify_job(path)
    assert answer.ok, answer.first_fault
    assert any("unconfirmed" in note for note in answer.notes)


def test_without_a_calibration_there_is_nothing_to_check(car):
    port, engine, _, _ = car
    assert run(engine, port, "probe_check").outcome == "skipped"


def test_it_is_the_last_step_of_the_job(car):
    plan = car[1].plan
    assert list(whole_job(plan))[-1] == ("probe_check", None)


def test_the_screen_is_given_the_budget_of_every_voltage(car):
    port, engine, _, demo = car
    seen = []
    engine.person = Watched(demo.hands, seen)
    run(engine, port, "calibrate", "output_kind", "clean_volume")
    volts = [v.reading is not None and v.reading.output.volts_rms is not None for v in seen]
    assert any(volts)
    assert [bool(view.budget) for view in seen] == volts
    for view in seen:
        if view.budget:
            assert sum(line.share_percent for line in view.budget) == pytest.approx(100.0)


class Watched:
    """Hands that are looked over the shoulder."""

    def __init__(self, hands, seen):
        self._hands, self._seen = hands, seen

    def see(self, view):
        self._seen.append(view)
        self._hands.see(view)

    def __getattr__(self, name):
        return getattr(self._hands, name)
