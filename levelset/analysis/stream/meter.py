"""Overlapping readings of several signals of one stream, several times a second."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.distortion import band, counted_harmonics
from levelset.analysis.fit import (
    COUNTED,
    EXTENSIONS,
    HarmonicFit,
    fit_tone,
    needs_more,
    strongest_line,
)
from levelset.analysis.fitted import FittedTone
from levelset.analysis.health import SHORTEST_S, basic_void, peak_dbfs
from levelset.analysis.hum import separate
from levelset.analysis.projection import best_half, fold, layout
from levelset.analysis.result import Clipping, ToneResult
from levelset.analysis.stream.decimate import Decimator
from levelset.analysis.stream.kept import KeptBlocks, fit_together
from levelset.analysis.stream.standing import Complete, Judged
from levelset.analysis.tone import FEWEST_PERIODS, read_tone, still_the_tone, wrong_frequency

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.fitted import Response

NEWEST_PERIODS = 4.0
NEWEST_S = 0.05
"""Shortest part that is read while the level moves, and in which clipping is looked for first."""

LONGEST_WINDOW_S = 1.0
"""However low the tone is."""
SEARCH_S = 0.1
"""How often a signal without the tone is searched for another."""
_TURN = 2.0 * math.pi


def newest_s(frequency_hz: float | None) -> float:
    """Return the shortest time in which a tone is read, s: 4 periods, at least 50 ms."""
    return max(NEWEST_S, 0.0 if frequency_hz is None else NEWEST_PERIODS / frequency_hz)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the meter is to read.

    Parameters
    ----------
    updates_hz : float
        Readings a second.
    window_s : float
        Length of a window while the tone is steady, s.
    window_periods : float
        Periods that it holds at least; a window never is longer than 1 s or `window_s`.
    limit_percent : float
        THD above which a signal is not clean, %.
    expected_hz : float or None
        Frequency that the tone should have, Hz; None reads the strongest.
    response : callable or None
        Transfer of the input, as in `read_tone`.
    pictured : tuple of int
        Signals whose readings have the two curves.
    """

    updates_hz: float
    window_s: float
    window_periods: float
    limit_percent: float
    expected_hz: float | None = None
    response: Response | None = None
    pictured: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Update:
    """All signals over the newest window.

    Parameters
    ----------
    first, count : int
        First frame of the window and its length, frames of the stream.
    tones : tuple of ToneResult
        A reading of each signal.
    phasors : ndarray of complex, shape (signals,)
        Tone of each signal at one instant, not corrected, where one of them has a tone; else 0.
    """

    first: int
    count: int
    tones: tuple[ToneResult, ...]
    phasors: NDArray[np.complex128]


