"""The simulated car in the time domain: from the player to the interface's codes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from levelset.errors import UsageError
from levelset.ports.base import Point
from levelset.simulation.contact import Contact
from levelset.simulation.decimator import ROWS, decimate, oversampling
from levelset.simulation.interface import Converter
from levelset.simulation.player import Player
from levelset.simulation.waveshape import limited

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.simulation.car import AmplifierTruth, CarTruth

    Values = NDArray[np.float64]

Tip = Literal["A", "B"]
ALL_TIPS: tuple[Tip, ...] = ("A", "B")

SOURCE = ""
"""Key of the source among the channels, which all have a name."""


class Glide:
    """A value that levers change in one go and that moves over one block."""

    def __init__(self, value: float) -> None:
        self.now = value

    def to(self, target: float, count: int) -> float | Values:
        """Return the value over the next ``count`` samples: a number where it rests."""
        start, self.now = self.now, target
        if start == target:
            return target
        return start + (target - start) * (np.arange(1, count + 1) / count)


class Amplifier:
    """One amplifier channel: what a voltage at its input makes across its terminals.

    Its input is AC coupled, as car amplifiers' are: bias and offset of the source do not pass.

    Parameters
    ----------
    truth : AmplifierTruth
        The channel.
    noise_seed : list of int
        Seed of its noise.
    """

    def __init__(self, truth: AmplifierTruth, noise_seed: list[int]) -> None:
        self.truth = truth
        self.gain_db = truth.gain_db[0]
        self._gain = Glide(self._ratio())
        self._rail_v = Glide(truth.rail_volts_peak)
        self._noise = np.random.default_rng(noise_seed)

    def turn(self, by_db: float) -> bool:
        """Turn the gain knob; False when it has come to its end in that direction."""
        low, high = self.truth.gain_db
        wanted = self.gain_db + by_db
        self.gain_db = min(max(wanted, low), high)
        return low <= wanted <= high

    def pair_v(self, input_v: Values, supply_ratio: float) -> Values:
        """Return volts across the terminals; settings that changed move over these samples."""
        gain = self._gain.to(self._ratio(), len(input_v))
        rail = self._rail_v.to(self._rail(supply_ratio), len(input_v))
        return self._limited(input_v, gain, rail)

    def settled_pair_v(self, input_v: Values) -> Values:
        """Return the same with the settings in force so far."""
        return self._limited(input_v, self._gain.now, self._rail_v.now)

    def steady_pair_v(self, input_v: Values, supply_ratio: float) -> Values:
        """Return the same with the settings as they stand."""
        return self._limited(input_v, self._ratio(), self._rail(supply_ratio))

    def arrive(self, supply_ratio: float) -> None:
        """Take the settings over at once: nobody looks."""
        self._gain.now = self._ratio()
        self._rail_v.now = self._rail(supply_ratio)

    def noise_v(self, frames: int) -> Values:
        """Return the noise across the terminals, at the interface's rate."""
        return self._noise.standard_normal(frames) * (self.truth.noise_millivolts / 1000.0)

    def _limited(self, input_v: Values, gain: float | Values, rail_v: float | Values) -> Values:
        truth = self.truth
        if truth.input_clip_volts_peak is not None:
            input_v = np.clip(input_v, -truth.input_clip_volts_peak, truth.input_clip_volts_peak)
        return limited(input_v * gain, rail_v, truth.soft_knee, truth.thd_percent)

    def _ratio(self) -> float:
        sign = 1.0 if self.truth.polarity == "normal" else -1.0
        return float(sign * 10.0 ** (self.gain_db / 20.0))

    def _rail(self, supply_ratio: float) -> float:
        return self.truth.rail_volts_peak * (1.0 if self.truth.regulated else supply_ratio)


