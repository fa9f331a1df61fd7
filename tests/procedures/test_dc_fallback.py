"""Where an input cannot be read by touch the job goes on with the multimeter."""

from __future__ import annotations

import pytest

from levelset.procedures.protocol import StepFailed
from levelset.procedures.touching import touched_or_typed
from levelset.session import open_demo_session
from tests.benchmarks.random_cars import as_toml, random_car


def steps(value=None, fails=False):
    yield "an instruction"
    if fails:
        raise StepFailed("No touch could be read")
    return value


def run(generator):
    try:
        while True:
            next(generator)
    except StopIteration as end:
        return end.value


def test_touch_first_then_type():
    assert run(touched_or_typed(steps("touched"), steps("typed"))) == "touched"
    assert run(touched_or_typed(steps(fails=True), steps("typed"))) == "typed"
    assert run(touched_or_typed(None, steps("typed"))) == "typed"


def test_nothing_left_is_a_failure():
    for touching in (steps(fails=True), None):
        with pytest.raises(StepFailed):
            run(touched_or_typed(touching, None))


def test_an_input_that_cannot_be_read_by_touch_ends_nothing(tmp_path):
    """16 bit and less noise than a code: between touches the input stands still."""
    car = tmp_path / "car.toml"
    car.write_text(as_toml(random_car(511)), "utf-8")
    session = open_demo_session(car, tmp_path / "jobs", seed=511, fast=True)
    try:
        hands = session.simulated_hands
        done = [
            session.run_one(hands, name, None)
            for name in ("calibrate", "battery_touch", "tap_check")
        ]
    finally:
        session.close()
    assert [step.outcome for step in done] == ["accepted", "limited", "accepted"]
    assert done[1].result["dc"] == "typed"
    assert done[2].result["typed"] is True
