"""Which steps of a job count, and which are left."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from levelset.plan.job import JobPlan
from levelset.plan.plan_file import plan_from_document
from levelset.procedures.agenda import agenda
from levelset.procedures.facts import StepResult
from levelset.procedures.matching import above_its_group, matched_goal_v

PLAN = """
vehicle = "an invented estate"
tone_from = "vehicle"
limit_percent = 1.0
margin_db = 0.5
[source]
max_volume = 40
start_volume = 10
[[channel]]
name = "bass"
load = "4||4"
rated = [[2.0, 250.0]]
rated_supply = 14.4
band_hz = [25, 80]
[[channel]]
name = "front left"
match = "front"
load = "4"
rated = [[4.0, 75.0]]
rated_supply = 14.4
band_hz = [80, 20000]
[[channel]]
name = "front right"
match = "front"
load = "4"
rated = [[4.0, 75.0]]
rated_supply = 14.4
band_hz = [80, 20000]
[probe]
divider = 100.0
max_volts = 120.0
full_scale_volts_peak = 1.5
coupling_hz = [2.1]
tips = 2
[meter]
percent = 0.8
counts = 3
resolution_v = 0.01
"""

ORDER = (
    ("calibrate", None),
    ("output_kind", None),
    ("clean_volume", None),
    ("output_kind", "bass"),
    ("gain", "bass"),
    ("verify", None),
    ("probe_check", None),
)


def plan() -> JobPlan:
    return plan_from_document(tomllib.loads(PLAN))


def gain(volts: float, limited_by: str = "target") -> dict[str, Any]:
    return {"set_volts_rms": {"value": volts, "u": 0.2}, "limited_by": limited_by}


def done(*names: str, outcome: str = "accepted") -> list[StepResult]:
    """Return steps written as ``procedure`` or ``procedure:channel``."""
    made = []
    for name in names:
        procedure, _, channel = name.partition(":")
        made.append(StepResult(procedure, channel or None, outcome, "", {}, ()))
    return made


ALL = ("calibrate", "output_kind", "clean_volume", "output_kind:bass", "gain:bass", "verify")


def names_left(steps: list[StepResult], **options: bool) -> list[str]:
    return [
        entry.procedure + (f":{entry.channel}" if entry.channel else "")
        for entry in agenda(plan(), ORDER, steps, **options)
        if entry.is_left
    ]


def test_nothing_done_leaves_everything() -> None:
    assert len(names_left([])) == len(ORDER)


@pytest.mark.parametrize("count", range(len(ALL) + 1))
def test_a_job_left_anywhere_goes_on_there(count: int) -> None:
    expected = [p + (f":{c}" if c else "") for p, c in ORDER][count:]
    assert names_left(done(*ALL[:count])) == expected


@pytest.mark.parametrize("outcome", ["failed", "skipped", "aborted"])
def test_a_step_without_a_good_end_is_left(outcome: str) -> None:
    assert "gain:bass" in names_left(done(*ALL[:4]) + done("gain:bass", outcome=outcome))


def test_a_limited_gain_counts() -> None:
    assert "gain:bass" not in names_left(done(*ALL[:4]) + done("gain:bass", outcome="limited"))


def test_a_clean_volume_found_again_outdates_gains_and_what_follows() -> None:
    steps = done(*ALL, "probe_check", "clean_volume")
    assert names_left(steps) == ["gain:bass", "verify", "probe_check"]
    assert names_left(steps + done("gain:bass")) == ["verify", "probe_check"]


def test_the_reason_is_named() -> None:
    entries = agenda(plan(), ORDER, done(*ALL, "clean_volume"))
    gain = next(entry for entry in entries if entry.procedure == "gain")
    assert gain.outdated_by == "clean_volume"
    assert gain.step is not None


def test_a_later_failed_repeat_outdates_nothing_but_itself() -> None:
    steps = done(*ALL) + done("clean_volume", outcome="aborted")
    assert names_left(steps) == ["clean_volume", "probe_check"]


def test_what_is_done_beside_the_job_is_never_left() -> None:
    entries = agenda(
        plan(), ORDER[:1], done("noise"), further=(("noise", None), ("response", None))
    )
    assert [(entry.procedure, entry.done) for entry in entries[1:]] == [
        ("noise", True),
        ("response", False),
    ]
    assert not any(entry.is_left for entry in entries[1:])


def test_a_stored_calibration_leaves_out_what_belongs_to_a_touch() -> None:
    names = names_left([], stored_calibration=True)
    assert "calibrate" not in names
    assert "probe_check" not in names


def test_a_matched_channel_goes_no_higher_than_where_another_had_to_stop() -> None:
    left_plan = plan().channels[1]
    stopped = {"front right": gain(15.0, "clipping"), "bass": gain(3.0, "clipping")}
    assert matched_goal_v(left_plan, plan(), stopped) == 15.0
    # Channels that reached their target set no other goal: each is held to the target itself.
    assert matched_goal_v(left_plan, plan(), {"front right": gain(17.2)}) is None
    assert matched_goal_v(plan().channels[0], plan(), stopped) is None


@pytest.mark.parametrize(("left_v", "again"), [(15.0, False), (15.17, False), (15.19, True)])
def test_a_channel_above_its_group_is_set_again(left_v: float, again: bool) -> None:
    # 0.1 dB are 1.16 %.
    gains = {"front left": gain(left_v), "front right": gain(15.0, "clipping")}
    assert ("front left" in above_its_group(plan(), gains)) == again
    steps = [StepResult("gain", name, "accepted", "", result, ()) for name, result in gains.items()]
    order = [("gain", "front left"), ("gain", "front right")]
    entries = agenda(plan(), order, steps)
    assert [entry.is_left for entry in entries] == [again, False]
    assert entries[0].outdated_by == ("front right was set lower" if again else None)
