"""Does a job hold? Walks the chain from the stored bytes and analyses every capture again."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from levelset.errors import InputError, LevelsetError, UsageError
from levelset.probe.calibration import Calibration
from levelset.probe.known_voltage import compare_levels
from levelset.probe.reading import Frames, TipsReading, ToneSpec, reading_as_json
from levelset.probe.touch_reading import TouchReading, touch_as_json
from levelset.record.audio_files import CODE_HIGH, read_capture
from levelset.record.comparison import OTHER_ANALYSIS, SAME_ANALYSIS, difference, is_number
from levelset.record.confirmation import unconfirmed_note, unconfirmed_readings
from levelset.record.folder import CAPTURES, read_scan, require_job
from levelset.record.journal import HEAD, JOURNAL, Fault, Line, Scan, digest
from levelset.record.schema import (
    ANALYSIS_VERSION,
    KINDS,
    JobData,
    ProbeCheckData,
    ReadingData,
    TouchData,
    check_version,
    from_data,
    quantity_from,
)
from levelset.record.touch_evidence import dc_difference, touch_step_difference
from levelset.units import peak_from_rms, ratio_from_db

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.quantity import Quantity

    ReadTips = Callable[[NDArray[np.float64], Frames, ToneSpec, Calibration | None], TipsReading]

T = TypeVar("T")

_STEP_NUMBERS = {
    "volts_rms": "volts_rms",
    "set_volts_rms": "volts_rms",
    "volts_rms_total": "volts_rms_total",
    "thd_percent": "thd_percent",
}
"""Numbers of a step's result, and what they are called in the reading that it names."""


@dataclass(frozen=True, slots=True)
class Verification:
    """Whether a job holds.

    Parameters
    ----------
    ok : bool
        No fault was found.
    first_fault : str or None
        The first thing that does not hold, with its place.
    faults : tuple of str
        All of them.
    notes : tuple of str
        What is worth knowing and no fault.
    lines, captures, readings : int
        Lines read, captures whose hash holds, readings analysed again.
    head_sha256 : str or None
        SHA-256 of the newest line, which the report prints.
    """

    ok: bool
    first_fault: str | None
    faults: tuple[str, ...]
    notes: tuple[str, ...]
    lines: int
    captures: int
    readings: int
    head_sha256: str | None

    def as_json(self) -> dict[str, Any]:
        """Return ``job verify --json``."""
        return {"schema": "levelset.verification.v1", **asdict(self)}

    def text(self) -> str:
        """Return the answer as lines for a terminal, the first fault first."""
        rows = ["holds" if self.ok else f"DOES NOT HOLD: {self.first_fault}"]
        rows += [f"also: {fault}" for fault in self.faults[1:]]
        rows.append(
            f"{self.lines} lines, {self.captures} captures, {self.readings} readings computed again"
        )
        rows += [f"note: {note}" for note in self.notes]
        rows.append(f"newest line: SHA-256 {self.head_sha256}")
        if self.ok:
            rows.append(
                "The chain shows edits, and with a hash kept elsewhere also replacement; "
                "it does not prove who wrote the record."
            )
        return "\n".join(rows)


def verify_job(path: Path, *, read: ReadTips | None = None) -> Verification:
    """Check everything a job claims against what is stored.

    Parameters
    ----------
    path : Path
        Folder of the job; nothing in it is changed.
    read : callable or None
        Analyses samples again; ``levelset.probe.volts.read_tips`` by default.

    Returns
    -------
    Verification
        A damaged job is an answer, not an error.

    Raises
    ------
    InputError
        If there is no job in the folder, it cannot be read, or a newer levelset is needed.
    """
    require_job(path)
    if read is None:
        from levelset.probe.volts import read_tips

        read = read_tips
    try:
        return _Walk(path, read_scan(path), read).result()
    except OSError as error:
        what = f"{path}: {error.strerror or error}"
        raise InputError(what, "restore access to the folder and its files") from error


