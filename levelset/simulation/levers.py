"""What hands reach in the simulated car."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from levelset.plan.load import net_load_ohm
from levelset.simulation.meter import displayed
from levelset.units import ratio_from_db

if TYPE_CHECKING:
    from levelset.ports.base import Point
    from levelset.signals.signal import Playable
    from levelset.simulation.chain import Car

DC_PART = 0.8
"""DC resistance of the invented voice coils over their nominal impedance."""

SOURCE_KINDS = {"bridged": "speaker_bridged", "grounded": "speaker_grounded", "line": "line"}
"""What a manual says of each kind of output."""


class CarLevers:
    """`levelset.ports.base.Levers` on a simulated car; what they show is what a person sees.

    Parameters
    ----------
    car : Car
        The car.
    """

    def __init__(self, car: Car) -> None:
        self._car = car

    def play_track(self, signal: Playable | None, level_dbfs: float = 0.0) -> None:
        """Choose what the vehicle's own player plays; None stops it."""
        self._car.player.play_track(signal, self._car.frame, ratio_from_db(level_dbfs))

    def inspect(self, item: str, channel: str | None) -> str:
        """Look at what the checklist asks for."""
        truth = self._car.truth
        if item == "source_kind":
            return SOURCE_KINDS[truth.source.output]
        if item == "chassis" and channel is not None:
            return "no" if self._car.amplifier(channel).truth.to_chassis else "yes"
        return dict(truth.checklist).get(item, "yes")

    def meter_ohm(self, channel: str) -> float:
        """Read the multimeter on ohms across the loose loudspeaker wires of a channel."""
        truth = self._car.amplifier(channel).truth
        return round(DC_PART * net_load_ohm(truth.wired or truth.load), 1)

    def turn_volume(self, steps: int) -> int:
        """Turn the volume by whole steps, up to its ends; return the number shown."""
        wanted = self._car.volume + steps
        self._car.volume = min(max(wanted, 0), self._car.truth.source.max_volume)
        return self._car.volume

    def shown_volume(self) -> int:
        """Return the number that the display shows."""
        return self._car.volume

    def turn_gain(self, channel: str | None, by_db: float) -> bool:
        """Turn a gain knob; False when it has come to its end in that direction.

        None is the level control of the processor.
        """
        stage = self._car.processor if channel is None else self._car.amplifier(channel)
        return stage.turn(by_db)

    def touch(self, tip: Literal["A", "B"], point: Point) -> None:
        """Put a tip on a point, or take it off with the place ``open``."""
        self._car.touch(tip, point, bounces=True)

    def meter_ac_volts(self, red: Point, black: Point | None) -> float:
        """Read the multimeter on AC volts between two points; black None is chassis."""
        meter = self._car.truth.meter
        return displayed(
            self._car.ac_volts_rms(red, black),
            meter.ac_percent,
            meter.ac_counts,
            meter.ac_resolution_v,
            meter.error,
        )

    def meter_dc_volts(self, red: Point, black: Point | None) -> float:
        """Read the multimeter on DC volts between two points; black None is chassis."""
        meter = self._car.truth.meter
        return displayed(
            self._car.dc_volts(red, black),
            meter.dc_percent,
            meter.dc_counts,
            meter.dc_resolution_v,
            meter.error,
        )

    def engine(self, running: bool) -> None:
        """Start or stop the engine."""
        self._car.engine_runs = running

    def engine_speed(self, rpm: float | None) -> None:
        """Hold the running engine at a speed; None lets it idle."""
        self._car.revs_rpm = rpm

    def filters(self, channel: str | None, on: bool) -> None:
        """Switch the filters of a channel on or off; None is every channel."""
        for amplifier in self._car.amplifiers(channel):
            amplifier.switch_filters(on)

    def loudspeakers(self, channel: str | None, connected: bool) -> None:
        """Connect the loudspeakers of a channel or take them off; None is every channel."""
        for amplifier in self._car.amplifiers(channel):
            amplifier.load_connected = connected

    def mute(self, muted: bool) -> None:
        """Mute the source, or end it."""
        self._car.muted = muted
