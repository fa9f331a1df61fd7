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


def dc_steps(folder, **interface):
    """Calibrate, touch the battery and the tap of an invented car with another input."""
    car = random_car(511)
    car["interface"] |= interface
    file = folder / "car.toml"
    file.write_text(as_toml(car), "utf-8")
    session = open_demo_session(file, folder / "jobs", seed=511, fast=True)
    try:
        hands = session.simulated_hands
        names = ("calibrate", "battery_touch", "tap_check")
        return [session.run_one(hands, name, None) for name in names]
    finally:
        session.close()


def test_an_input_that_cannot_be_read_by_touch_ends_nothing(tmp_path):
    """Behind poles this fast the touch is over before contact is firm."""
    done = dc_steps(tmp_path, coupling_hz=[25.0, 25.0])
    assert [step.outcome for step in done] == ["accepted", "limited", "accepted"]
    assert done[1].result["dc"] == "typed"
    assert done[2].result["typed"] is True


def test_16_bits_with_less_noise_than_a_code_are_read_by_touch(tmp_path):
    """Between touches such an input stands still, which is no fault of it."""
    done = dc_steps(tmp_path, bits=16, noise_dbfs=-110.0)
    assert [step.outcome for step in done] == ["accepted"] * 3
    assert done[2].result["typed"] is False
