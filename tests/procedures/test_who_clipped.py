"""The stage that clips, by simulated hands; the truth stands in the car file."""

from __future__ import annotations

import pytest

from levelset.session import open_demo_session
from tests.benchmarks.random_cars import as_toml, random_car


def car_with(tmp_path, source_clip_v, input_clip_v):
    """6.05 V RMS at the tap's clean volume; the gain needs 8 to 30 dB."""
    car = random_car(3)
    car["source"].update(
        max_volume=30,
        start_volume=20,
        db_per_step=1.5,
        volts_rms_at_max=8.0,
        clip_volts_peak=source_clip_v,
        output="bridged",
    )
    car["amplifier"][0].update(
        gain_db=[0.0, 24.0],
        rail_volts_peak=24.0,
        soft_knee=0.0,
        rated=[[4.0, 100.0]],
        load="4",
        output="grounded",
        band_hz=[70, 400],
        input_clip_volts_peak=input_clip_v,
        thd_percent=0.03,
    )
    car["interface"].update(rate_hz=48000, bits=24, full_scale_volts_peak=1.5)
    path = tmp_path / "car.toml"
    path.write_text(as_toml(car), "utf-8")
    return path


BEFORE = [("calibrate", None), ("output_kind", None), ("clean_volume", None)]


def run(tmp_path, car, steps, prepare=None):
    session = open_demo_session(car, tmp_path / "jobs", seed=2, fast=True)
    try:
        done = {}
        for name, channel in steps:
            if name == "who_clipped" and prepare is not None:
                prepare(session.levers)
            done[name] = session.run_one(session.simulated_hands, name, channel)
        return done
    finally:
        session.close()


def test_an_input_stage_that_overloads_is_named_by_gain_and_by_its_own_procedure(tmp_path):
    car = car_with(tmp_path, 10.0, 4.0)
    steps = [*BEFORE, ("output_kind", "bass"), ("gain", "bass"), ("who_clipped", "bass")]
    done = run(tmp_path, car, steps)
    assert done["gain"].outcome == "failed"
    assert "The input stage clips" in done["gain"].sentence
    found = done["who_clipped"].result
    assert found["stages"] == ["input_stage"]
    assert found["filters_off"] is True
    assert "lower the source" in done["who_clipped"].sentence


@pytest.mark.parametrize(("louder", "stage"), [(0, "output_stage"), (4, "source")])
def test_output_stage_and_source(tmp_path, louder, stage):
    car = car_with(tmp_path, 9.0, 100.0)

    def prepare(levers):
        levers.turn_volume(louder)
        # 12 dB on 6 V RMS and more: beyond a rail of 24 V peak.
        levers.turn_gain("bass", -60.0)
        levers.turn_gain("bass", 13.0)

    steps = [*BEFORE[:2], ("clean_volume", None), ("output_kind", "bass"), ("who_clipped", "bass")]
    done = run(tmp_path, car, steps, prepare)
    assert done["who_clipped"].result["stages"] == [stage]


def test_gain_says_which_stage_ended_it(tmp_path):
    car = car_with(tmp_path, 10.0, 100.0)
    done = run(tmp_path, car, [*BEFORE, ("output_kind", "bass"), ("gain", "bass")])
    gain = done["gain"]
    assert gain.result["limited_by"] == "clipping"
    assert gain.result["clipped_stages"] == ["output_stage"]
    # 24 V peak is 16.97 V RMS; the meter is off by up to its tolerance.
    assert abs(gain.result["clip_volts_rms"]["value"] - 16.97) <= gain.result["clip_volts_rms"]["u"]
    assert "the output stage clips at" in gain.sentence
