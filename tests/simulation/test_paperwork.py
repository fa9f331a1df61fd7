"""The plan holds what labels say, and nothing that only a measurement can show."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from levelset.errors import UsageError
from levelset.plan.target import Rating
from levelset.simulation.car import CarTruth
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.paperwork import job_plan

HIDDEN: dict[str, Any] = {
    "source__volts_rms_at_max": 3.3,
    "source__clip_volts_peak": 5.5,
    "source__output": "grounded",
    "source__db_per_step": 0.7,
    "source__bias_volts": 1.0,
    "source__offset_millivolts": 99.0,
    "source__thd_percent": 0.5,
    "source__polarity": "reversed",
    "amplifier__output": "bridged",
    "amplifier__gain_db": (1.0, 2.0),
    "amplifier__rail_volts_peak": 11.0,
    "amplifier__soft_knee": 0.5,
    "amplifier__thd_percent": 0.7,
    "amplifier__noise_millivolts": 44.0,
    "amplifier__output_offset_millivolts": 55.0,
    "amplifier__input_clip_volts_peak": 1.0,
    "amplifier__regulated": True,
    "amplifier__polarity": "reversed",
    "probe__mismatch_percent": 3.0,
    "interface__noise_dbfs": -60.0,
    "interface__clock_ppm": 77.0,
    "interface__bits": 16,
    "meter__error": -1.0,
    "supply__engine_off": 11.0,
    "supply__engine_on": 15.0,
}


@pytest.mark.parametrize("path", HIDDEN)
def test_the_truth_does_not_leak(change: Callable[..., CarTruth], path: str) -> None:
    truth = load_demo_car()
    other = change(truth, **{path: HIDDEN[path]})
    assert other != truth
    assert job_plan(other) == job_plan(truth)


def test_labels_arrive(change: Callable[..., CarTruth]) -> None:
    truth = change(load_demo_car(), amplifier__loudspeaker_w=100.0)
    plan = job_plan(truth)
    assert plan.invented
    assert plan.tone_from == "vehicle"
    assert (plan.limit_percent, plan.margin_db) == (1.0, 0.5)
    (bass,) = plan.channels
    assert (bass.name, bass.net_load_ohm) == ("bass", 2.0)
    assert bass.target.limited_by == "loudspeaker"
    assert bass.target.volts_rms == pytest.approx((100.0 * 2.0) ** 0.5)
    assert plan.probe.coupling_hz == truth.interface.coupling_hz
    assert plan.probe.tips == 2
    assert plan.probe.meter.percent == truth.meter.ac_percent
    assert plan.source.start_volume == truth.source.start_volume


def test_a_load_that_the_amplifier_cannot_bear(change: Callable[..., CarTruth]) -> None:
    truth = change(load_demo_car(), amplifier__rated=(Rating(8.0, 50.0),))
    with pytest.raises(UsageError):
        job_plan(truth)
