"""From recordings to a calibration, and from its stored captures to the same numbers again."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from levelset.errors import DamageError, InputError, LevelsetError, UsageError
from levelset.probe.calibrate import calibrate_from_common_touch
from levelset.probe.dc import read_touch
from levelset.probe.reading import Frames, TipsReading, ToneSpec
from levelset.probe.touches import Touch, calibrate_from_touches
from levelset.record import self_test
from levelset.record.audio_files import (
    CODE_HIGH,
    CODE_LOW,
    open_recording,
    read_capture,
    write_capture,
)
from levelset.record.calibrations import read_evidence
from levelset.record.comparison import OTHER_ANALYSIS, SAME_ANALYSIS, Tolerance, difference
from levelset.record.journal import digest
from levelset.record.schema import ANALYSIS_VERSION
from levelset.record.stored_calibration import (
    SetUp,
    StoredCalibration,
    StoredTouch,
    new_calibration,
)
from levelset.record.touch_evidence import dc_difference

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.plan.job import MeterSpec
    from levelset.probe.calibration import Calibration
    from levelset.quantity import Quantity

WINDOW_S = 1.0
SHORT_WINDOW_S = 0.25
"""Window in recordings shorter than two seconds, s."""
MOST_WINDOWS = 120
"""Windows that are looked at; the rest of a long recording is left alone."""
STEADY_DB = 0.05
"""Windows must read the median level within this, dB."""


@dataclass(frozen=True, slots=True)
class RecordedTouch:
    """A window of a recording, read.

    Parameters
    ----------
    reading : TipsReading
        The tips, without a calibration.
    codes : ndarray of int32, shape (frames, tips)
        24-bit codes from which it was computed.
    meter_volts_rms : float
        What the multimeter read, V.
    capture : bytes
        The codes as a FLAC file.
    """

    reading: TipsReading
    codes: NDArray[np.int32]
    meter_volts_rms: float
    capture: bytes

    @property
    def rate_hz(self) -> int:
        """Sample rate, Hz."""
        return self.reading.frames.rate_hz


def touch_from_recording(
    path: Path, channels: Sequence[int], meter_volts_rms: float
) -> RecordedTouch:
    """Read the tone of a recording where it stands at its usual level.

    Parameters
    ----------
    path : Path
        Recording of the tips on the point that the multimeter read.
    channels : sequence of int
        Input channel of each tip, tip A first, from 1: one or two.
    meter_volts_rms : float
        What the multimeter read, V.

    Returns
    -------
    RecordedTouch
        Of the window with the median level.

    Raises
    ------
    InputError
        If the file cannot be read, was coded with loss, has no such channel, or holds no steady
        tone.
    """
    import numpy as np

    recording = open_recording(path)
    if recording.lossy:
        raise InputError(
            f"{path}: coded with loss ({recording.subtype})", "record to WAV or FLAC to calibrate"
        )
    if (
        max(channels) > recording.channels
        or min(channels) < 1
        or len(set(channels)) < len(channels)
    ):
        asked = ", ".join(map(str, channels))
        raise InputError(
            f"{path}: has {recording.channels} channels, not {asked}",
            "name the channel of each tip with --channel, tip A first",
        )
    window_s = WINDOW_S if recording.duration_s >= 2.0 * WINDOW_S else SHORT_WINDOW_S
    count = round(window_s * recording.rate_hz)
    spec = ToneSpec(
        expected_hz=None,
        window_s=window_s,
        limit_percent=1.0,
        output="line" if len(channels) == 1 else "unknown",
        live=False,
    )
    columns = [channel - 1 for channel in channels]
    found: list[tuple[float, TipsReading, NDArray[np.int32]]] = []
    reason = f"it is shorter than {window_s:g} s"
    for index, block in enumerate(recording.blocks(count)):
        if len(block) < count or index >= MOST_WINDOWS:
            break
        scaled = block[:, columns] * (CODE_HIGH + 1.0)
        if not np.isfinite(scaled).all():
            reason = "it holds values that are not numbers"
            continue
        # The reading is computed from exactly the codes that are kept.
        codes = np.rint(scaled).clip(CODE_LOW, CODE_HIGH).astype(np.int32)
        reading = read_codes(codes, Frames(0, index * count, count, recording.rate_hz), spec)
        void = next((leg.tone.void for leg in reading.legs if leg.tone.void is not None), None)
        level = reading.legs[0].tone.level_dbfs
        if void is not None or level is None:
            reason = "" if void is None else void.reason
            continue
        found.append((level.value, reading, codes))
    if not found:
        raise InputError(
            f"{path}: no window of it can be read ({reason.rstrip('.')})",
            "record some seconds of the steady calibration tone with every tip in contact",
        )
    # A fade may fall into the first and the last window.
    inner = found[1:-1] or found
    level_db, reading, codes = sorted(inner, key=lambda row: row[0])[len(inner) // 2]
    spread_db = max(abs(row[0] - level_db) for row in inner)
    if spread_db > STEADY_DB:
        raise InputError(
            f"{path}: the level moves by {spread_db:.2f} dB",
            "make one recording for each reading of the multimeter, and keep the source steady",
        )
    return RecordedTouch(reading, codes, meter_volts_rms, encode_capture(codes, recording.rate_hz))


def encode_capture(codes: NDArray[np.int32], rate_hz: int) -> bytes:
    """Return raw codes, int32 of shape (frames, tips) within 24 bit, as the bytes of a FLAC file.

    Raises
    ------
    InputError
        If there is no room for a file in the meantime.
    """
    import tempfile

    try:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "capture.flac"
            write_capture(path, codes, rate_hz)
            return path.read_bytes()
    except OSError as error:
        raise InputError(f"the capture cannot be written ({error})", "make room") from error


def read_codes(codes: NDArray[np.int32], frames: Frames, spec: ToneSpec) -> TipsReading:
    """Read raw codes of all tips without a calibration."""
    from levelset.probe.volts import read_tips

    return read_tips(codes / (CODE_HIGH + 1.0), frames, spec, None)


def calibrate_recordings(
    touches: Sequence[RecordedTouch],
    meter: MeterSpec,
    set_up: SetUp,
    *,
    name: str,
    coupling_hz: tuple[float, ...],
    max_volts: float,
    ground_lead_ratio: float,
    high_corner_hz: Quantity | None,
) -> tuple[StoredCalibration, list[bytes]]:
    """Return the calibration of one or several touches with its evidence.

    Parameters
    ----------
    touches : sequence of RecordedTouch
        At least one; several give linearity and repeatability.
    meter : MeterSpec
        The multimeter.
    set_up : SetUp
        What the calibration belongs to.
    name, coupling_hz, max_volts, ground_lead_ratio, high_corner_hz
        As in `calibrate_from_common_touch`.

    Returns
    -------
    stored : StoredCalibration
        The calibration.
    captures : list of bytes
        Its captures as FLAC files, in the order of its touches.

    Raises
    ------
    UsageError
        If the comparison would not be honest (see `calibrate_from_common_touch`).
    """
    calibration, residuals, repeatability = _compute(
        [Touch(touch.reading, touch.meter_volts_rms) for touch in touches],
        meter,
        {
            "port_name": set_up.device,
            "coupling_hz": coupling_hz,
            "max_volts": max_volts,
            "design_volts_per_full_scale": set_up.divider * set_up.full_scale_v_peak,
            "name": name,
            "evidence": (),
            "ground_lead_ratio": ground_lead_ratio,
            "high_corner_hz": high_corner_hz,
        },
    )
    kept = [
        StoredTouch(
            digest(touch.capture),
            touch.reading.frames,
            touch.reading.spec,
            touch.meter_volts_rms,
            residual,
        )
        for touch, residual in zip(touches, residuals, strict=True)
    ]
    stored = new_calibration(calibration, set_up, meter, kept, repeatability)
    return stored, [touch.capture for touch in touches]


def check_evidence(stored: StoredCalibration, path: Path) -> str:
    """Compute a calibration again from its captures.

    Parameters
    ----------
    stored : StoredCalibration
        What was stored.
    path : Path
        Its folder.

    Returns
    -------
    str
        What differs first; nothing where it holds.

    Raises
    ------
    DamageError
        If a capture is missing or altered.
    """
    return differs_from_captures(stored, [read_evidence(path, name) for name in stored.captures])


def differs_from_captures(stored: StoredCalibration, captures: Sequence[bytes]) -> str:
    """Compute a calibration again from the FLAC files that it names, in their order.

    Returns
    -------
    str
        What differs first; nothing where it holds.
    """
    made = stored.calibration
    try:
        touches = []
        for touch, data in zip(stored.touches, captures[: len(stored.touches)], strict=True):
            codes, rate_hz = read_capture(io.BytesIO(data), touch.capture)
            if (rate_hz, len(codes)) != (touch.frames.rate_hz, touch.frames.count):
                return f"capture {touch.capture} has {len(codes)} frames at {rate_hz} Hz"
            if codes.shape[1] != len(made.volts_per_full_scale):
                return f"capture {touch.capture} has {codes.shape[1]} channels"
            touches.append(
                Touch(read_codes(codes, touch.frames, touch.spec), touch.meter_volts_rms)
            )
        calibration, residuals, repeatability = _compute(
            touches,
            stored.meter,
            {
                "port_name": made.port_name,
                "coupling_hz": made.coupling_hz,
                "max_volts": made.max_volts,
                "design_volts_per_full_scale": stored.set_up.divider
                * stored.set_up.full_scale_v_peak,
                "name": made.name,
                "evidence": made.evidence,
                "ground_lead_ratio": made.ground_lead_ratio,
                "high_corner_hz": made.high_corner_hz,
            },
        )
    except DamageError:
        raise
    except (LevelsetError, ValueError) as error:
        return f"its captures do not give a calibration ({error})"
    tolerance = SAME_ANALYSIS if stored.analysis == ANALYSIS_VERSION else OTHER_ANALYSIS
    differs = difference(
        _numbers(made, [t.residual_percent for t in stored.touches], stored.repeatability_percent),
        _numbers(calibration, residuals, repeatability),
        tolerance,
        "calibration",
    )
    rest = captures[len(stored.touches) :]
    return differs or _dc_differs(stored, rest, tolerance) or _self_test_differs(stored, captures)


def _dc_differs(stored: StoredCalibration, captures: Sequence[bytes], tolerance: Tolerance) -> str:
    """Compute the DC part again from the battery's touch."""
    battery, made = stored.battery, stored.calibration
    if battery is None or made.dc is None:
        return ""
    codes, rate_hz = read_capture(io.BytesIO(captures[0]), battery.capture)
    if (rate_hz, len(codes)) != (battery.frames.rate_hz, battery.frames.count):
        return f"capture {battery.capture} has {len(codes)} frames at {rate_hz} Hz"
    samples = codes / (CODE_HIGH + 1.0)
    touch = read_touch(samples, battery.frames, battery.spec, replace(made, dc=None))
    return dc_difference(made, touch, tolerance)


