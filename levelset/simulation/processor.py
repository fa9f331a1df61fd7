"""The simulated processor or line converter between the main tap and every amplifier."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from levelset.simulation.disturbance import noise_rms_factor
from levelset.simulation.glide import Glide
from levelset.simulation.source import Tap, passed_white_v2
from levelset.simulation.waveshape import limited

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.simulation.car import ProcessorTruth, SourceTruth
    from levelset.simulation.filters import Section
    from levelset.simulation.player import Player

    Values = NDArray[np.float64]


class Processor:
    """A stage with a level control, as a stream of oversampled voltages like a tap.

    Input stage, level control, output stage, noise. Its input is AC coupled, and its output is one
    conductor against chassis. Its delay is that of the tap that feeds it: clipping does not mind
    when.

    Parameters
    ----------
    truth : ProcessorTruth
        The processor; its level stands at the minimum.
    source : SourceTruth
        The source at the tap that feeds it.
    rate_hz : int
        Frames a second, Hz.
    seed : list of int
        Seed of all noise.
    """

    def __init__(
        self, truth: ProcessorTruth, source: SourceTruth, rate_hz: int, seed: list[int]
    ) -> None:
        self.truth = truth
        self.gain_db = truth.gain_db[0]
        late = replace(source, delay_ms=source.delay_ms + truth.delay_ms)
        self.feed = Tap(late, rate_hz, 0.0, [*seed, 0])
        self._rate_hz = rate_hz
        self._gain = Glide(self._ratio())
        self._noise = np.random.default_rng([*seed, 1])
        self._tail: Values | None = None

    def turn(self, by_db: float) -> bool:
        """Turn the level control; False when it has come to its end in that direction."""
        low, high = self.truth.gain_db
        wanted = self.gain_db + by_db
        self.gain_db = min(max(wanted, low), high)
        return low <= wanted <= high

    def arrive(self) -> None:
        """Take the settings over at once: nobody looks."""
        self._gain.now = self._ratio()
        self.feed.arrive()
        self._tail = None

    def restart(self) -> None:
        """Forget what came before: the next rows begin settled."""
        self.feed.restart()
        self._tail = None

    def rows(self, player: Player, first: int, frames: int, factor: int, past: int) -> Values:
        """Return the next voltages with those of ``past`` frames in front, as `Tap.rows` does."""
        fed = self.feed.rows(player, first, frames, factor, past)
        if self._tail is None:
            self._tail = self._through(fed[:past], self._gain.now)
        gain = self._gain.to(self._ratio(), frames * factor)
        if not isinstance(gain, float):
            gain = gain.reshape(frames, factor)
        rows = np.concatenate((self._tail, self._through(fed[past:], gain)))
        self._tail = rows[frames:]
        return rows

    def past_rows(self, player: Player, first: int, past: int, factor: int) -> Values:
        """Return the voltages of ``past`` frames before a frame with the settings in force."""
        return self._through(self.feed.past_rows(player, first, past, factor), self._gain.now)

    def steady(self, player: Player) -> tuple[Values, float]:
        """Return the voltage over one span of what plays, and the span in s, without noise."""
        values, span_s = self.feed.steady(player)
        return self._limited(values, self._ratio()), span_s

    def noise_power_v2(self, sections: list[Section]) -> float:
        """Return the power of noise, hum and whine behind filters, V^2."""
        own = passed_white_v2(self.truth.noise_millivolts / 1000.0, sections)
        return self._ratio() ** 2 * self.feed.noise_power_v2(sections) + own

    def _through(self, rows: Values, gain: float | Values) -> Values:
        rows = self._limited(rows, gain)
        if self.truth.noise_millivolts > 0.0:
            size_v = self.truth.noise_millivolts / 1000.0
            size_v *= noise_rms_factor(self._rate_hz * rows.shape[1])
            rows = rows + size_v * self._noise.standard_normal(rows.shape)
        return rows

    def _limited(self, values: Values, gain: float | Values) -> Values:
        limit_v = self.truth.input_clip_volts_peak
        return limited(
            np.clip(values, -limit_v, limit_v) * gain, self.truth.output_clip_volts_peak, 0.0, 0.0
        )

    def _ratio(self) -> float:
        sign = 1.0 if self.truth.polarity == "normal" else -1.0
        return sign * math.pow(10.0, self.gain_db / 20.0)
