"""Whether a DC scale and results that came from touches agree with the touches they name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from levelset.errors import InputError, UsageError
from levelset.probe.calibration import Calibration
from levelset.probe.dc import dc_scale
from levelset.probe.swapped import PairTouch, swapped_offset
from levelset.record.comparison import Tolerance, is_number
from levelset.record.schema import from_data, quantity_from

if TYPE_CHECKING:
    from levelset.probe.touch_reading import TouchReading
    from levelset.record.journal import Line

COVARIANCE = 0.01
"""Covariances are numbers about numbers: they hold within this ratio."""

ONE_TIP = {"engine_off_v": "engine_off_seq", "engine_on_v": "engine_on_seq"}
"""Volts of tip A in a result, and where it names their touch."""


def dc_difference(
    calibration: Calibration, touch: TouchReading | None, tolerance: Tolerance
) -> str:
    """Return what differs between a DC scale and its touch read again, else nothing."""
    dc = calibration.dc
    if dc is None or touch is None:
        return ""
    try:
        fresh = dc_scale(touch, dc.battery_v, dc.tolerance_v, calibration, dc.evidence)
    except UsageError as error:
        return f"dc cannot be computed again from the battery's touch ({error.what})"
    if len(dc.tips) != len(fresh.tips):
        return f"dc has {len(dc.tips)} tips, its touch {len(fresh.tips)}"
    for n, (stored, again) in enumerate(zip(dc.tips, fresh.tips, strict=True)):
        numbers = zip(
            (stored.height_fs, *stored.coefficients),
            (again.height_fs, *again.coefficients),
            strict=False,
        )
        deviations = [again.covariance[i][i] ** 0.5 for i in range(len(again.covariance))]
        off = any(
            not tolerance.holds(one, other, 2.0 * sigma)
            for (one, other), sigma in zip(numbers, deviations, strict=False)
        )
        if off or len(stored.coefficients) != len(again.coefficients):
            return f"dc.tips[{n}] is not what the battery's touch gives"
        for row, other_row in zip(stored.covariance, again.covariance, strict=False):
            # A covariance is an uncertainty squared.
            may = COVARIANCE + tolerance.u_ratio**2 - 1.0
            scale = may * max(abs(value) for value in other_row)
            if any(abs(a - b) > scale for a, b in zip(row, other_row, strict=False)):
                return f"dc.tips[{n}].covariance is not what the battery's touch gives"
    return ""


def touch_step_difference(result: object, by_seq: Mapping[int, Line]) -> str:
    """Return what differs between a step's DC volts and the touches that it names, else nothing."""
    if not isinstance(result, dict):
        return ""
    for claim, seq_key in ONE_TIP.items():
        if is_number(result.get(seq_key)):
            what = _claims_differ(result, [(claim, result.get(claim), 1)], seq_key, by_seq)
            if what:
                return what
    if not is_number(result.get("touch_seq")):
        return ""
    bias = result.get("bias_v")
    claims: list[tuple[str, Any, Any]] = [
        ("offset_v", result.get("offset_v"), "pair"),
        ("volts", result.get("volts"), "pair"),
    ]
    if isinstance(bias, dict):
        claims += [
            ("bias_v.positive", bias.get("positive"), 1),
            ("bias_v.negative", bias.get("negative"), 2),
        ]
    return _claims_differ(result, claims, "touch_seq", by_seq)


def _claims_differ(
    result: dict[str, Any],
    claims: list[tuple[str, Any, Any]],
    seq_key: str,
    by_seq: Mapping[int, Line],
) -> str:
    """Return what differs between claims and the touch under this key of a result."""
    seq = int(result[seq_key])
    named = by_seq.get(seq)
    readings = named.data.get("readings") if named is not None and named.kind == "touch" else None
    if not isinstance(readings, list) or not all(isinstance(one, dict) for one in readings):
        return f"result names seq {seq}, which is no touch"
    volts: dict[Any, Any] = {one.get("channel"): one.get("volts") for one in readings}
    if is_number(result.get("swapped_seq")):
        other = by_seq.get(int(result["swapped_seq"]))
        mean = None if named is None or other is None else _swapped_mean(named, other, by_seq)
        if mean is None:
            return f"result names seq {result['swapped_seq']}, which is no touch with swapped tips"
        volts["pair"] = mean
    for key, claimed, channel in claims:
        if claimed is not None and claimed != volts.get(channel):
            says = volts.get(channel)
            return f"result.{key} is {claimed}, the touch it names (seq {seq}) says {says}"
    return ""


def _swapped_mean(first: Line, other: Line, by_seq: Mapping[int, Line]) -> dict[str, float] | None:
    """Return the mean of two touches with the tips changed over, as the record has a quantity."""
    named = by_seq.get(first.data.get("calibration_seq") or 0)
    if other.kind != "touch" or named is None or named.kind != "calibration":
        return None
    try:
        calibration = from_data(named.data, Calibration, "data")
    except InputError:
        return None  # reported at its own line
    one, two = _pair_touch(first), _pair_touch(other)
    if one is None or two is None or calibration.dc is None or len(calibration.dc.tips) != 2:
        return None
    return swapped_offset(one, two, calibration).as_json()


def _pair_touch(line: Line) -> PairTouch | None:
    by_channel = {one.get("channel"): one for one in line.data.get("readings", [])}
    volts = quantity_from(by_channel.get("pair", {}).get("volts"), "V")
    steps = [quantity_from(by_channel.get(n, {}).get("step_fs"), "") for n in (1, 2)]
    noise = tuple(0.5 * step.u for step in steps if step is not None)
    return None if volts is None or len(noise) != 2 else PairTouch(volts, noise)
