"""DC by touch through the sound server: the car's coupling is in the signal that it plays."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from levelset.ports.live import open_live
from levelset.probe.calibration import Calibration
from levelset.procedures import tap_check
from levelset.procedures.which_wire import NamedWire
from levelset.quantity import Quantity
from levelset.record.job import Job
from levelset.record.schema import to_data
from levelset.record.verification import verify_job
from levelset.session import Session
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.hands import Hands
from levelset.simulation.paperwork import job_plan

pytestmark = pytest.mark.outside


def nobody_plays(_: Any) -> Any:
    """Which wire it is has tests of its own; here nothing plays."""
    yield from ()
    return NamedWire({"polarity": "cannot_tell", "channel": None, "wire": None}, "Not asked.")


def test_bias_and_offset_by_touch_through_the_sound_server(
    server: Any,
    beside: Callable[[str], ModuleType],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    live = beside("live_job")
    truth = load_demo_car()
    interface, probe, source = truth.interface, truth.probe, truth.source
    assert interface.coupling_hz, "the car must have an AC-coupled input"
    for key, value in live.listening_environment(server).items():
        monkeypatch.setenv(key, value)
    monkeypatch.setattr(tap_check, "name_the_wire", nobody_plays)
    # The scale of the tone is not what is tried here: the design's, as a stored calibration has it.
    scale_v = probe.divider * interface.full_scale_volts_peak
    match = 1.0 + probe.mismatch_percent / 100.0
    scales = tuple(Quantity(scale_v / m, 0.01 * scale_v, "V") for m in (1.0, match))
    plan = job_plan(truth)
    job = Job.create(tmp_path, plan.vehicle, plan)
    lead_s = beside("car_process").LEAD_S
    with live.car_on_the_wire(server, None) as levers:
        port = open_live("pulse", output="pulse", rate_hz=interface.rate_hz, channels=2)
        calibration = Calibration(
            "design", port.info.name, interface.rate_hz, 94.0, scales, Quantity(match, 1e-4, ""),
            interface.coupling_hz, probe.max_volts, 6.0, (),
        )  # fmt: skip
        job.append("calibration", to_data(calibration))
        hands = Hands(levers, lambda: port.time_s + lead_s, 1)
        session = Session(plan.vehicle, plan, port, job, levers, hands, stored_calibration=True)
        try:
            battery = session.run_one(hands, "battery_touch", None)
            tap = session.run_one(hands, "tap_check", None)
        finally:
            session.close()
    assert battery.outcome == "accepted", battery.sentence
    coefficients = battery.result["coefficients"]
    # Poles f1, f2: s**2 + 2 pi (f1 + f2) s + 4 pi**2 f1 f2, the product of two first-order ones.
    assert coefficients[0] == pytest.approx(6.283185307 * sum(interface.coupling_hz), rel=0.01)
    assert tap.outcome == "accepted", tap.sentence
    assert tap.result["typed"] is False
    offset_v = source.offset_millivolts / 1000.0
    found = (*tap.result["bias_v"].values(), tap.result["offset_v"])
    legs = (source.bias_volts + offset_v / 2.0, source.bias_volts - offset_v / 2.0)
    for quantity, true_v in zip(found, (*legs, offset_v), strict=True):
        assert abs(quantity["value"] - true_v) <= quantity["u"]
        assert quantity["u"] < 0.009 * abs(true_v) + 0.006
    assert verify_job(job.path).ok
