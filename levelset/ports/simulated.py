"""A simulated car as a port: the one door through which anything reaches the simulation."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from levelset.errors import DeviceError, UsageError
from levelset.ports.base import FADE_IN_S, LEASE_S, Block, PortInfo, block_frames
from levelset.simulation.car_file import load_car, load_demo_car
from levelset.simulation.chain import Car
from levelset.simulation.hands import Hands
from levelset.simulation.levers import CarLevers
from levelset.simulation.paperwork import job_plan
from levelset.units import ratio_from_db

if TYPE_CHECKING:
    from levelset.analysis.result import Void
    from levelset.plan.job import JobPlan
    from levelset.ports.base import Levers
    from levelset.procedures.protocol import Person
    from levelset.signals.signal import Playable

NAME = "simulated interface (invented)"


class SimulatedPort:
    """`levelset.ports.base.Port` over a simulated car.

    Parameters
    ----------
    car : Car
        The car.
    fast : bool
        True hands out blocks as fast as they are computed, False as a sound card would.
    """

    def __init__(self, car: Car, *, fast: bool) -> None:
        interface = car.truth.interface
        self._car = car
        self._fast = fast
        self._closed = False
        self._rate_hz = interface.rate_hz
        self._frames = block_frames(interface.rate_hz)
        self._info = PortInfo(
            NAME, interface.rate_hz, interface.channels, can_play=True, can_loop=False
        )

    @property
    def info(self) -> PortInfo:
        """What is known about the port."""
        return self._info

    @property
    def time_s(self) -> float:
        """Stream time of the next frame, s."""
        return self._car.frame / self._rate_hz

    def blocks(self) -> Iterator[Block]:
        """Yield blocks as they arrive; ends when the port is closed."""
        began_s = time.monotonic() - self.time_s
        while not self._closed:
            first, start_s = self._car.frame, self.time_s
            samples = self._car.render(self._frames)
            if not self._fast:
                # A block can be handed out when its last frame has been converted.
                time.sleep(max(0.0, began_s + self.time_s - time.monotonic()))
            yield Block(samples, 0, first, self._rate_hz, start_s, frozenset())

    def path_void(self, stream: int, first_frame: int, frames: int) -> Void | None:  # noqa: ARG002
        """Return None: nothing lies between the simulated input and the reader."""
        return None

    def play(self, signal: Playable, level_dbfs: float) -> None:
        """Play into the source's input, as loud as a track of the same level.

        Raises
        ------
        DeviceError
            If the port is closed.
        UsageError
            If the level is no number up to 0 dBFS.
        """
        if self._closed:
            raise DeviceError("the port is closed", "open the device again")
        if not -200.0 <= level_dbfs <= 0.0:
            raise UsageError(
                f"a level of {level_dbfs} dBFS cannot be played", "give -200 to 0 dBFS"
            )
        self._car.player.play_aux(signal, ratio_from_db(level_dbfs), self._car.frame, FADE_IN_S)
        self.renew()

    def renew(self) -> None:
        """Renew the lease on the output."""
        now = self._car.frame
        self._car.player.lease_aux(now, now + round(LEASE_S * self._rate_hz))

    def silence(self) -> None:
        """Fade the output out within 20 ms; harmless when nothing plays."""
        self._car.player.end_aux(self._car.frame)

    def close(self) -> None:
        """Silence the output and end the blocks; harmless when closed."""
        self.silence()
        self._closed = True


@dataclass(frozen=True, slots=True)
class Demo:
    """A simulated car with all that is needed to work on it.

    Parameters
    ----------
    port : SimulatedPort
        What levelset hears.
    levers : Levers
        What a person's hands reach.
    plan : JobPlan
        The plan, from labels and manuals.
    hands : Person
        Simulated hands that follow the screen.
    """

    port: SimulatedPort
    levers: Levers
    plan: JobPlan
    hands: Person


def open_demo(car_path: Path | None, *, seed: int, fast: bool) -> Demo:
    """Open a simulated car.

    Parameters
    ----------
    car_path : Path or None
        A car file; None opens the invented car that comes with levelset.
    seed : int
        Seed of all noise and of the hands, 0 or above.
    fast : bool
        True does not wait for real time.

    Returns
    -------
    Demo
        The car, engine off, tips open, gains at minimum.

    Raises
    ------
    InputError
        If the file cannot be read.
    UsageError
        If the file or the seed cannot be used.
    """
    if seed < 0:
        raise UsageError(f"a seed of {seed} cannot be used", "give a whole number from 0")
    truth = load_demo_car() if car_path is None else load_car(car_path)
    plan = job_plan(truth)
    car = Car(truth, seed)
    port = SimulatedPort(car, fast=fast)
    levers = CarLevers(car)
    return Demo(port, levers, plan, Hands(levers, lambda: port.time_s, seed))
