"""The simulated source: what the player's signal becomes across one pair of its wires.

Player, delay, equaliser, tone controls and high-pass, bass withdrawn with the volume, volume,
limiter, clipping; noise, hum and whine at the output.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from levelset.simulation.disturbance import Whine, hum, noise_rms_factor
from levelset.simulation.filters import (
    RunningFilter,
    Section,
    bell,
    circular,
    crossover,
    response,
    settle_s,
    shelf,
)
from levelset.simulation.glide import Glide
from levelset.simulation.limiter import SlowLimiter, settled_gain
from levelset.simulation.sines import sum_of_sines
from levelset.simulation.waveshape import limited

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.simulation.car import SourceTruth
    from levelset.simulation.player import Mix, Player

    Values = NDArray[np.float64]

BASS_SECTION = Section(150.0, (0.0, 0.0, 1.0), (0.0, 1.0, 1.0))
"""The part that is withdrawn: a low-pass of first order."""


def withdrawn_db(truth: SourceTruth, volume: int) -> float:
    """Return by how much the bass is lower at a volume, dB.

    Nothing up to half of the largest volume, then in proportion to it. With the ratio
    ``g = 10^(-withdrawn / 20)`` the response is ``1 + (g - 1) / (1 + jf / 150 Hz)``.
    """
    half = 0.5 * truth.max_volume
    return truth.bass_withdrawn_db_at_max * max(0.0, volume - half) / half


def filters_of(truth: SourceTruth) -> list[Section]:
    """Return the filters that do not change with the volume."""
    sections = [bell(hz, db, q) for hz, db, q in truth.equaliser]
    sections += [shelf("bass", hz, db, order) for hz, db, order in truth.bass_controls]
    sections += [shelf("treble", hz, db, order) for hz, db, order in truth.treble_controls]
    if truth.highpass_hz is not None:
        sections += crossover("high_pass", truth.highpass_hz, 2, "butterworth")
    return sections


def passed_white_v2(rms_v: float, sections: list[Section]) -> float:
    """Return the power that filters leave of white noise from 20 Hz to 20 kHz, V^2."""
    grid_hz = np.geomspace(20.0, 20_000.0, 2000)
    power = np.square(np.abs(response(sections, grid_hz)))
    room_hz = np.gradient(grid_hz)
    return rms_v**2 * float(power @ room_hz / room_hz.sum())


@dataclass(slots=True)
class _Run:
    """What the filters and the limiter of a tap remember."""

    filters: RunningFilter
    bass: RunningFilter
    limiter: SlowLimiter | None


class Tap:
    """One pair of wires, as a stream of oversampled voltages.

    Parameters
    ----------
    truth : SourceTruth
        The source, with what is this tap's own.
    rate_hz : int
        Frames a second, Hz.
    rpm : float
        Engine speed.
    noise_seed : list of int
        Seed of its noise.
    """

    def __init__(self, truth: SourceTruth, rate_hz: int, rpm: float, noise_seed: list[int]) -> None:
        self.truth = truth
        self._rate_hz = rate_hz
        self._mix: Mix = truth.channels
        self._delay = truth.delay_ms * 1e-3 * rate_hz
        self._filters = filters_of(truth)
        self._withdraws = truth.bass_withdrawn_db_at_max != 0.0
        self._limit_v_peak = (
            None if truth.limiter_volts_rms is None else truth.limiter_volts_rms * math.sqrt(2.0)
        )
        self._hum = hum(truth.hum_millivolts / 1000.0, truth.hum_hz)
        self._whine = Whine(truth.alternator_millivolts / 1000.0, truth.alternator_hz_per_rpm, rpm)
        self._noise = np.random.default_rng(noise_seed)
        self.volume = truth.start_volume
        self.muted = False
        self.rpm = rpm
        self._level = Glide(self._peak_v())
        self._bass = Glide(self._bass_part())
        settles = [*self._filters, BASS_SECTION] if self._withdraws else self._filters
        limiter_s = 0.0 if self._limit_v_peak is None else SlowLimiter.settle_s
        self.settle_frames = math.ceil((settle_s(settles) + limiter_s) * rate_hz)
        self._run: _Run | None = None
        self._tail: Values | None = None

    def arrive(self) -> None:
        """Take the settings over at once: nobody looks."""
        self._level.now, self._bass.now = self._peak_v(), self._bass_part()
        self._whine.arrive(self.rpm)
        self.restart()

    def restart(self) -> None:
        """Forget what came before: the next rows begin settled."""
        self._run = self._tail = None

    def rows(self, player: Player, first: int, frames: int, factor: int, past: int) -> Values:
        """Return the next voltages with those of ``past`` frames in front.

        Parameters
        ----------
        player : Player
            What plays.
        first : int
            Next frame.
        frames, factor, past : int
            Frames, values in each, and frames before them; ``factor`` and ``past`` stay the same
            until `restart`.

        Returns
        -------
        ndarray, shape (past + frames, factor)
            Volts across the pair.
        """
        if self._run is None or self._tail is None:
            self._run, self._tail = self._settled(player, first, past, factor)
        count = frames * factor
        level, bass = self._level.to(self._peak_v(), count), self._bass.to(self._bass_part(), count)
        new = self._through(self._run, player, first, frames, factor, level, bass, self.rpm)
        rows = np.concatenate((self._tail, new))
        self._tail = rows[frames:]
        return rows

    def past_rows(self, player: Player, first: int, past: int, factor: int) -> Values:
        """Return the voltages of ``past`` frames before a frame with the settings in force."""
        return self._settled(player, first, past, factor)[1]

    def steady(self, player: Player) -> tuple[Values, float]:
        """Return the voltage over one span of what plays, and the span in s, without noise."""
        values, span_s = player.steady(self._mix)
        values = circular(self._filters, values, span_s)
        if self._withdraws:
            values = values + self._bass_part() * circular([BASS_SECTION], values, span_s)
        values = values * self._peak_v()
        if self._limit_v_peak is not None:
            values = values * settled_gain(values, self._limit_v_peak)
        return self._clipped(values), span_s

    def noise_power_v2(self, sections: list[Section]) -> float:
        """Return the power of noise, hum and whine behind filters, V^2."""
        total = passed_white_v2(self.truth.noise_millivolts / 1000.0, sections)
        for lines in (self._hum, self._whine.lines(self.rpm)):
            passed = np.abs(response(sections, lines.frequency_hz)) * lines.peak
            total += 0.5 * float(np.square(passed).sum())
        return total

    def _settled(self, player: Player, first: int, past: int, factor: int) -> tuple[_Run, Values]:
        limit_v_peak, rate_hz = self._limit_v_peak, self._rate_hz
        run = _Run(
            RunningFilter(self._filters, rate_hz * factor),
            RunningFilter([BASS_SECTION], rate_hz * factor),
            None if limit_v_peak is None else SlowLimiter(limit_v_peak, rate_hz),
        )
        frames = past + self.settle_frames
        level, bass = self._level.now, self._bass.now
        rows = self._through(run, player, first - frames, frames, factor, level, bass, None)
        return run, rows[self.settle_frames :]

    def _through(
        self,
        run: _Run,
        player: Player,
        first: int,
        frames: int,
        factor: int,
        level: float | Values,
        bass: float | Values,
        rpm: float | None,
    ) -> Values:
        values = player.rows(first - self._delay, frames, factor, self._mix).ravel()
        values = run.filters.run(values)
        if self._withdraws:
            values = values + bass * run.bass.run(values)
        values *= level
        if run.limiter is not None:
            values = run.limiter.run(values.reshape(frames, factor)).ravel()
        rows = self._clipped(values).reshape(frames, factor)
        return self._disturbed(rows, first, rpm)

    def _disturbed(self, rows: Values, first: int, rpm: float | None) -> Values:
        frames, factor = rows.shape
        truth, rate_hz = self.truth, self._rate_hz
        if truth.hum_millivolts > 0.0:
            rows = rows + sum_of_sines(self._hum, first, 1.0 / rate_hz, frames, factor)
        if truth.alternator_millivolts > 0.0:
            if rpm is None:
                rows = rows + self._whine.past_rows(first, frames, factor, rate_hz)
            else:
                rows = rows + self._whine.rows(first, frames, factor, rate_hz, rpm)
        if truth.noise_millivolts > 0.0:
            size_v = truth.noise_millivolts / 1000.0 * noise_rms_factor(rate_hz * factor)
            rows = rows + size_v * self._noise.standard_normal(rows.shape)
        return rows

    def _clipped(self, values: Values) -> Values:
        return limited(values, self.truth.clip_volts_peak, 0.0, self.truth.thd_percent)

    def _peak_v(self) -> float:
        """Volts peak across the pair per full scale of the player."""
        truth = self.truth
        if self.muted:
            return 0.0
        below_db = (truth.max_volume - self.volume) * truth.db_per_step
        sign = 1.0 if truth.polarity == "normal" else -1.0
        return float(sign * truth.volts_rms_at_max * math.sqrt(2.0) * 10.0 ** (-below_db / 20.0))

    def _bass_part(self) -> float:
        return float(10.0 ** (-withdrawn_db(self.truth, self.volume) / 20.0) - 1.0)
