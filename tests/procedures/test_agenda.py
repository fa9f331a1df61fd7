"""Which steps of a job count, and which are left."""

from __future__ import annotations

import pytest

from levelset.procedures.agenda import agenda
from levelset.procedures.facts import StepResult

ORDER = (
    ("calibrate", None),
    ("output_kind", None),
    ("clean_volume", None),
    ("output_kind", "bass"),
    ("gain", "bass"),
    ("verify", None),
    ("probe_check", None),
)


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
        for entry in agenda(ORDER, steps, **options)
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
    entries = agenda(ORDER, done(*ALL, "clean_volume"))
    gain = next(entry for entry in entries if entry.procedure == "gain")
    assert gain.outdated_by == "clean_volume"
    assert gain.step is not None


def test_a_later_failed_repeat_outdates_nothing_but_itself() -> None:
    steps = done(*ALL) + done("clean_volume", outcome="aborted")
    assert names_left(steps) == ["clean_volume", "probe_check"]


def test_what_is_done_beside_the_job_is_never_left() -> None:
    entries = agenda(ORDER[:1], done("noise"), further=(("noise", None), ("response", None)))
    assert [(entry.procedure, entry.done) for entry in entries[1:]] == [
        ("noise", True),
        ("response", False),
    ]
    assert not any(entry.is_left for entry in entries[1:])


def test_a_stored_calibration_leaves_out_what_belongs_to_a_touch() -> None:
    names = names_left([], stored_calibration=True)
    assert "calibrate" not in names
    assert "probe_check" not in names
