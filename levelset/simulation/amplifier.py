"""One simulated amplifier channel: what a voltage at its input makes across its terminals."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from levelset.plan.load import net_load_ohm
from levelset.simulation.decimator import passed
from levelset.simulation.filters import RunningFilter, Section, circular, crossover, settle_s
from levelset.simulation.glide import Glide
from levelset.simulation.waveshape import limited

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.simulation.car import AmplifierTruth

    Values = NDArray[np.float64]


def filters_of(truth: AmplifierTruth) -> list[Section]:
    """Return subsonic filter, high-pass and low-pass, as far as it has them."""
    order, sections = truth.slope_db_per_octave // 6, []
    if truth.subsonic_hz is not None:
        sections += crossover("high_pass", truth.subsonic_hz, order, "butterworth")
    if truth.highpass_hz is not None:
        sections += crossover("high_pass", truth.highpass_hz, order, truth.alignment)
    if truth.lowpass_hz is not None:
        sections += crossover("low_pass", truth.lowpass_hz, order, truth.alignment)
    return sections


class Amplifier:
    """One amplifier channel.

    Its input is AC coupled, as car amplifiers' are: bias and offset of the source do not pass.
    Input stage, filters, gain, output stage and its resistance follow each other.

    Parameters
    ----------
    truth : AmplifierTruth
        The channel; gain at minimum, filters on, loudspeakers off.
    rate_hz : int
        Frames a second, Hz.
    noise_seed : list of int
        Seed of its noise.
    """

    def __init__(self, truth: AmplifierTruth, rate_hz: int, noise_seed: list[int]) -> None:
        self.truth = truth
        self.gain_db = truth.gain_db[0]
        self.filters_on = True
        self.load_connected = False
        self.load_ohm = net_load_ohm(truth.wired or truth.load)
        self._rate_hz = rate_hz
        self._filters = filters_of(truth)
        self._gain = Glide(self._ratio())
        self._rail_v = Glide(truth.rail_volts_peak)
        self._passed = Glide(1.0)
        self._noise = np.random.default_rng(noise_seed)
        self._running: RunningFilter | None = None
        self._tail: Values | None = None

    def turn(self, by_db: float) -> bool:
        """Turn the gain knob; False when it has come to its end in that direction."""
        low, high = self.truth.gain_db
        wanted = self.gain_db + by_db
        self.gain_db = min(max(wanted, low), high)
        return low <= wanted <= high

    def switch_filters(self, on: bool) -> None:
        """Switch its filters on or off; that clicks, as a switch does."""
        if on != self.filters_on:
            self.filters_on = on
            self.restart()

    @property
    def sections(self) -> list[Section]:
        """Filters that are on."""
        return self._filters if self.filters_on else []

    @property
    def gain_ratio(self) -> float:
        """Output over input between its filters and its limits, magnitude."""
        return abs(self._ratio()) * self._divided()

    @property
    def settle_frames(self) -> int:
        """Frames after which its filters have settled."""
        return math.ceil(settle_s(self.sections) * self._rate_hz)

    @property
    def settled(self) -> bool:
        """True while it goes on from the rows before."""
        return self._tail is not None

    def arrive(self, supply_ratio: float) -> None:
        """Take the settings over at once: nobody looks."""
        self._gain.now = self._ratio()
        self._rail_v.now = self._rail(supply_ratio)
        self._passed.now = self._divided()
        self.restart()

    def restart(self) -> None:
        """Forget what came before: the next rows begin settled."""
        self._running = self._tail = None

    def settle(self, past_rows: Values, kept: int) -> None:
        """Take the input of the past, shape (frames, factor), and keep that many rows of output."""
        self._running = RunningFilter(self.sections, self._rate_hz * past_rows.shape[1])
        now = (self._gain.now, self._rail_v.now, self._passed.now)
        past = self._through(self._running, past_rows.ravel(), *now)
        self._tail = past.reshape(past_rows.shape)[len(past_rows) - kept :]

    def rows(self, input_rows: Values, supply_ratio: float) -> Values:
        """Return the next volts across the terminals with those before in front.

        Settings that changed move over these samples.
        """
        if self._running is None or self._tail is None:
            raise RuntimeError("settle it first")
        count = input_rows.size
        new = self._through(
            self._running,
            input_rows.ravel(),
            self._gain.to(self._ratio(), count),
            self._rail_v.to(self._rail(supply_ratio), count),
            self._passed.to(self._divided(), count),
        )
        rows = np.concatenate((self._tail, new.reshape(input_rows.shape)))
        self._tail = rows[len(input_rows) :]
        return rows

    def steady_pair_v(self, input_v: Values, span_s: float, supply_ratio: float) -> Values:
        """Return the volts across the terminals over one span that repeats, with the settings."""
        values = circular(self.sections, self._input_limited(input_v), span_s)
        return self._output(values, self._ratio(), self._rail(supply_ratio), self._divided())

    def noise_v(self, frames: int) -> Values:
        """Return the noise across the terminals, at the interface's rate."""
        return self._noise.standard_normal(frames) * (self.truth.noise_millivolts / 1000.0)

    def carrier_v(self, first: int, frames: int, factor: int) -> Values:
        """Return what the interface sees of the carrier's residue across the terminals, V."""
        truth, rate_hz = self.truth, self._rate_hz
        if truth.carrier_volts == 0.0:
            return np.zeros(frames)
        size_v = math.sqrt(2.0) * truth.carrier_volts * passed(truth.carrier_hz, rate_hz, factor)
        turns = truth.carrier_hz / rate_hz * (first + np.arange(frames, dtype=np.float64))
        value: Values = (size_v * np.exp(2j * np.pi * (turns % 1.0))).imag
        return value

    def _through(
        self,
        running: RunningFilter,
        input_v: Values,
        gain: float | Values,
        rail_v: float | Values,
        passed: float | Values,
    ) -> Values:
        return self._output(running.run(self._input_limited(input_v)), gain, rail_v, passed)

    def _input_limited(self, input_v: Values) -> Values:
        limit_v = self.truth.input_clip_volts_peak
        return input_v if limit_v is None else np.clip(input_v, -limit_v, limit_v)

    def _output(
        self,
        input_v: Values,
        gain: float | Values,
        rail_v: float | Values,
        passed: float | Values,
    ) -> Values:
        truth = self.truth
        pair_v = limited(input_v * gain, rail_v, truth.soft_knee, truth.thd_percent)
        if isinstance(passed, float) and passed == 1.0:
            return pair_v
        return pair_v * passed

    def _ratio(self) -> float:
        sign = 1.0 if self.truth.polarity == "normal" else -1.0
        return float(sign * 10.0 ** (self.gain_db / 20.0))

    def _rail(self, supply_ratio: float) -> float:
        return self.truth.rail_volts_peak * (1.0 if self.truth.regulated else supply_ratio)

    def _divided(self) -> float:
        """Part of its voltage that is left across the load."""
        if not self.load_connected:
            return 1.0
        return self.load_ohm / (self.load_ohm + self.truth.output_ohm)
