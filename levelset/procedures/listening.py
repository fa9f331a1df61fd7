"""How each kind of specification is listened for: which frames are due, and how they are read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from levelset.analysis.stream.meter import newest_s
from levelset.probe.dc import read_touch
from levelset.probe.reading import Frames, TipsReading, ToneSpec
from levelset.probe.stretch import read_stretch
from levelset.probe.stretch_reading import StretchReading, StretchSpec
from levelset.probe.touch_reading import StepSpec, TouchReading
from levelset.probe.volts import read_tips

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.probe.calibration import Calibration
    from levelset.probe.kinds import AnyReading, AnySpec
    from levelset.procedures.tape import Tape

    Samples = NDArray[np.float64]

LOOK_AGAIN_S = 0.25
"""How often something that builds is looked at, s."""

BEFORE_TOUCH_S = 1.6
"""How much quiet before a touch is used, s."""


class Ear(Protocol):
    """Listens for one specification."""

    keeps_what_was_heard: bool
    """Whether what was heard before an offer was taken still counts after it."""

    def due(self, tape: Tape, earliest: int, rate_hz: int) -> Frames | None:
        """Return the frames to be read now, none of them before ``earliest``, or None."""
        ...

    def read(self, samples: Samples, frames: Frames, calibration: Calibration | None) -> AnyReading:
        """Read the samples of these frames, shape (frames.count, channels)."""
        ...

    def used_up(self, reading: AnyReading) -> bool:
        """Tell whether the next reading begins after this one."""
        ...


class ToneEar:
    """Reads window after window.

    Parameters
    ----------
    spec : ToneSpec
        What to listen for.
    last_hz : float or None
        Frequency of the last window, which saves the search.
    """

    keeps_what_was_heard = False

    def __init__(self, spec: ToneSpec, last_hz: float | None) -> None:
        self._spec = spec
        self._last_hz = last_hz

    def due(self, tape: Tape, earliest: int, rate_hz: int) -> Frames | None:
        """Return the next window."""
        count = round(self._spec.window_s * rate_hz)
        first = max(earliest, tape.start)
        if tape.end - first < count:
            return None
        return Frames(tape.stream, first, count, rate_hz)

    def read(
        self, samples: Samples, frames: Frames, calibration: Calibration | None
    ) -> TipsReading:
        """Read a window; while a knob turns its newest part, so that the digits follow."""
        for part in (frames, newest_part(frames, self._spec)):
            reading = read_tips(
                samples[-part.count :],
                part,
                self._spec,
                calibration,
                with_picture=True,
                start_hz=self._last_hz,
            )
            voids = [one.tone.void for one in (reading.output, *reading.legs)]
            if not any(void is not None and void.code == "unsteady" for void in voids):
                break
        return reading

    def used_up(self, reading: AnyReading) -> bool:  # noqa: ARG002
        """Windows do not overlap."""
        return True


class TouchEar:
    """Looks at the newest stretch several times a second: quiet, touch, and what follows.

    Parameters
    ----------
    spec : StepSpec
        What to listen for.
    since : int
        Frame at which it began to listen.
    """

    keeps_what_was_heard = True  # A touch that nobody saw lies in what was heard before.

    def __init__(self, spec: StepSpec, since: int) -> None:
        self._spec = spec
        self._since = since

    def due(self, tape: Tape, earliest: int, rate_hz: int) -> Frames | None:
        """Return the newest stretch."""
        if tape.end < self._since + round(LOOK_AGAIN_S * rate_hz):
            return None
        longest = round((self._spec.hold_s + BEFORE_TOUCH_S) * rate_hz)
        first = max(earliest, tape.start, tape.end - longest)
        return Frames(tape.stream, first, tape.end - first, rate_hz)

    def read(
        self, samples: Samples, frames: Frames, calibration: Calibration | None
    ) -> TouchReading:
        """Read it as a whole."""
        return read_touch(samples, frames, self._spec, calibration)

    def used_up(self, reading: AnyReading) -> bool:
        """Only a finished touch ends what was heard."""
        return isinstance(reading, TouchReading) and reading.state == "done"


class StretchEar:
    """Records one stretch, says how far it has come, and analyses it at the end.

    Parameters
    ----------
    spec : StretchSpec
        What to listen for.
    since : int
        Frame at which it began to listen.
    """

    keeps_what_was_heard = False

    def __init__(self, spec: StretchSpec, since: int) -> None:
        self._spec = spec
        self._since = since

    def due(self, tape: Tape, earliest: int, rate_hz: int) -> Frames | None:
        """Return the whole stretch, or what there is of it several times a second."""
        first = max(earliest, tape.start)
        whole = self._whole(rate_hz)
        there = min(tape.end - first, whole)
        if there < whole and tape.end < self._since + round(LOOK_AGAIN_S * rate_hz):
            return None
        return Frames(tape.stream, first, there, rate_hz)

    def read(
        self, samples: Samples, frames: Frames, calibration: Calibration | None
    ) -> StretchReading:
        """Read the whole stretch; before, only say how much of it there is."""
        whole = self._whole(frames.rate_hz)
        if frames.count < whole:
            return StretchReading(frames, self._spec, "recording", frames.count / whole)
        return read_stretch(samples, frames, self._spec, calibration)

    def used_up(self, reading: AnyReading) -> bool:
        """Only a finished stretch ends what was heard."""
        return isinstance(reading, StretchReading) and reading.state == "done"

    def _whole(self, rate_hz: int) -> int:
        return round(self._spec.seconds * rate_hz)


def ear_for(spec: AnySpec, since: int, last_hz: float | None) -> Ear:
    """Return who listens for a specification.

    Parameters
    ----------
    spec : ToneSpec, StepSpec or StretchSpec
        What to listen for.
    since : int
        Frame at which listening begins.
    last_hz : float or None
        Frequency of the tone that was read last.
    """
    if isinstance(spec, ToneSpec):
        return ToneEar(spec, last_hz)
    if isinstance(spec, StepSpec):
        return TouchEar(spec, since)
    return StretchEar(spec, since)


def newest_part(frames: Frames, spec: ToneSpec) -> Frames:
    """Return the end of a window, as short as a tone can be read: 4 periods, at least 50 ms."""
    count = min(round(newest_s(spec.expected_hz) * frames.rate_hz), frames.count)
    return Frames(frames.stream, frames.first + frames.count - count, count, frames.rate_hz)
