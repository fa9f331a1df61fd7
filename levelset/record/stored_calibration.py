"""A calibration as it is stored, with its set-up and evidence; strict reading and warnings."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import msgspec

import levelset
from levelset.errors import DamageError, InputError, UsageError
from levelset.limits import require_between
from levelset.plan.job import MeterSpec
from levelset.probe.calibration import Calibration
from levelset.probe.reading import Frames, ToneSpec
from levelset.probe.touch_reading import StepSpec
from levelset.record.schema import ANALYSIS_VERSION, from_data
from levelset.record.self_test import StoredSelfTest

SCHEMA = "levelset.calibration.v1"
OLD_DAYS = 365
"""A calibration that is older deserves a new one (common practice, no source)."""
TODO = "import it again from its export, or calibrate again"


@dataclass(frozen=True, slots=True)
class SetUp:
    """What a calibration belongs to.

    Parameters
    ----------
    device : str
        Device and input.
    rate_hz : int
        Sample rate, Hz.
    channels : tuple of int
        Input channel of each tip, tip A first, from 1.
    probe : str
        The probe, in words.
    range : str
        Its range, such as ``high``.
    divider : float
        Volts at the tip per volt at the input, by its design.
    full_scale_v_peak : float
        Peak volts at the input per full scale, by the interface's data sheet.
    """

    device: str
    rate_hz: int
    channels: tuple[int, ...]
    probe: str
    range: str
    divider: float
    full_scale_v_peak: float


@dataclass(frozen=True, slots=True)
class StoredTouch:
    """One comparison with the multimeter.

    Parameters
    ----------
    capture : str
        SHA-256 of its FLAC file, which has one channel per tip.
    frames : Frames
        What was read.
    spec : ToneSpec
        What was listened for.
    meter_volts_rms : float
        What the multimeter read, V.
    residual_percent : float
        Scale of tip A of this touch over the mean of all, less one, %; 0 for a single one.
    """

    capture: str
    frames: Frames
    spec: ToneSpec
    meter_volts_rms: float
    residual_percent: float


@dataclass(frozen=True, slots=True)
class StoredBattery:
    """The touch of a battery behind the DC part of a calibration.

    Parameters
    ----------
    capture : str
        SHA-256 of its FLAC file, which has one channel per tip.
    frames : Frames
        What was read.
    spec : StepSpec
        What was listened for.
    """

    capture: str
    frames: Frames
    spec: StepSpec


@dataclass(frozen=True, slots=True)
class StoredCalibration:
    """A calibration with its evidence, as it is stored.

    Parameters
    ----------
    created : str
        When, RFC 3339 in UTC.
    levelset : str
        Version that made it.
    analysis : int
        Version of the analysis that made it.
    set_up : SetUp
        What it belongs to.
    meter : MeterSpec
        The multimeter.
    calibration : Calibration
        The scale; it names no journal lines.
    touches : tuple of StoredTouch
        At least one.
    repeatability_percent : float or None
        Standard deviation of one touch, %; None for a single one.
    battery : StoredBattery or None
        The touch behind ``calibration.dc``; None where there is neither.
    self_test : StoredSelfTest or None
        What its path was found to be good for; None where it was not checked.
    """

    created: str
    levelset: str
    analysis: int
    set_up: SetUp
    meter: MeterSpec
    calibration: Calibration
    touches: tuple[StoredTouch, ...]
    repeatability_percent: float | None
    battery: StoredBattery | None = None
    self_test: StoredSelfTest | None = None

    @property
    def captures(self) -> tuple[str, ...]:
        """SHA-256 of every capture: the touches', the battery's, the self-test's stretches'."""
        battery = () if self.battery is None else (self.battery.capture,)
        stretches = () if self.self_test is None else self.self_test.stretches
        own = (stretch.capture for stretch in stretches)
        return (*(touch.capture for touch in self.touches), *battery, *own)

    @property
    def name(self) -> str:
        """Its name."""
        return self.calibration.name

    def self_test_lines(self, device: str, rate_hz: int | None = None) -> tuple[str, ...]:
        """Return what an input can be trusted for; nothing for another device or rate."""
        if self.self_test is None or device != self.set_up.device:
            return ()
        if rate_hz is not None and rate_hz != self.set_up.rate_hz:
            return ()
        return self.self_test.lines

    def age_days(self, now: datetime | None = None) -> float:
        """Return its age, days."""
        now = datetime.now(UTC) if now is None else now
        return (now - datetime.fromisoformat(self.created)).total_seconds() / 86400.0

    def as_json(self) -> dict[str, Any]:
        """Return it in the form of its file."""
        built: dict[str, Any] = msgspec.to_builtins(self)
        return {"schema": SCHEMA, **built}


def new_calibration(
    calibration: Calibration,
    set_up: SetUp,
    meter: MeterSpec,
    touches: Sequence[StoredTouch],
    repeatability_percent: float | None,
    *,
    battery: StoredBattery | None = None,
    self_test: StoredSelfTest | None = None,
    now: datetime | None = None,
) -> StoredCalibration:
    """Return a calibration of this version of levelset, made now."""
    when = datetime.now(UTC) if now is None else now.astimezone(UTC)
    return StoredCalibration(
        created=when.isoformat(timespec="seconds").replace("+00:00", "Z"),
        levelset=levelset.__version__,
        analysis=ANALYSIS_VERSION,
        set_up=set_up,
        meter=meter,
        calibration=calibration,
        touches=tuple(touches),
        repeatability_percent=repeatability_percent,
        battery=battery,
        self_test=self_test,
    )


def decode_calibration(raw: bytes, where: str) -> StoredCalibration:
    """Convert the bytes of a ``calibration.json``.

    Parameters
    ----------
    raw : bytes
        The file.
    where : str
        Its name, for messages.
    """
    try:
        data = msgspec.json.decode(raw)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise DamageError(f"{where}: not JSON ({error})", TODO) from error
    schema = data.pop("schema", None) if isinstance(data, dict) else None
    match = re.fullmatch(r"levelset\.calibration\.v(\d{1,6})", str(schema))
    if match is None:
        raise DamageError(f"{where}: not a calibration of levelset", TODO)
    if schema != SCHEMA:
        raise InputError(
            f"{where}: written by a newer levelset (version {match[1]} of the file)",
            "install a newer levelset",
        )
    try:
        stored = from_data(data, StoredCalibration, where)
        _check_values(stored)
    except DamageError as error:
        raise DamageError(error.what, TODO) from error
    except UsageError as error:
        raise DamageError(f"{where}: {error.what}", TODO) from error
    return stored


def _check_values(stored: StoredCalibration) -> None:
    """Refuse what no calibration can hold, so that no reading is made with it."""
    calibration, set_up = stored.calibration, stored.set_up
    if not calibration.name.strip() or not calibration.name.isprintable():
        raise UsageError("the name is empty or not one line", TODO)
    tips = len(calibration.volts_per_full_scale)
    if tips not in (1, 2) or len(set_up.channels) != tips:
        raise UsageError(f"{tips} scales for {len(set_up.channels)} channels", TODO)
    if (calibration.match is None) != (tips == 1):
        raise UsageError("the match of the tips belongs to two tips", TODO)
    if calibration.rate_hz != set_up.rate_hz:
        raise UsageError(
            f"rates of {calibration.rate_hz} and {set_up.rate_hz} Hz contradict each other", TODO
        )
    for value, what, low, high, unit in (
        *((s.value, "scale", 1e-6, 1e6, "V") for s in calibration.volts_per_full_scale),
        *((f, "coupling pole", 1e-4, 1e3, "Hz") for f in calibration.coupling_hz),
        *((c, "input channel", 1, 64, "") for c in set_up.channels),
        *((t.meter_volts_rms, "multimeter reading", 1e-6, 1e6, "V") for t in stored.touches),
        (calibration.rate_hz, "rate", 1, 10_000_000, "Hz"),
        (calibration.frequency_hz, "frequency", 1.0, 1e6, "Hz"),
        (calibration.max_volts, "largest voltage", 1e-3, 1e5, "V"),
        (calibration.meter_volts_rms, "multimeter reading", 1e-6, 1e6, "V"),
        (calibration.ground_lead_ratio, "ground lead ratio", 0.0, 0.05, ""),
        (set_up.divider, "divider", 1e-3, 1e6, ""),
        (set_up.full_scale_v_peak, "full scale", 1e-6, 1e4, "V"),
        (stored.meter.percent, "the multimeter's percent", 0.0, 100.0, "%"),
        (stored.meter.counts, "the multimeter's counts", 0.0, 1e6, ""),
        (stored.meter.resolution_v, "the multimeter's last digit", 0.0, 1e6, "V"),
    ):
        require_between(value, what, low, high, unit)
    corner = calibration.high_corner_hz
    if corner is not None:
        require_between(corner.value, "upper corner", 1.0, 1e9, "Hz")
    for line in calibration.scale_budget:
        require_between(line.standard_uncertainty, f"uncertainty {line.name!r:.40}", 0.0, 1.0, "")
        if not math.isfinite(line.sensitivity) or (line.dof is not None and not line.dof > 0.0):
            raise UsageError(f"line {line.name!r:.40} of the budget is not possible", TODO)
    if not stored.touches:
        raise UsageError("it has no touch as its evidence", TODO)
    if (stored.battery is None) != (calibration.dc is None):
        raise UsageError("its DC part and the battery's touch belong together", TODO)
    for capture in stored.captures:
        if not re.fullmatch(r"[0-9a-f]{64}", capture):
            raise UsageError(f"{capture!r:.80} is not the name of a capture", TODO)
    _check_dc(calibration)
    try:
        made = datetime.fromisoformat(stored.created)
    except ValueError as error:
        raise UsageError(f"{stored.created!r:.40} is no time", TODO) from error
    if made.tzinfo is None:
        raise UsageError(f"time {stored.created} has no offset from UTC", TODO)


def _check_dc(calibration: Calibration) -> None:
    """Refuse a DC part that no battery's touch can give."""
    dc = calibration.dc
    if dc is None:
        return
    if len(dc.tips) != len(calibration.volts_per_full_scale):
        raise UsageError(f"DC part of {len(dc.tips)} tips", TODO)
    require_between(dc.battery_v, "battery", 1.0, 100.0, "V")
    require_between(dc.tolerance_v, "tolerance of the battery's reading", 0.0, 100.0, "V")
    for tip in dc.tips:
        require_between(tip.height_fs, "step of the battery", 1e-6, 1.0, "")
        sides = {len(tip.covariance), *(len(row) for row in tip.covariance)}
        numbers = (*tip.coefficients, *(c for row in tip.covariance for c in row))
        if sides != {1 + len(tip.coefficients)} or not all(map(math.isfinite, numbers)):
            raise UsageError("its DC part is not possible", TODO)


