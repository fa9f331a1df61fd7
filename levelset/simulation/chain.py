"""The simulated car in the time domain: from the player to the interface's codes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from levelset.errors import UsageError
from levelset.ports.base import Point
from levelset.simulation.amplifier import Amplifier
from levelset.simulation.contact import Contact
from levelset.simulation.decimator import ROWS, decimate, oversampling
from levelset.simulation.interface import Converter
from levelset.simulation.player import Player
from levelset.simulation.processor import Processor
from levelset.simulation.source import Tap

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from levelset.simulation.car import CarTruth, SourceTruth

    Values = NDArray[np.float64]

Tip = Literal["A", "B"]
ALL_TIPS: tuple[Tip, ...] = ("A", "B")

Device = tuple[Literal["source", "processor", "channel"], str]
"""A tap of the source (the main one has no name), the processor, or an amplifier channel."""

EFFICIENCY = 0.8
"""Power at the loads over power from the supply (common practice, no source)."""

SUPPLY_ROUNDS = 60
"""Steps in which the supply voltage and the power that it allows come to agree."""


class Car:
    """A simulated car that runs.

    The engine is off, the tips touch nothing, gains and the processor's level stand at minimum and
    the volume at its start; filters are on and loudspeakers off.

    Parameters
    ----------
    truth : CarTruth
        What the car is.
    seed : int
        Seed of every noise.
    """

    def __init__(self, truth: CarTruth, seed: int) -> None:
        self.truth = truth
        self.volume = truth.source.start_volume
        self.muted = False
        self.engine_runs = False
        self.revs_rpm: float | None = None
        self.frame = 0
        rate_hz = truth.interface.rate_hz
        self.player = Player(rate_hz, truth.interface.clock_ppm)
        self._taps = {
            name: Tap(source, rate_hz, 0.0, [seed, 5, n])
            for n, (name, source) in enumerate(_taps(truth))
        }
        self._processor = (
            None
            if truth.processor is None
            else Processor(truth.processor, truth.source, rate_hz, [seed, 6])
        )
        self._before: dict[Device, Tap | Processor] = {
            ("source", name): tap for name, tap in self._taps.items()
        }
        if self._processor is not None:
            self._before["processor", ""] = self._processor
        self._amplifiers = {
            amplifier.name: Amplifier(amplifier, rate_hz, [seed, 2, n])
            for n, amplifier in enumerate(truth.amplifiers)
        }
        self._tips: dict[Tip, Point] = {"A": Point("open"), "B": Point("open")}
        self._contacts: dict[Tip, Contact] = {
            tip: Contact(rate_hz, [seed, 4, n]) for n, tip in enumerate(ALL_TIPS)
        }
        self._converter = Converter(truth.interface, seed)
        self._factor = 0
        self._sag: tuple[object, float] = (None, 0.0)
        self._longest_delay = max(tap.truth.delay_ms for tap in self._all_taps()) * 1e-3
        for amplifier in self._amplifiers.values():
            amplifier.arrive(self._supply_ratio)

    @property
    def supply_v(self) -> float:
        """Supply voltage now, V; connected loads pull it down by what they draw on average."""
        supply = self.truth.supply
        rest_v = supply.engine_on if self.engine_runs else supply.engine_off
        loaded = [a for a in self._amplifiers.values() if a.load_connected]
        if supply.ohm == 0.0 or not loaded:
            return rest_v
        settings = tuple((a.gain_db, a.filters_on, a.load_connected) for a in loaded)
        level_db = None if self._processor is None else self._processor.gain_db
        key = (rest_v, self.volume, self.muted, self.player.changes, level_db, settings)
        if key != self._sag[0]:
            self._sag = key, self._supply_under_load_v(rest_v, loaded)
        return self._sag[1]

    @property
    def rpm(self) -> float:
        """Engine speed; 0 while it stands."""
        if not self.engine_runs:
            return 0.0
        return self.truth.supply.idle_rpm if self.revs_rpm is None else self.revs_rpm

    @property
    def processor(self) -> Processor:
        """The processor; raises UsageError where there is none."""
        if self._processor is None:
            raise UsageError("the car has no processor", "give the car file a [processor]")
        return self._processor

    def amplifier(self, channel: str | None) -> Amplifier:
        """Return a channel by its name; raises UsageError where there is none."""
        if channel is None or channel not in self._amplifiers:
            names = ", ".join(self._amplifiers)
            raise UsageError(f"there is no channel {channel!r}", f"the channels are {names}")
        return self._amplifiers[channel]

    def amplifiers(self, channel: str | None) -> list[Amplifier]:
        """Return one channel, or all for None."""
        return list(self._amplifiers.values()) if channel is None else [self.amplifier(channel)]

    def tap(self, name: str | None) -> Tap:
        """Return a tap of the source, the main one for None; raises UsageError for no such tap."""
        if (name or "") not in self._taps:
            names = ", ".join(other for other in self._taps if other)
            todo = f"the others are {names}" if names else "give the car a [[source.tap]]"
            raise UsageError(f"there is no tap {name!r} beside the main one", todo)
        return self._taps[name or ""]

    def touch(self, tip: Tip, point: Point, *, bounces: bool = False) -> None:
        """Put a tip on a point; a hand's contact comes a little late and bounces at first."""
        self.leg(point)
        if bounces and point.place != "open" and point != self._tips[tip]:
            self._contacts[tip].close()
        self._tips[tip] = point

    def leg(self, point: Point) -> tuple[Device | None, float, float]:
        """Return what stands on a point against chassis.

        Returns
        -------
        device : Device or None
            Whose pair voltage moves it.
        part : float
            Volts per volt across that pair (without its offset).
        steady_v : float
            Steady voltage, V.
        """
        sign = 1.0 if point.leg == "positive" else -1.0
        device: Device
        if point.place == "open":
            return None, 0.0, 0.0
        if point.place == "battery":
            return None, 0.0, self.supply_v if point.leg == "positive" else 0.0
        if point.place == "source":
            self.tap(point.channel)
            source = self.truth.source
            device, kind = ("source", point.channel or ""), source.output
            offset_v = source.offset_millivolts / 1000.0
            # Each leg of a bridged output rests at a part of the supply.
            bias_v = source.bias_volts * self._supply_ratio
        elif point.place == "processor":
            _ = self.processor
            device, kind, offset_v, bias_v = ("processor", ""), "line", 0.0, 0.0
        else:
            truth = self.amplifier(point.channel).truth
            device, kind, bias_v = ("channel", truth.name), truth.output, 0.0
            offset_v = truth.output_offset_millivolts / 1000.0
        if kind == "bridged":
            return device, 0.5 * sign, bias_v + 0.5 * sign * offset_v
        if point.leg == "negative":
            return None, 0.0, 0.0
        return device, 1.0, offset_v

    def render(self, frames: int) -> Values:
        """Return the next codes of the interface.

        Parameters
        ----------
        frames : int
            How many, above 0.

        Returns
        -------
        ndarray, shape (frames, channels)
            Full scale.
        """
        tips = ALL_TIPS[: self.truth.interface.channels]
        legs = [self.leg(self._tips[tip]) for tip in tips]
        pairs = self._pairs_v({leg[0] for leg in legs if leg[0] is not None}, frames)
        probe = self.truth.probe
        volts = np.empty((frames, len(tips)))
        for column, (device, part, steady_v) in enumerate(legs):
            match = 1.0 if column == 0 else 1.0 + probe.mismatch_percent / 100.0
            moving = 0.0 if device is None else part * pairs[device]
            volts[:, column] = (moving + steady_v) * (match / probe.divider)
            self._contacts[tips[column]].interrupt(volts[:, column])
        self.frame += frames
        late = self._longest_delay * self.truth.interface.rate_hz
        self.player.forget_before(self.frame - ROWS - late)
        return self._converter.codes(volts)

    def ac_volts_rms(self, red: Point, black: Point | None) -> float:
        """Return the true RMS voltage between two points without its mean, V; None is chassis.

        It counts what an amplifier's carrier leaves no more than a multimeter does.
        """
        parts: dict[Device, float] = {}
        for point, sign in ((red, 1.0), (black, -1.0)):
            if point is not None:
                device, part, _ = self.leg(point)
                if device is not None:
                    parts[device] = parts.get(device, 0.0) + sign * part
        if red.place == "open" or (black is not None and black.place == "open"):
            return 0.0
        self._tell_taps()
        sums: dict[float, Values] = {}
        noise_power = 0.0
        for (place, name), part in parts.items():
            if place != "channel":
                before = self.processor if place == "processor" else self.tap(name)
                pair_v, span_s = before.steady(self.player)
                noise_power += part**2 * before.noise_power_v2([])
            else:
                amplifier = self.amplifier(name)
                feed = self._feed(amplifier)
                source_v, span_s = feed.steady(self.player)
                pair_v = amplifier.steady_pair_v(source_v, span_s, self._supply_ratio)
                passed_on = amplifier.gain_ratio**2 * feed.noise_power_v2(amplifier.sections)
                own = (amplifier.truth.noise_millivolts / 1000.0) ** 2
                noise_power += part**2 * (own + passed_on)
            sums[span_s] = sums.get(span_s, 0.0) + part * pair_v
        return math.sqrt(sum(float(np.var(values)) for values in sums.values()) + noise_power)

    def dc_volts(self, red: Point, black: Point | None) -> float:
        """Return the true steady voltage between two points, V; None is chassis."""
        if red.place == "open" or (black is not None and black.place == "open"):
            return 0.0
        return self.leg(red)[2] - (0.0 if black is None else self.leg(black)[2])

    @property
    def _supply_ratio(self) -> float:
        return self.supply_v / self.truth.supply.engine_on

    def _supply_under_load_v(self, rest_v: float, loaded: list[Amplifier]) -> float:
        """Return the voltage at which what the loads draw and what is lost on the way agree."""
        self._tell_taps()
        supply, now_v = self.truth.supply, rest_v
        driven = [(a, *self._feed(a).steady(self.player)) for a in loaded]
        for _ in range(SUPPLY_ROUNDS):
            power_w = 0.0
            for amplifier, source_v, span_s in driven:
                pair_v = amplifier.steady_pair_v(source_v, span_s, now_v / supply.engine_on)
                ohm, own_ohm = amplifier.load_ohm, amplifier.truth.output_ohm
                power_w += float(np.var(pair_v)) * (ohm + own_ohm) / ohm**2
            drawn_a = power_w / (EFFICIENCY * now_v)
            new_v = max(rest_v - supply.ohm * drawn_a, 0.2 * rest_v)
            if abs(new_v - now_v) < 1e-9:
                break
            now_v = 0.5 * (now_v + new_v)
        return now_v

    def _feed(self, amplifier: Amplifier) -> Tap | Processor:
        """Return what stands in front of an amplifier."""
        return self._before[self._fed_by(amplifier)]

    def _all_taps(self) -> list[Tap]:
        own = [] if self._processor is None else [self._processor.feed]
        return [*self._taps.values(), *own]

    def _tell_taps(self) -> None:
        for tap in self._all_taps():
            tap.volume, tap.muted, tap.rpm = self.volume, self.muted, self.rpm

    def _pairs_v(self, devices: set[Device], frames: int) -> dict[Device, Values]:
        """Return volts across each pair that is touched, at the interface's rate."""
        self._tell_taps()
        ratio, rate_hz = self._supply_ratio, self.truth.interface.rate_hz
        factor = oversampling(self.player.highest_hz, rate_hz)
        if factor != self._factor:
            self._factor = factor
            for before in self._before.values():
                before.restart()
            for amplifier in self._amplifiers.values():
                amplifier.restart()
        heard = {name: a for name, a in self._amplifiers.items() if ("channel", name) in devices}
        for name, amplifier in self._amplifiers.items():
            if name not in heard:
                amplifier.arrive(ratio)
        needed = {device for device in devices if device in self._before}
        needed |= {self._fed_by(amplifier) for amplifier in heard.values()}
        for device, before in self._before.items():
            if device not in needed:
                before.arrive()
        past = ROWS - 1
        for amplifier in heard.values():
            if not amplifier.settled:
                count = past + amplifier.settle_frames
                feed = self._feed(amplifier)
                rows = feed.past_rows(self.player, self.frame, count, factor)
                amplifier.settle(rows, past)
        rows_of = {
            device: self._before[device].rows(self.player, self.frame, frames, factor, past)
            for device in sorted(needed)
        }
        pairs: dict[Device, Values] = {}
        for device in sorted(devices):
            if device in rows_of:
                pairs[device] = decimate(rows_of[device])
                continue
            amplifier = heard[device[1]]
            new = rows_of[self._fed_by(amplifier)][past:]
            pairs[device] = decimate(amplifier.rows(new, ratio)) + amplifier.noise_v(frames)
            pairs[device] += amplifier.carrier_v(self.frame, frames, factor)
        return pairs

    def _fed_by(self, amplifier: Amplifier) -> Device:
        return ("source", amplifier.truth.tap) if self._processor is None else ("processor", "")


def _taps(truth: CarTruth) -> Iterator[tuple[str, SourceTruth]]:
    """Yield every tap's name with the source as it stands at it."""
    source = truth.source
    yield "", source
    for tap in source.taps:
        ratio = 10.0 ** (tap.level_db / 20.0)
        yield (
            tap.name,
            replace(
                source,
                channels=tap.channels,
                volts_rms_at_max=source.volts_rms_at_max * ratio,
                delay_ms=tap.delay_ms,
                polarity=tap.polarity,
            ),
        )
