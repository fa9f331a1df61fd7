"""What a screen shows between two readings: the newest window, ten times a second.

A glimpse moves the digits and says clipping at once. Its samples have passed the same look as those
of a reading. Procedures, simulated hands and the record never see it: they go by the readings that
answer ``Listen``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from levelset.ports.base import joined
from levelset.probe.path_stage import WAITING, without_path_faults
from levelset.probe.reading import ToneSpec
from levelset.probe.tips_meter import TipsMeter

if TYPE_CHECKING:
    from levelset.analysis.path_watch import PathWatch
    from levelset.ports.base import Block, Port
    from levelset.probe.calibration import Calibration
    from levelset.probe.reading import TipsReading
    from levelset.procedures.protocol import Person, View

GLIMPSES_HZ = 10.0
SOONEST_S = 0.075
"""After a reading or a glimpse was shown: what comes sooner is left out."""


@runtime_checkable
class Follower(Protocol):
    """A person who looks at the screen all the time."""

    def glimpse(self, view: View) -> None:
        """Look at a view that has the newest window in place of the last reading."""
        ...


class Glimpses:
    """Follows the tips while a procedure listens to a tone.

    Parameters
    ----------
    port : Port
        Where the blocks come from.
    path : PathWatch
        Looks at the same samples for the readings.
    """

    def __init__(self, port: Port, path: PathWatch) -> None:
        self._port = port
        self._path = path
        self._unseen: list[Block] = []
        self._person: Person | None = None
        self._follower: Follower | None = None
        self._for: tuple[ToneSpec, Calibration | None] | None = None
        self._meter: TipsMeter | None = None
        self._newest: TipsReading | None = None
        self._end = self._shown = 0
        self._waits = self._told = False

    def listen(self, spec: object, calibration: Calibration | None, person: Person) -> None:
        """Follow what a procedure listens to, as long as it is a tone.

        For a person who is no `Follower` nothing is computed.
        """
        self._person = person
        self._follower = person if isinstance(person, Follower) else None
        self._newest, self._shown = None, self._end
        if self._follower is None or not isinstance(spec, ToneSpec):
            self._for = self._meter = None
            self._unseen.clear()
        elif self._for != (spec, calibration):
            info = self._port.info
            self._for = (spec, calibration)
            self._meter = TipsMeter(info.rate_hz, info.channels, spec, calibration, GLIMPSES_HZ)

    def wait(self) -> None:
        """Take note that nothing comes."""
        self._waits = True

    def take(self, block: Block) -> None:
        """Follow the tips through a block."""
        self._end = block.first_frame + len(block.samples)
        self._told = False
        if self._meter is None or self._for is None:
            return
        if self._unseen and not block.follows(self._unseen[-1]):
            self._unseen.clear()
        self._unseen.append(block)
        reading = self._meter.push(block.samples, block.stream, block.first_frame)
        if reading is None:
            return
        self._newest = reading
        first, samples = self._unseen[0], joined(self._unseen)
        self._unseen.clear()
        tone_hz = self._for[0].expected_hz
        self._path.take(samples, first.stream, first.first_frame, tone_hz=tone_hz)

    def show(self, view: View) -> None:
        """Show the newest window, where there is one that was not shown."""
        if self._waits and view.reading is not None:
            waiting = replace(view, reading=view.reading.voided(WAITING))
            if self._follower is not None:
                self._follower.glimpse(waiting)
            elif self._person is not None and not self._told:
                self._person.see(waiting)
            self._told = True
        self._waits = False
        reading, self._newest = self._newest, None
        if reading is None or self._follower is None:
            return
        frames = reading.frames
        if abs(self._end - self._shown) < SOONEST_S * frames.rate_hz:
            return
        self._shown = self._end
        void = self._port.path_void(frames.stream, frames.first, frames.count)
        reading = without_path_faults(reading, frames, self._path, void)
        self._follower.glimpse(replace(view, reading=reading))