def warnings(
    stored: StoredCalibration,
    *,
    device: str | None = None,
    rate_hz: int | None = None,
    range_name: str | None = None,
    divider: float | None = None,
    tips: int | None = None,
    now: datetime | None = None,
) -> tuple[str, ...]:
    """Return what speaks against using a calibration now, in full sentences.

    Parameters
    ----------
    stored : StoredCalibration
        The calibration.
    device, rate_hz, range_name, divider, tips
        The set-up at hand, as far as it is known.
    now : datetime or None
        The time, aware; the wall clock by default.
    """
    made = stored.set_up
    found = [
        f"The {what} is {have}{unit}, the calibration was made with {was or 'none'}{unit}."
        for what, have, was, unit in (
            ("input", device, made.device, ""),
            ("rate", rate_hz, made.rate_hz, " Hz"),
            ("probe's range", range_name, made.range, ""),
            ("divider", divider, made.divider, ":1"),
            ("number of tips", tips, len(made.channels), ""),
        )
        if have is not None and have != was
    ]
    age = stored.age_days(now)
    if age > OLD_DAYS:
        found.append(f"It is {age:.0f} days old, {OLD_DAYS} are usual: calibrate again.")
    elif age < -1.0:
        found.append("It was made in the future: check the clock of this machine.")
    if stored.analysis != ANALYSIS_VERSION:
        found.append(
            f"It was made with analysis {stored.analysis}, this is analysis {ANALYSIS_VERSION}."
        )
    return tuple(found)