class _Walk:
    def __init__(self, path: Path, found: Scan, read: ReadTips) -> None:
        self._path = path
        self._found = found
        self._read = read
        self._faults: list[Fault] = list(found.faults)
        self._notes: list[str] = []
        self._by_seq = {line.seq: line for line in found.lines}
        self._place = {
            id(line): f"{JOURNAL} line {number}"
            for line, number in zip(found.lines, found.numbers, strict=True)
        }
        self._captures: dict[str, bool] = {}  # by SHA-256: whether it holds
        self._touches: dict[int, TouchReading] = {}
        self._readings = 0
        self._head: JobData | None = None
        self._tolerance = SAME_ANALYSIS

    def result(self) -> Verification:
        found = self._found
        if not found.faults:  # else a version may be what was damaged
            for line in found.lines:
                check_version(line.kind, line.schema)
        if found.torn:
            self._notes.append(
                f"{JOURNAL}: the last line was never finished ({len(found.torn)} bytes); "
                "it does not count"
            )
        if found.unsealed:
            self._notes.append(f"{JOURNAL}: the newest line is unsealed, {HEAD} is one line behind")
        self._first_line()
        for line in found.lines:
            self._line(line)
        self._other_files()
        unconfirmed = unconfirmed_readings(found.lines)
        if unconfirmed:
            self._notes.append(unconfirmed_note(unconfirmed))
        faults = tuple(str(fault) for fault in self._faults)
        return Verification(
            ok=not faults,
            first_fault=faults[0] if faults else None,
            faults=faults,
            notes=tuple(self._notes),
            lines=len(found.lines),
            captures=sum(self._captures.values()),
            readings=self._readings,
            head_sha256=found.lines[-1].sha256 if found.lines else None,
        )

    def _fault(self, line: Line, what: str) -> None:
        self._faults.append(Fault(self._place[id(line)], what))

    def _first_line(self) -> None:
        if not self._found.lines:
            return
        first = self._found.lines[0]
        if first.kind != "job":
            self._fault(first, f"the first line is of kind {first.kind!r}, not 'job'")
            return
        self._head = head = self._typed(first, JobData)
        if head is not None and head.analysis != ANALYSIS_VERSION:
            self._tolerance = OTHER_ANALYSIS
            self._notes.append(
                f"made with analysis {head.analysis}, compared with analysis {ANALYSIS_VERSION}: "
                "numbers hold within a tenth of their uncertainty"
            )

    def _typed(self, line: Line, kind: type[T]) -> T | None:
        try:
            return from_data(line.data, kind, "data")
        except InputError as error:
            self._fault(line, error.what)
            return None

    def _line(self, line: Line) -> None:
        if line.kind == "reading":
            reading = self._typed(line, ReadingData)
            if reading is not None:
                self._reading(line, reading)
        elif line.kind == "touch":
            touch = self._typed(line, TouchData)
            if touch is not None:
                self._reading(line, touch)
        elif line.kind == "calibration":
            calibration = self._typed(line, Calibration)
            if calibration is not None:
                self._calibration(line, calibration)
        elif line.kind == "probe_check":
            check = self._typed(line, ProbeCheckData)
            if check is not None:
                self._probe_check(line, check)
        elif line.kind == "step":
            for where, values in _naming_a_reading(line.data.get("result"), "result"):
                self._step_numbers(line, where, values)
            what = touch_step_difference(line.data.get("result"), self._by_seq)
            if what:
                self._fault(line, what)
        elif line.kind not in KINDS:
            self._notes.append(f"{self._place[id(line)]}: kind {line.kind!r} is not known here")

    # Captures

    def _capture(self, line: Line, sha256: str) -> tuple[NDArray[np.int32], int] | None:
        if self._captures.get(sha256) is False:
            return None  # reported already
        self._captures[sha256] = False
        name = f"{CAPTURES}/{sha256}.flac"
        named_by = f"named by {self._place[id(line)]}"
        if len(sha256) != 64 or not set(sha256) <= set("0123456789abcdef"):
            self._fault(line, f"{sha256!r} is not the name of a capture")
            return None
        try:
            data = (self._path / CAPTURES / f"{sha256}.flac").read_bytes()
        except FileNotFoundError:
            self._faults.append(Fault(name, f"missing, {named_by}"))
            return None
        if digest(data) != sha256:
            self._faults.append(Fault(name, f"altered: its SHA-256 is {digest(data)}, {named_by}"))
            return None
        try:
            capture = read_capture(io.BytesIO(data), name)
        except InputError as error:
            self._faults.append(Fault(name, f"{error.what}, {named_by}"))
            return None
        self._captures[sha256] = True
        return capture

    def _other_files(self) -> None:
        folder = self._path / CAPTURES
        if not folder.is_dir():
            return
        for path in sorted(folder.iterdir()):
            if path.suffix != ".flac" or path.stem not in self._captures:
                self._notes.append(f"{CAPTURES}/{path.name}: no line names it")

    # Readings

    def _reading(self, line: Line, reading: ReadingData | TouchData) -> None:
        calibration: Calibration | None = None
        if reading.calibration_seq is not None:
            named = self._by_seq.get(reading.calibration_seq)
            if named is None or named.kind != "calibration" or named.seq >= line.seq:
                what = f"names seq {reading.calibration_seq} as its calibration, which is none"
                self._fault(line, what)
                return
            try:
                calibration = from_data(named.data, Calibration, "data")
            except InputError:
                return  # reported at its own line
        capture = self._capture(line, reading.capture)
        if capture is None:
            return
        codes, rate_hz = capture
        if rate_hz != reading.frames.rate_hz or len(codes) != reading.frames.count:
            self._fault(
                line,
                f"claims {reading.frames.count} frames at {reading.frames.rate_hz} Hz, its capture "
                f"has {len(codes)} at {rate_hz} Hz",
            )
            return
        samples = codes / (CODE_HIGH + 1.0)
        try:
            again = self._again(line, samples, reading, calibration)
        except (ValueError, ArithmeticError, LevelsetError) as error:
            self._fault(line, f"its capture cannot be analysed again ({error})")
            return
        self._readings += 1
        if len(again) != len(reading.readings):
            self._fault(line, f"{len(reading.readings)} readings, its capture gives {len(again)}")
            return
        for index, (stored, fresh) in enumerate(zip(reading.readings, again, strict=True)):
            differs = difference(stored, fresh, self._tolerance, f"readings[{index}]")
            if differs:
                self._fault(line, f"{differs}, computed again from its capture")
                return

    def _again(
        self,
        line: Line,
        samples: NDArray[np.float64],
        data: ReadingData | TouchData,
        calibration: Calibration | None,
    ) -> list[dict[str, Any]]:
        """Read the samples again: the kind of specification decides how."""
        if isinstance(data, ReadingData):
            tips = self._read(samples, data.frames, data.spec, calibration)
            return [reading_as_json(one) for one in (*tips.legs, tips.pair) if one is not None]
        from levelset.probe.dc import read_touch

        touch = read_touch(samples, data.frames, data.spec, calibration)
        self._touches[line.seq] = touch
        return [touch_as_json(one) for one in (*touch.legs, touch.pair) if one is not None]

    # Calibrations and steps

    def _calibration(self, line: Line, calibration: Calibration) -> None:
        """Volts per full scale must be the meter's reading over the level of its evidence."""
        if not calibration.evidence:
            self._notes.append(
                f"{self._place[id(line)]}: calibration {calibration.name!r} was not made in this "
                "job; its evidence is in the store of calibrations"
            )
        if calibration.dc is not None:
            touch = self._touches.get(calibration.dc.evidence)
            what = "names a battery's touch that is none" if touch is None else ""
            what = what or dc_difference(calibration, touch, self._tolerance)
            if what:
                self._fault(line, what)
        for seq in calibration.evidence:
            named = self._by_seq.get(seq)
            if named is None or named.kind != "reading" or seq >= line.seq:
                self._fault(line, f"names seq {seq} as its evidence, which is no reading")
                return
            legs = _legs(named)
            for tip, scale in enumerate(calibration.volts_per_full_scale):
                level_dbfs = _value(legs[tip], "level_dbfs") if tip < len(legs) else None
                if level_dbfs is None:
                    self._fault(line, f"its evidence, seq {seq}, has no level for tip {tip + 1}")
                    return
                volts = peak_from_rms(calibration.meter_volts_rms) / ratio_from_db(level_dbfs)
                # Two tips on one point lift the probe's ground (see `probe/calibrate.py`).
                if len(calibration.volts_per_full_scale) == 2:
                    volts /= 1.0 + 2.0 * calibration.ground_lead_ratio
                if not self._tolerance.holds(scale.value, volts, scale.u):
                    what = (
                        f"volts_per_full_scale[{tip}] is {scale.value}, its evidence, seq {seq}, "
                    )
                    self._fault(line, f"{what}gives {volts}")
                    return

    def _probe_check(self, line: Line, check: ProbeCheckData) -> None:
        """Compare the stated change with both readings and what the meter read."""
        if self._head is None:
            return  # reported at its own line
        sides: list[tuple[list[Quantity], float]] = []
        for seq in (check.start_seq, check.end_seq):
            named = self._by_seq.get(seq)
            if named is None or named.kind != "reading" or seq >= line.seq:
                self._fault(line, f"names seq {seq}, which is no reading before it")
                return
            levels = [quantity_from(leg.get("level_dbfs"), "dB") for leg in _legs(named)]
            details = named.data.get("details")
            volts = details.get("meter_volts_rms") if isinstance(details, dict) else None
            if None in levels or not is_number(volts):
                self._fault(line, f"names seq {seq}, which has no level or no multimeter reading")
                return
            sides.append(([level for level in levels if level is not None], float(volts)))
        try:
            tips = compare_levels(*sides[0], *sides[1], self._head.plan.probe.meter.resolution_v)
        except UsageError as error:
            self._fault(line, f"cannot be computed again ({error.what})")
            return
        stored = {"change_percent": check.change_percent, "confirmed": check.confirmed}
        fresh = {
            "change_percent": [tip.change_percent.as_json() for tip in tips],
            "confirmed": all(tip.confirmed for tip in tips),
        }
        differs = difference(stored, fresh, self._tolerance, "data")
        if differs:
            self._fault(line, f"{differs}, computed again from the readings that it names")

    def _step_numbers(self, line: Line, where: str, values: dict[str, Any]) -> None:
        seq = values["reading_seq"]
        named = self._by_seq.get(seq)
        if named is None or named.kind != "reading" or seq >= line.seq:
            self._fault(line, f"{where} names seq {seq}, which is no reading before it")
            return
        readings = named.data.get("readings")
        output = readings[-1] if isinstance(readings, list) and readings else None
        if not isinstance(output, dict):
            return  # reported at its own line
        for key, in_reading in _STEP_NUMBERS.items():
            # The other numbers of a result are the plan's, or computed from these.
            if isinstance(values.get(key), dict) and values[key] != output.get(in_reading):
                what = f"{where}.{key} is {values[key]}, the reading it names (seq {seq}) says "
                self._fault(line, f"{what}{output.get(in_reading)}")
        if "reading" in values and values["reading"] != output:
            self._fault(line, f"{where}.reading is not the reading it names (seq {seq})")


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
