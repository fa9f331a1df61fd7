"""What calibrations, probe checks and steps say against the readings that they name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from levelset.errors import UsageError
from levelset.probe.known_voltage import compare_levels
from levelset.record.comparison import difference, is_number
from levelset.record.schema import ProbeCheckData, quantity_from
from levelset.record.stretch_evidence import stretch_step_difference
from levelset.record.touch_evidence import dc_difference, touch_step_difference
from levelset.units import peak_from_rms, ratio_from_db

if TYPE_CHECKING:
    from levelset.probe.calibration import Calibration
    from levelset.probe.touch_reading import TouchReading
    from levelset.quantity import Quantity
    from levelset.record.findings import Findings
    from levelset.record.journal import Line

_STEP_NUMBERS = {
    "volts_rms": "volts_rms",
    "set_volts_rms": "volts_rms",
    "volts_rms_total": "volts_rms_total",
    "thd_percent": "thd_percent",
}
"""Numbers of a step's result, and what they are called in the reading that it names."""


class ClaimChecks:
    """Compares what lines claim with the lines that they name.

    Parameters
    ----------
    findings : Findings
        Where faults go.
    touches : mapping
        Touches as they were read again, by their line; it grows while the job is walked.
    """

    def __init__(self, findings: Findings, touches: Mapping[int, TouchReading]) -> None:
        self._findings = findings
        self._touches = touches

    def calibration(self, line: Line, calibration: Calibration) -> None:
        """Volts per full scale must be the meter's reading over the level of its evidence."""
        if not calibration.evidence:
            self._findings.note(
                f"{self._findings.place(line)}: calibration {calibration.name!r} was not made in "
                "this job; its evidence is in the store of calibrations"
            )
        # A DC part from the store has its touch there, as the scale has.
        if calibration.dc is not None and (calibration.dc.evidence or calibration.evidence):
            touch = self._touches.get(calibration.dc.evidence)
            what = "names a battery's touch that is none" if touch is None else ""
            what = what or dc_difference(calibration, touch, self._findings.tolerance)
            if what:
                self._findings.fault(line, what)
        for seq in calibration.evidence:
            named = self._findings.named(line, seq, "reading")
            if named is None:
                self._findings.fault(line, f"names seq {seq} as its evidence, which is no reading")
                return
            legs = _legs(named)
            for tip, scale in enumerate(calibration.volts_per_full_scale):
                level_dbfs = _value(legs[tip], "level_dbfs") if tip < len(legs) else None
                if level_dbfs is None:
                    self._findings.fault(
                        line, f"its evidence, seq {seq}, has no level for tip {tip + 1}"
                    )
                    return
                volts = peak_from_rms(calibration.meter_volts_rms) / ratio_from_db(level_dbfs)
                # Two tips on one point lift the probe's ground (see `probe/calibrate.py`).
                if len(calibration.volts_per_full_scale) == 2:
                    volts /= 1.0 + 2.0 * calibration.ground_lead_ratio
                if not self._findings.tolerance.holds(scale.value, volts, scale.u):
                    what = (
                        f"volts_per_full_scale[{tip}] is {scale.value}, its evidence, seq {seq}, "
                    )
                    self._findings.fault(line, f"{what}gives {volts}")
                    return

    def probe_check(self, line: Line, check: ProbeCheckData) -> None:
        """Compare the stated change with both readings and what the meter read."""
        if self._findings.head is None:
            return  # reported at its own line
        sides: list[tuple[list[Quantity], float]] = []
        for seq in (check.start_seq, check.end_seq):
            named = self._findings.named(line, seq, "reading")
            if named is None:
                self._findings.fault(line, f"names seq {seq}, which is no reading before it")
                return
            levels = [quantity_from(leg.get("level_dbfs"), "dB") for leg in _legs(named)]
            details = named.data.get("details")
            volts = details.get("meter_volts_rms") if isinstance(details, dict) else None
            if None in levels or not is_number(volts):
                self._findings.fault(
                    line, f"names seq {seq}, which has no level or no multimeter reading"
                )
                return
            sides.append(([level for level in levels if level is not None], float(volts)))
        try:
            tips = compare_levels(
                *sides[0], *sides[1], self._findings.head.plan.probe.meter.resolution_v
            )
        except UsageError as error:
            self._findings.fault(line, f"cannot be computed again ({error.what})")
            return
        stored = {"change_percent": check.change_percent, "confirmed": check.confirmed}
        fresh = {
            "change_percent": [tip.change_percent.as_json() for tip in tips],
            "confirmed": all(tip.confirmed for tip in tips),
        }
        differs = difference(stored, fresh, self._findings.tolerance, "data")
        if differs:
            self._findings.fault(line, f"{differs}, computed again from the readings that it names")

    def step(self, line: Line) -> None:
        """Compare a step's numbers with the readings and touches that it names."""
        result = line.data.get("result")
        for where, values in _naming_a_reading(result, "result"):
            self._step_numbers(line, where, values)
        what = touch_step_difference(result, self._findings.by_seq)
        what = what or stretch_step_difference(result, self._findings.by_seq)
        if what:
            self._findings.fault(line, what)

    def _step_numbers(self, line: Line, where: str, values: dict[str, Any]) -> None:
        seq = values["reading_seq"]
        named = self._findings.named(line, seq, "reading")
        if named is None:
            self._findings.fault(line, f"{where} names seq {seq}, which is no reading before it")
            return
        readings = named.data.get("readings")
        output = readings[-1] if isinstance(readings, list) and readings else None
        if not isinstance(output, dict):
            return  # reported at its own line
        for key, in_reading in _STEP_NUMBERS.items():
            # The other numbers of a result are the plan's, or computed from these.
            if isinstance(values.get(key), dict) and values[key] != output.get(in_reading):
                what = f"{where}.{key} is {values[key]}, the reading it names (seq {seq}) says "
                self._findings.fault(line, f"{what}{output.get(in_reading)}")
        if "reading" in values and values["reading"] != output:
            self._findings.fault(line, f"{where}.reading is not the reading it names (seq {seq})")


def _naming_a_reading(value: object, where: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield every object below ``value`` that names a reading, with its path."""
    if isinstance(value, dict):
        if is_number(value.get("reading_seq")):
            yield where, value
        for key, item in value.items():
            yield from _naming_a_reading(item, f"{where}.{key}")
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _naming_a_reading(item, f"{where}[{index}]")


def _legs(line: Line) -> list[dict[str, Any]]:
    readings = line.data.get("readings")
    if not isinstance(readings, list):
        return []
    return [one for one in readings if isinstance(one, dict) and one.get("channel") != "pair"]


def _value(reading: dict[str, Any], key: str) -> float | None:
    quantity = reading.get(key)
    value = quantity.get("value") if isinstance(quantity, dict) else None
    return float(value) if is_number(value) else None