class Car:
    """A simulated car that runs.

    The engine is off, the tips touch nothing, the gains stand at minimum and the volume at its
    start.

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
        self.engine_runs = False
        self.frame = 0
        self.player = Player(truth.interface.rate_hz, truth.interface.clock_ppm)
        self._amplifiers = {
            amplifier.name: Amplifier(amplifier, [seed, 2, n])
            for n, amplifier in enumerate(truth.amplifiers)
        }
        for amplifier in self._amplifiers.values():
            amplifier.arrive(self._supply_ratio)
        self._tips: dict[Tip, Point] = {"A": Point("open"), "B": Point("open")}
        rate_hz = truth.interface.rate_hz
        self._contacts: dict[Tip, Contact] = {
            tip: Contact(rate_hz, [seed, 4, n]) for n, tip in enumerate(ALL_TIPS)
        }
        self._level = Glide(self._source_peak_v())
        self._converter = Converter(truth.interface, seed)
        self._tails: dict[str, Values] = {}
        self._factor = 0

    @property
    def supply_v(self) -> float:
        """Supply voltage now, V."""
        supply = self.truth.supply
        return supply.engine_on if self.engine_runs else supply.engine_off

    def amplifier(self, channel: str | None) -> Amplifier:
        """Return a channel by its name; raises UsageError where there is none."""
        if channel is None or channel not in self._amplifiers:
            names = ", ".join(self._amplifiers)
            raise UsageError(f"there is no channel {channel!r}", f"the channels are {names}")
        return self._amplifiers[channel]

    def touch(self, tip: Tip, point: Point, *, bounces: bool = False) -> None:
        """Put a tip on a point; a hand's contact comes a little late and bounces at first."""
        self.leg(point)
        if bounces and point.place != "open" and point != self._tips[tip]:
            self._contacts[tip].close()
        self._tips[tip] = point

    def leg(self, point: Point) -> tuple[str | None, float, float]:
        """Return what stands on a point against chassis.

        Returns
        -------
        device : str or None
            `SOURCE` or a channel whose pair voltage moves it.
        part : float
            Volts per volt across that pair (without its offset).
        steady_v : float
            Steady voltage, V.
        """
        sign = 1.0 if point.leg == "positive" else -1.0
        if point.place == "open":
            return None, 0.0, 0.0
        if point.place == "battery":
            return None, 0.0, self.supply_v if point.leg == "positive" else 0.0
        if point.place == "source":
            source = self.truth.source
            device, kind, offset_v = SOURCE, source.output, source.offset_millivolts / 1000.0
            # Each leg of a bridged output rests at a part of the supply.
            bias_v = source.bias_volts * self._supply_ratio
        else:
            truth = self.amplifier(point.channel).truth
            device, kind, bias_v = truth.name, truth.output, 0.0
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
        self.player.forget_before(self.frame - ROWS)
        return self._converter.codes(volts)

    def ac_volts_rms(self, red: Point, black: Point | None) -> float:
        """Return the true RMS voltage between two points without its mean, V; None is chassis."""
        parts: dict[str, float] = {}
        for point, sign in ((red, 1.0), (black, -1.0)):
            if point is not None:
                device, part, _ = self.leg(point)
                if device is not None:
                    parts[device] = parts.get(device, 0.0) + sign * part
        if red.place == "open" or (black is not None and black.place == "open"):
            return 0.0
        source_v = self._source_pair_v(self.player.steady(), self._source_peak_v())
        total, noise_power = np.zeros_like(source_v), 0.0
        for device, part in parts.items():
            if device == SOURCE:
                total += part * source_v
                continue
            amplifier = self.amplifier(device)
            total += part * amplifier.steady_pair_v(source_v, self._supply_ratio)
            noise_power += (part * amplifier.truth.noise_millivolts / 1000.0) ** 2
        return math.sqrt(float(np.var(total)) + noise_power)

    def dc_volts(self, red: Point, black: Point | None) -> float:
        """Return the true steady voltage between two points, V; None is chassis."""
        if red.place == "open" or (black is not None and black.place == "open"):
            return 0.0
        return self.leg(red)[2] - (0.0 if black is None else self.leg(black)[2])

    @property
    def _supply_ratio(self) -> float:
        return self.supply_v / self.truth.supply.engine_on

    def _source_peak_v(self) -> float:
        """Volts peak across the pair per full scale of the player."""
        source = self.truth.source
        below_db = (source.max_volume - self.volume) * source.db_per_step
        sign = 1.0 if source.polarity == "normal" else -1.0
        return float(sign * source.volts_rms_at_max * math.sqrt(2.0) * 10.0 ** (-below_db / 20.0))

    def _source_pair_v(self, signal: Values, peak_v: float | Values) -> Values:
        source = self.truth.source
        return limited(signal * peak_v, source.clip_volts_peak, 0.0, source.thd_percent)

    def _pairs_v(self, devices: set[str], frames: int) -> dict[str, Values]:
        """Return volts across each pair that is touched, at the interface's rate."""
        for name, amplifier in self._amplifiers.items():
            if name not in devices:
                amplifier.arrive(self._supply_ratio)
                self._tails.pop(name, None)
        factor = oversampling(self.player.highest_hz, self.truth.interface.rate_hz)
        if not devices or factor != self._factor:
            self._tails.clear()
            self._factor = factor
        if not devices:
            self._level.now = self._source_peak_v()
            return {}
        source_v = self._player_to_source(frames)
        pairs = {}
        for device in devices:
            if device == SOURCE:
                rows = source_v
            else:
                rows = self._amplified(device, source_v)
            pairs[device] = decimate(rows.reshape(-1, factor))
            if device != SOURCE:
                pairs[device] += self._amplifiers[device].noise_v(frames)
        self._tails[SOURCE] = source_v[-(ROWS - 1) * factor :]
        return pairs

    def _player_to_source(self, frames: int) -> Values:
        """Return the oversampled source voltage, with the filter's history in front."""
        past, factor = ROWS - 1, self._factor
        tail = self._tails.get(SOURCE)
        if tail is None:
            before = self.player.rows(self.frame - past, past, factor).ravel()
            tail = self._source_pair_v(before, self._level.now)
        signal = self.player.rows(self.frame, frames, factor).ravel()
        level = self._level.to(self._source_peak_v(), len(signal))
        return np.concatenate((tail, self._source_pair_v(signal, level)))

    def _amplified(self, channel: str, source_v: Values) -> Values:
        history = (ROWS - 1) * self._factor
        amplifier = self._amplifiers[channel]
        tail = self._tails.get(channel)
        if tail is None:
            tail = amplifier.settled_pair_v(source_v[:history])
        rows = np.concatenate((tail, amplifier.pair_v(source_v[history:], self._supply_ratio)))
        self._tails[channel] = rows[-history:]
        return rows
