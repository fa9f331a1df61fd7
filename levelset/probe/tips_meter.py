"""Readings of the tips several times a second, each over the newest window."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from levelset.analysis.health import input_void
from levelset.analysis.result import ToneResult, Void
from levelset.analysis.stream.meter import StreamMeter, Update, Wanted
from levelset.probe.reading import Frames, TipsReading, ToneSpec
from levelset.probe.volts import b_to_a, tip_count, tips_reading

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.probe.calibration import Calibration

HEALTH_S = 0.1
"""Newest part in which the raw codes are looked at: every code comes by more than once."""


class TipsMeter:
    """Follows the tips through one stream; says what `read_tips` says of the same windows.

    Parameters
    ----------
    rate_hz, channels : int
        Sample rate, Hz, and number of channels, tip A first.
    spec : ToneSpec
        What to listen for.
    calibration : Calibration or None
        Scale of the tips.
    updates_hz : float
        Readings a second.
    """

    def __init__(
        self,
        rate_hz: int,
        channels: int,
        spec: ToneSpec,
        calibration: Calibration | None,
        updates_hz: float,
    ) -> None:
        self._rate_hz, self._spec, self._calibration = rate_hz, spec, calibration
        self._tips = tip_count(channels, calibration)
        signals = 3 if self._tips == 2 else 1
        wanted = Wanted(
            updates_hz=updates_hz,
            window_s=spec.window_s,
            window_periods=0.0,
            limit_percent=spec.limit_percent,
            expected_hz=spec.expected_hz,
            response=None if calibration is None else calibration.response,
            pictured=(signals - 1,),
        )
        self._meter = StreamMeter(rate_hz, signals, wanted)
        self._stream = -1
        self._next = -1
        self._newest = np.empty((0, self._tips))

    def push(self, samples: NDArray[np.float64], stream: int, first: int) -> TipsReading | None:
        """Take a block, shape (frames, channels), and where it stands; return the newest reading.

        A block that does not follow the last one begins anew.
        """
        raw = samples[:, : self._tips]
        if (stream, first) != (self._stream, self._next):
            self._meter.restart(first)
            self._newest = raw[:0]
        self._stream, self._next = stream, first + len(samples)
        keep = round(HEALTH_S * self._rate_hz)
        self._newest = np.concatenate((self._newest, raw))[-keep:]
        if self._tips == 2:
            raw = np.column_stack((raw, raw[:, 0] - b_to_a(self._calibration) * raw[:, 1]))
        updates = self._meter.push(raw)
        if not updates:
            return None
        update = updates[-1]
        frames = Frames(stream, update.first, update.count, self._rate_hz)
        voids = input_void(self._newest, self._rate_hz, self._spec.live)
        return tips_reading(
            _Followed(self._tips, update, voids), frames, self._spec, self._calibration
        )


@dataclass(slots=True)
class _Followed:
    """`levelset.probe.volts.Tips` of an update."""

    count: int
    update: Update
    voids: list[Void | None]

    def health(self) -> list[Void | None]:
        return self.voids

    def peak_fs(self, tip: int) -> float:
        peak_dbfs = self.update.tones[tip].peak_dbfs
        return 0.0 if peak_dbfs is None else float(10.0 ** (peak_dbfs / 20.0))

    def tone(self, which: int | Literal["pair"], start_hz: float | None) -> ToneResult:
        del start_hz
        return self.update.tones[-1 if which == "pair" else which]

    def phasors(self, frequency_hz: float) -> tuple[complex, complex]:
        del frequency_hz
        return complex(self.update.phasors[0]), complex(self.update.phasors[1])
