"""The known voltage of the calibration once more, at the end: gain knobs get knocked."""

from __future__ import annotations

from levelset.errors import UsageError
from levelset.plan.job import JobPlan
from levelset.ports.base import Point
from levelset.probe.known_voltage import ProbeCheck, compare_levels
from levelset.procedures import cautions
from levelset.procedures.calibrate import common_touch, levels_dbfs
from levelset.procedures.common import place_tips, set_volume, start_tone, stop_tone, tone_spec
from levelset.procedures.facts import Facts
from levelset.procedures.input_level import calibration_track
from levelset.procedures.protocol import Acknowledge, Finish, Procedure, StepFailed
from levelset.quantity import Quantity


def probe_check(plan: JobPlan, facts: Facts) -> Procedure:
    """Repeat the touch of the calibration with the same tone and volume, and compare.

    The meter is read again, so a source that has drifted does not count against the probe. Where
    the scale moved by more than the drift that every budget allows for, the readings since are
    marked as unconfirmed.
    """
    start = facts.result("calibrate", None)
    if start is None:
        yield Finish("skipped", "The probe was not calibrated in this job.", {})
        return
    spec = tone_spec(start["frequency_hz"], "unknown" if plan.probe.tips == 2 else "line", plan)
    leg = Point("source", "positive")

    yield Acknowledge(cautions.STILL_OFF)
    yield Acknowledge(cautions.PROBE)
    yield from place_tips(
        "the tips back on the positive wire of the source's tap, ground lead on chassis", leg, leg
    )
    yield from start_tone(calibration_track(start["frequency_hz"]), plan)
    yield from set_volume(start["volume"])
    reading, meter_v, seq = yield from common_touch(spec, leg, plan, "probe_check")
    try:
        tips = compare_levels(
            [Quantity(level["value"], level["u"], "dB") for level in start["level_dbfs"]],
            start["meter_volts_rms"],
            levels_dbfs(reading),
            meter_v,
            plan.probe.meter.resolution_v,
        )
    except UsageError as error:
        raise StepFailed(f"{error.what}: {error.todo}") from error
    check = ProbeCheck(start["reading_seq"], seq, tips)
    yield from stop_tone(plan)
    yield Acknowledge(cautions.RESTORE)
    yield Finish(
        "accepted" if check.confirmed else "failed",
        check.sentence,
        {
            "confirmed": check.confirmed,
            "change_percent": [tip.change_percent.as_json() for tip in tips],
            "meter_volts_rms": meter_v,
            "reading_seq": seq,
        },
        check=check,
    )