class StreamMeter:
    """Reads the newest window of every signal, over and over.

    The signals are brought to 44.1 to 88.2 thousand samples a second once. Windows are as long as
    wanted while the tone is steady, and as short as a tone can be read while it is not; they share
    their blocks, and the signals share frequency and sines. A reading says what `read_tone` says
    of the same window, but for the shape of clean tops, which is judged on the newest part alone.

    Parameters
    ----------
    rate_hz : float
        Sample rate, Hz.
    signals : int
        Number of signals.
    wanted : Wanted
        What to read.
    """

    def __init__(self, rate_hz: float, signals: int, wanted: Wanted) -> None:
        self._input_hz, self._signals, self._wanted = rate_hz, signals, wanted
        longest_s = max(wanted.window_s, LONGEST_WINDOW_S)
        rate_hz = Decimator(rate_hz, signals).rate_hz
        half = best_half(round(wanted.window_s * rate_hz))
        self._block = 2 * half
        self._hop = max(1, round(rate_hz / wanted.updates_hz / self._block))
        self._capacity = math.ceil(longest_s * rate_hz / self._block) + 1
        self.restart(0)

    def restart(self, first_frame: int) -> None:
        """Begin again with a stretch whose first frame has this number."""
        self._decimator = Decimator(self._input_hz, self._signals)
        self._rate_hz = self._decimator.rate_hz
        self._kept = KeptBlocks(self._signals, self._block // 2, self._capacity)
        self._raw: list[NDArray[np.float64]] = []
        self._raw_frames = 0
        self._pending = np.empty((self._signals, 0))
        self._base = first_frame
        self._taken = 0
        self._w: float | None = None
        self._order = COUNTED
        self._blocks = 0
        self._last: list[Complete | None] = [None] * self._signals
        self._judged: list[Judged | None] = [None] * self._signals
        self._tones: list[ToneResult | None] = [None] * self._signals
        self._searched = [-math.inf] * self._signals

    def push(self, samples: NDArray[np.float64]) -> list[Update]:
        """Take samples that follow the last ones, shape (frames, signals); return new readings."""
        self._raw.append(samples)
        self._raw_frames += len(samples)
        hop, updates = self._hop * self._block, list[Update]()
        if self._raw_frames < (hop - self._pending.shape[1]) * self._decimator.factor:
            return updates
        # Short blocks are brought down together: a filter costs most by being called.
        new = self._decimator.push(np.ascontiguousarray(np.concatenate(self._raw).T))
        self._raw, self._raw_frames = [], 0
        pending = np.concatenate((self._pending, new), axis=1)
        while pending.shape[1] >= hop:
            self._kept.add(pending[:, :hop])
            self._taken += hop
            pending = pending[:, hop:]
            update = self._update()
            if update is not None:
                updates.append(update)
        self._pending = pending
        return updates

    # One update.

    def _update(self) -> Update | None:
        longest = min(self._kept.filled, self._window_blocks(self._wanted_s()))
        self._blocks = min(self._blocks + self._hop, longest)
        if self._blocks * self._block < SHORTEST_S * self._rate_hz:
            return None
        phasors = np.zeros(self._signals, dtype=np.complex128)
        tones: list[ToneResult | None] = [None] * self._signals
        if self._w is not None:
            w, shortest = self._w, self._window_blocks(newest_s(self._frequency_hz))
            tones, phasors = self._followed(self._blocks, w)
            if _moves(tones, self._tones) and shortest < self._blocks:
                self._blocks = shortest
                tones, phasors = self._followed(shortest, w)
        found = [
            self._searched_for(signal) if tone is None else tone
            for signal, tone in enumerate(tones)
        ]
        if all(tone is None for tone in tones):
            self._take_up(found)
        self._tones = list(found)
        count = self._blocks * self._block
        factor = self._decimator.factor
        start = (self._taken - count) * factor + self._decimator.delay - (factor - 1) // 2
        return Update(self._base + start, count * factor, tuple(found), phasors)

    @property
    def _frequency_hz(self) -> float | None:
        return None if self._w is None else self._w * self._rate_hz / _TURN

    def _wanted_s(self) -> float:
        frequency_hz, wanted = self._frequency_hz, self._wanted
        if frequency_hz is None:
            return wanted.window_s
        periods_s = min(wanted.window_periods / frequency_hz, LONGEST_WINDOW_S)
        return max(wanted.window_s, periods_s)

    def _window_blocks(self, seconds: float) -> int:
        return max(1, math.ceil(seconds * self._rate_hz / self._block - 1e-6))

    def _followed(
        self, blocks: int, started_w: float
    ) -> tuple[list[ToneResult | None], NDArray[np.complex128]]:
        """Read the signals that have the tone of the last window; None where one has not."""
        fits = fit_together(self._kept, blocks, started_w, self._order)
        samples = self._kept.window(blocks)
        n = samples.shape[1]
        totals, energies = self._kept.totals(blocks)
        having = [
            still_the_tone(fit, started_w, alternating, n)
            and wrong_frequency(
                fit.w * self._rate_hz / _TURN, self._wanted.expected_hz, self._rate_hz / n
            )
            is None
            for fit, alternating in zip(fits, energies - np.square(totals) / n, strict=True)
        ]
        with_tone = [fit for fit, has in zip(fits, having, strict=True) if has]
        if not with_tone:
            self._w, self._order = None, COUNTED
            return [None] * self._signals, np.zeros(self._signals, dtype=np.complex128)
        self._w = with_tone[0].w
        more = self._order_for(with_tone, n)
        if more > self._order:
            self._order = more
            fits = fit_together(self._kept, blocks, self._w, more)
        self._order = more
        tones = [
            self._read(signal, samples[signal], fit) if has else None
            for signal, (fit, has) in enumerate(zip(fits, having, strict=True))
        ]
        return tones, np.asarray([fit.phasors[0] for fit in fits])

    def _order_for(self, fits: list[HarmonicFit], n: int) -> int:
        """Return how many harmonics the windows show, in the steps of `fit_tone`."""
        orders = (COUNTED, *EXTENSIONS)
        place = orders.index(self._order)
        if any(needs_more(fit, n) for fit in fits):
            return orders[min(place + 1, len(orders) - 1)]
        lower = orders[max(place - 1, 0)]
        tails = [fit.phasors[lower:] for fit in fits]
        floors = [9.0 * fit.residual_energy / n * (4.0 / n) for fit in fits]
        if all(
            float(np.square(np.abs(tail)).max(initial=0.0)) < floor
            for tail, floor in zip(tails, floors, strict=True)
        ):
            return lower
        return self._order

    def _read(self, signal: int, samples: NDArray[np.float64], fit: HarmonicFit) -> ToneResult:
        rate_hz, wanted = self._rate_hz, self._wanted
        void = basic_void(samples, rate_hz)
        if void is not None:
            return ToneResult(void, peak_dbfs=peak_dbfs(samples), band_hz=band(rate_hz))
        last = self._last[signal]
        if last is not None and last.holds(fit, samples.size, self._taken):
            fitted = last.fitted.again(samples, fit)
        else:
            counted = counted_harmonics(fit.w * rate_hz / _TURN, rate_hz, COUNTED)
            cut = layout(samples.size, self._block // 2)
            parts = separate(samples, cut, fit, rate_hz, counted)
            fitted = FittedTone.of(samples, rate_hz, parts, wanted.response)
            self._last[signal] = Complete(fitted, self._taken)
        return fitted.reading(
            samples,
            wanted.limit_percent,
            lambda limit_percent: self._shape(signal, fitted, limit_percent),
            with_picture=signal in wanted.pictured,
        )

    def _shape(self, signal: int, fitted: FittedTone, limit_percent: float) -> Clipping:
        """Return the shape of the tops: clipping that has just begun is in the newest part only."""
        newest = round(newest_s(fitted.frequency_hz) * self._rate_hz)
        over_limit = fitted.over_limit(limit_percent)
        if not over_limit and fitted.surely_round(newest):
            return Clipping("clean", "none", None, None, None)
        judged = self._judged[signal]
        if judged is not None and judged.holds(fitted, self._taken, over_limit=over_limit):
            return judged.clipping
        # What is over the limit is rarely flat at its end alone, what is not rarely flat at all.
        shape = fitted.shape(limit_percent, None if over_limit else newest)
        if (shape.state == "hard_clipping") != over_limit:
            other = fitted.shape(limit_percent, newest if over_limit else None)
            shape = other if other.state == "hard_clipping" else shape
        self._judged[signal] = Judged(shape, fitted, over_limit, self._taken)
        return shape

    def _searched_for(self, signal: int) -> ToneResult:
        """Read a signal by itself, now and then; in between the last word on it stands."""
        samples = self._kept.window(self._blocks)[signal]
        now_s = self._taken / self._rate_hz
        before = self._tones[signal]
        due = now_s - self._searched[signal] > SEARCH_S - 1e-9
        if before is not None and before.void is not None and not due:
            return replace(before, peak_dbfs=peak_dbfs(samples), clipping=None)
        self._searched[signal] = now_s
        found = read_tone(
            samples,
            self._rate_hz,
            limit_percent=self._wanted.limit_percent,
            expected_hz=self._wanted.expected_hz,
            response=self._wanted.response,
            with_picture=signal in self._wanted.pictured,
        )
        # Where the level moves, tops are judged on the shortest windows only.
        return found if found.void is None else replace(found, clipping=None)

    def _take_up(self, found: list[ToneResult]) -> None:
        """Follow the strongest tone that was found; without one, look at what comes next."""
        strongest = max(found, key=_amplitude)
        if strongest.frequency_hz is not None:
            self._w = _TURN * strongest.frequency_hz.value / self._rate_hz
            return
        codes = [None if tone.void is None else tone.void.code for tone in found]
        if "unsteady" in codes:
            self._w = _moving_w(self._kept.window(self._blocks)[codes.index("unsteady")])
        if self._w is None and any(code not in (None, "too_short") for code in codes):
            self._blocks = min(self._blocks, self._window_blocks(NEWEST_S))


def _moving_w(samples: NDArray[np.float64]) -> float | None:
    """Return the frequency of a tone whose level moves, rad per sample; None if it is none."""
    window, n = fold(samples), samples.size
    fit = fit_tone(window, strongest_line(samples), refit=False)
    alternating = window.energy - window.total**2 / n
    enough = fit.w * n >= _TURN * FEWEST_PERIODS
    return fit.w if enough and still_the_tone(fit, fit.w, alternating, n) else None


def _moves(tones: list[ToneResult | None], before: list[ToneResult | None]) -> bool:
    """Return whether a tone moves, or is gone that was there before."""
    for tone, last in zip(tones, before, strict=True):
        if tone is None:
            if last is not None and last.void is None:
                return True
        elif tone.void is not None and tone.void.code in ("unsteady", "drop_out"):
            return True
    return False


def _amplitude(tone: ToneResult) -> float:
    return 0.0 if tone.amplitude_fs is None else tone.amplitude_fs.value
