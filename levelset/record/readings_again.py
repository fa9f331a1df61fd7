"""Every accepted reading against its capture, which is read again."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from levelset.errors import InputError, LevelsetError
from levelset.probe.calibration import Calibration
from levelset.probe.kinds import kind_of
from levelset.probe.reading import Frames, TipsReading, ToneSpec
from levelset.probe.touch_reading import TouchReading
from levelset.record.audio_files import CODE_HIGH, read_capture
from levelset.record.comparison import difference
from levelset.record.folder import CAPTURES, is_sha256
from levelset.record.journal import digest
from levelset.record.schema import CORRECTED, ReadingData, StretchData, TouchData, from_data

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.record.findings import Findings
    from levelset.record.journal import Line

    ReadTips = Callable[[NDArray[np.float64], Frames, ToneSpec, Calibration | None], TipsReading]


class ReadingsAgain:
    """Reads captures again, line by line.

    Parameters
    ----------
    findings : Findings
        Where faults go.
    read : callable
        Analyses samples of a tone.
    """

    def __init__(self, findings: Findings, read: ReadTips) -> None:
        self.captures: dict[str, bool] = {}
        """By SHA-256, whether a capture that a line names holds."""
        self.touches: dict[int, TouchReading] = {}
        """Touches as they were read again, by their line."""
        self.count = 0
        """Readings that were computed again."""
        self._findings = findings
        self._read = read

    def check(self, line: Line, reading: ReadingData | TouchData | StretchData) -> None:
        """Compare an accepted reading with its capture."""
        calibration: Calibration | None = None
        if reading.calibration_seq is not None:
            named = self._findings.named(line, reading.calibration_seq, "calibration")
            if named is None:
                what = f"names seq {reading.calibration_seq} as its calibration, which is none"
                self._findings.fault(line, what)
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
            self._findings.fault(
                line,
                f"claims {reading.frames.count} frames at {reading.frames.rate_hz} Hz, its capture "
                f"has {len(codes)} at {rate_hz} Hz",
            )
            return
        samples = codes / (CODE_HIGH + 1.0)
        try:
            again = self._again(line, samples, reading, calibration)
        except (ValueError, ArithmeticError, LevelsetError) as error:
            self._findings.fault(line, f"its capture cannot be analysed again ({error})")
            return
        self.count += 1
        if len(again) != len(reading.readings):
            what = f"{len(reading.readings)} readings, its capture gives {len(again)}"
            self._findings.fault(line, what)
            return
        for index, (stored, fresh) in enumerate(zip(reading.readings, again, strict=True)):
            differs = difference(stored, fresh, self._findings.tolerance, f"readings[{index}]")
            corrected = self._corrected(reading)
            if differs and corrected:
                self._findings.note(f"{self._findings.place(line)}: {differs}; {corrected}")
                return
            if differs:
                self._findings.fault(line, f"{differs}, computed again from its capture")
                return

    def _corrected(self, reading: ReadingData | TouchData | StretchData) -> str:
        """Return what has been corrected since these numbers were made, else nothing."""
        head = self._findings.head
        if head is None or not isinstance(reading, StretchData):
            return ""
        version, how = CORRECTED.get(reading.spec.analysis, (0, ""))
        return f"since analysis {version} {how}" if head.analysis < version else ""

    def _again(
        self,
        line: Line,
        samples: NDArray[np.float64],
        data: ReadingData | TouchData | StretchData,
        calibration: Calibration | None,
    ) -> list[dict[str, Any]]:
        """Read the samples again: the kind of specification decides how."""
        kind = kind_of(data.spec)
        read: Callable[..., Any] = self._read if isinstance(data, ReadingData) else kind.read
        reading = read(samples, data.frames, data.spec, calibration)
        if isinstance(reading, TouchReading):
            self.touches[line.seq] = reading
        return kind.parts(reading)

    def _capture(self, line: Line, sha256: str) -> tuple[NDArray[np.int32], int] | None:
        if self.captures.get(sha256) is False:
            return None  # reported already
        self.captures[sha256] = False
        name = f"{CAPTURES}/{sha256}.flac"
        named_by = f"named by {self._findings.place(line)}"
        if not is_sha256(sha256):
            self._findings.fault(line, f"{sha256!r} is not the name of a capture")
            return None
        try:
            data = (self._findings.path / CAPTURES / f"{sha256}.flac").read_bytes()
        except FileNotFoundError:
            self._findings.fault_at(name, f"missing, {named_by}")
            return None
        if digest(data) != sha256:
            self._findings.fault_at(name, f"altered: its SHA-256 is {digest(data)}, {named_by}")
            return None
        try:
            capture = read_capture(io.BytesIO(data), name)
        except InputError as error:
            self._findings.fault_at(name, f"{error.what}, {named_by}")
            return None
        self.captures[sha256] = True
        return capture
