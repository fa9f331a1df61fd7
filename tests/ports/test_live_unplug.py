"""The interface is unplugged while the gain is being set, and the job goes on after its return."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from levelset.errors import DeviceError
from levelset.ports.live import open_live
from levelset.ports.simulated import open_demo
from levelset.procedures.catalogue import run_step
from levelset.procedures.engine import Engine
from levelset.procedures.protocol import Answer, Listen, View
from levelset.record.job import Job
from levelset.record.verification import verify_job
from levelset.session import Session
from levelset.simulation.hands import Hands
from levelset.units import db_from_ratio

pytestmark = pytest.mark.outside

SINK = "from_car"


def prepared(folder: Path) -> Path:
    """Return a job on the invented car in which all is done that the gain is built on."""
    demo = open_demo(None, seed=1, fast=True)
    [channel] = demo.plan.channels
    try:
        with Job.create(folder, demo.plan.vehicle, demo.plan) as job:
            engine = Engine(demo.port, job, demo.hands, demo.plan)
            for name, of in (
                ("calibrate", None),
                ("output_kind", None),
                ("clean_volume", None),
                ("output_kind", channel.name),
            ):
                step = run_step(engine, demo.port.info, name, of)
                assert step.outcome == "accepted", step.sentence
            return job.path
    finally:
        demo.port.close()


class Clumsy:
    """Hands that pull the plug once the knob is being turned."""

    def __init__(self, hands: Hands, pull: Callable[[], None]) -> None:
        self._hands, self._pull = hands, pull
        self._turned = 0
        self.pulled = False

    def see(self, view: View) -> None:
        instruction = view.instruction
        if isinstance(instruction, Listen) and instruction.guidance.act.verb == "turn_gain":
            self._turned += 1
        self._hands.see(view)

    def answer(self, view: View) -> Answer | None:
        if self._turned > 1 and not self.pulled:
            self.pulled = True
            self._pull()
        return self._hands.answer(view)

    def wants_to_stop(self) -> bool:
        return False


@pytest.fixture
def measuring(server: Any, beside: Callable[[str], ModuleType]) -> Iterator[Any]:
    """Return what opens the car on the wire, and a session on it."""
    wire = beside("live_job")
    lead_s = beside("car_process").LEAD_S
    with pytest.MonkeyPatch.context() as patch:
        for key, value in wire.listening_environment(server).items():
            patch.setenv(key, value)

        def run(path: Path, hands_of: Callable[[Hands], Any]) -> Any:
            with (
                wire.car_on_the_wire(server, None) as levers,
                Job.open(path, writable=True) as job,
            ):
                levers.engine(True)
                plan = job.plan()
                port = open_live("pulse", output=None, rate_hz=48_000, channels=2)
                hands = Hands(levers, lambda: port.time_s + lead_s, 1)
                session = Session(plan.vehicle, plan, port, job, levers, hands)
                try:
                    return session.run_one(hands_of(hands), "gain", plan.channels[0].name)
                finally:
                    session.close()

        yield run


def test_the_gain_is_set_after_the_interface_came_back(
    server: Any, measuring: Any, tmp_path: Path
) -> None:
    path = prepared(tmp_path)
    with pytest.raises(DeviceError) as lost:
        measuring(path, lambda hands: Clumsy(hands, lambda: server.remove_sink(SINK)))
    assert "was lost" in lost.value.what
    assert "check its plug" in lost.value.todo
    with Job.open(path, writable=False) as job:
        [failed] = [step for step in job.steps() if step.procedure == "gain"]
    assert failed.outcome == "failed"
    assert failed.sentence.lower().startswith(lost.value.what.lower())
    # One sentence more for the tone: the vehicle plays on.
    assert failed.sentence.endswith("The tone still plays from the vehicle: stop it there.")
    report = verify_job(path)
    assert report.ok, report.first_fault

    server.add_sink(SINK)
    step = measuring(path, lambda hands: hands)
    assert step.outcome == "accepted", step.sentence
    result = step.result
    off_db = db_from_ratio(result["set_volts_rms"]["value"] / result["target_volts_rms"])
    assert -0.1 <= off_db <= 0.0 or result["limited_by"] == "clipping", step.sentence
    report = verify_job(path)
    assert report.ok, report.first_fault
    with Job.open(path, writable=False) as job:
        assert [s.outcome for s in job.steps() if s.procedure == "gain"] == ["failed", "accepted"]