def _self_test_differs(stored: StoredCalibration, captures: Sequence[bytes]) -> str:
    """Judge the path again, where that analysis is the one that judged it."""
    if stored.self_test is None or stored.analysis != ANALYSIS_VERSION:
        return ""
    scales = tuple(scale.value for scale in stored.calibration.volts_per_full_scale)
    named = dict(zip(stored.captures, captures, strict=True))
    return self_test.differs(stored.self_test, named, scales)


def _numbers(
    calibration: Calibration, residuals: Sequence[float], repeatability: float | None
) -> dict[str, Any]:
    match = calibration.match
    return {
        "volts_per_full_scale": [scale.as_json() for scale in calibration.volts_per_full_scale],
        "match": None if match is None else match.as_json(),
        "frequency_hz": calibration.frequency_hz,
        "meter_volts_rms": calibration.meter_volts_rms,
        # Residuals are differences of scales that agree: so much is nothing.
        "residual_percent": [{"value": r, "u": 0.01} for r in residuals],
        "repeatability_percent": None
        if repeatability is None
        else {"value": repeatability, "u": 0.01},
    }


def _compute(
    touches: Sequence[Touch], meter: MeterSpec, known: dict[str, Any]
) -> tuple[Calibration, tuple[float, ...], float | None]:
    """Return calibration, residuals (%) and repeatability (%; None for a single touch)."""
    if len(touches) == 1:
        only = touches[0]
        made = calibrate_from_common_touch(only.reading, only.meter_volts_rms, meter, **known)
        return made, (0.0,), None
    rates = {touch.reading.frames.rate_hz for touch in touches}
    if len(rates) > 1:
        raise UsageError(
            f"the recordings have different rates, {' and '.join(map(str, sorted(rates)))} Hz",
            "record all of them at the rate that will be used",
        )
    series = calibrate_from_touches(touches, meter, **known)
    return series.calibration, series.residual_percent, series.repeatability_percent
