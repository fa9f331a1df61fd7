"""What a step asks to be played can be had: the tracks of a job carry the names its steps use."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import levelset.procedures
from levelset.procedures.common import start_tone
from levelset.procedures.job_tracks import job_tracks, with_job
from levelset.procedures.protocol import Ask
from levelset.signals.catalogue import Tones, catalogue
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.paperwork import job_plan

PLAN = job_plan(load_demo_car())
CATALOGUE = catalogue(Tones(43.0, 128.0, 486.0, 997.0, 94.0))


def test_tracks_of_a_job():
    [bass] = PLAN.channels
    mid = replace(bass, name="front left", set_tone_hz=997.0)
    tracks = {track.name: track for track in job_tracks(replace(PLAN, channels=(bass, mid)))}
    assert list(tracks) == ["set-source", "set-source-upper", "set-bass", "set-front-left"]
    assert tracks["set-front-left"].frequency_hz == 997.0
    assert tracks["set-bass"].signal.level_dbfs == bass.target.tone_dbfs
    assert all(track.caution for track in tracks.values())


def test_other_tracks_stay_and_no_name_comes_twice():
    names = [track.name for track in with_job(CATALOGUE, PLAN)]
    assert len(set(names)) == len(names)
    assert {"calibrate", "which-wire", "which-wire-four", "response", "silence"} <= set(names)
    assert "set-midbass" not in names


def test_what_is_asked_for_says_what_it_is():
    plan = replace(PLAN, tone_from="vehicle")
    for track in job_tracks(plan):
        ask = next(start_tone(track.signal, plan))
        assert isinstance(ask, Ask)
        assert f"{track.name} ({track.frequency_hz:g} Hz, " in ask.sentence
    [wire] = [one for one in CATALOGUE if one.name == "which-wire"]
    assert "which-wire on the vehicle" in next(start_tone(wire.signal, plan)).sentence


def test_no_step_makes_a_tone_of_its_own_that_no_list_has():
    """Whoever adds one adds it to the tracks of a job, or to the catalogue."""
    found = {
        node.name
        for path in Path(levelset.procedures.__file__).parent.glob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.FunctionDef)
        for call in ast.walk(node)
        if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "set_tone"
    }
    # The calibration's is in the catalogue; levelset alone plays that of the path check.
    assert found == {
        "source_track", "second_track", "channel_track", "calibration_track", "_tone"
    }  # fmt: skip
