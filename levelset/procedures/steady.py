"""When a level counts as steady, and when clipping counts as seen."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from levelset.probe.reading import Reading

WINDOWS = 4
"""Non-overlapping windows that must agree."""

SPAN_DB = 0.05
"""How far they may differ, dB, where the reading's own scatter is smaller."""

NEW_LEVEL_DB = 0.1
"""A settled level that differs by this much, or four times its scatter, is a new one, dB."""

SPANS = 3.0
"""Stated scatter may hold what is alike in all windows, such as hum: then so many times the span
that the windows show counts, besides `NEW_LEVEL_DB`."""

AGAIN_AFTER_S = 2.0
"""A level that is accepted is seen again this much later, s."""

PATIENCE_S = 10.0
"""After this long without a steady level the person is told by how much it moves, s."""

CLIPPING_READINGS = 3
"""Consecutive readings that must show clipping: one knock of a screwdriver ends nothing."""

SLIGHT_DB = 0.07
"""Overdrive that distorts a sine by some 0.2 %, a quarter of the usual limit at most, dB."""

FLAT_DB = 1.0
"""Tops of a low level that are surely overdriven by more are no whine that beats with them, dB."""


@dataclass(frozen=True, slots=True)
class _Level:
    time_s: float
    level_db: float
    scatter_db: float


class SteadyWatch:
    """Watches the level of successive readings of one signal.

    Parameters
    ----------
    again_after_s : float
        How much later the level must be seen again before it counts as confirmed, s; 0 for a
        level that only has to be steady once.
    """

    def __init__(self, again_after_s: float) -> None:
        self._again_after_s = again_after_s
        self._levels: deque[_Level] = deque(maxlen=WINDOWS)
        self._first: _Level | None = None
        self._moving_since_s: float | None = None

    def add(self, reading: Reading) -> None:
        """Take the next reading; a void one starts the watch again."""
        level = reading.tone.level_dbfs
        if reading.tone.void is not None or level is None:
            self.reset()
            return
        if self._moving_since_s is None:
            self._moving_since_s = reading.start_s
        self._levels.append(_Level(reading.start_s, level.value, level.u / 2.0))
        if not self._agree():
            self._first = None
        elif (
            self._first is None
            or abs(self._mean().level_db - self._first.level_db) > self.allowed_db
        ):
            self._first = self._mean()

    def reset(self) -> None:
        """Forget everything."""
        self._levels.clear()
        self._first = None
        self._moving_since_s = None

    @property
    def allowed_db(self) -> float:
        """How far the windows may differ: max(0.05 dB, twice the readings' own scatter)."""
        scatter = max((level.scatter_db for level in self._levels), default=0.0)
        return max(SPAN_DB, 2.0 * scatter)

    @property
    def span_db(self) -> float:
        """By how much the last windows differ, dB."""
        levels = [level.level_db for level in self._levels]
        return max(levels) - min(levels) if levels else 0.0

    @property
    def steady(self) -> bool:
        """True when the last windows agree."""
        return self._first is not None

    @property
    def confirmed(self) -> bool:
        """True when the level was steady, and still was after the stated time."""
        if self._first is None:
            return False
        return self._levels[-1].time_s - self._first.time_s >= self._again_after_s

    def moving_for_s(self, now_s: float) -> float:
        """Return for how long the level has been watched without being steady, s."""
        if self._moving_since_s is None or self.steady:
            return 0.0
        return now_s - self._moving_since_s

    def _agree(self) -> bool:
        return len(self._levels) == WINDOWS and self.span_db <= self.allowed_db

    def _mean(self) -> _Level:
        levels = [level.level_db for level in self._levels]
        return _Level(self._levels[-1].time_s, sum(levels) / len(levels), 0.0)


class LevelWatch(SteadyWatch):
    """Watches for the next settled level: steady, and not the one that was taken last.

    Parameters
    ----------
    taken_db : float or None
        A level that is not new, dBFS.
    """

    def __init__(self, taken_db: float | None = None) -> None:
        super().__init__(0.0)
        self._taken_db = taken_db

    @property
    def new_level(self) -> bool:
        """True when the level is steady and new."""
        if not self.steady:
            return False
        if self._taken_db is None:
            return True
        level = self._levels[-1]
        seen_db = NEW_LEVEL_DB + SPANS * self.span_db
        threshold_db = max(NEW_LEVEL_DB, min(4.0 * level.scatter_db, seen_db))
        return abs(level.level_db - self._taken_db) >= threshold_db

    def take(self) -> None:
        """Take the level that is there; only another one is new from now on."""
        self._taken_db = self._levels[-1].level_db
        self.reset()


class ClippingWatch:
    """Counts consecutive readings that are over the limit or flat.

    Parameters
    ----------
    limit_percent : float
        THD limit, %.
    """

    def __init__(self, limit_percent: float) -> None:
        self._limit_percent = limit_percent
        self.consecutive: list[Reading] = []

    def add(self, reading: Reading) -> None:
        """Take the next reading; a clean one starts the count again, a void one changes nothing."""
        if reading.tone.void is not None:
            return
        if over_limit(reading, self._limit_percent, doubtful=False):
            self.consecutive = [*self.consecutive, reading][-CLIPPING_READINGS:]
        else:
            self.consecutive = []

    @property
    def suspected(self) -> bool:
        """True from the first reading that shows it."""
        return bool(self.consecutive)

    @property
    def confirmed(self) -> bool:
        """True when enough consecutive readings showed it."""
        return len(self.consecutive) >= CLIPPING_READINGS


def over_limit(reading: Reading, limit_percent: float, *, doubtful: bool) -> bool:
    """Tell whether a reading that is not void is over the limit.

    Parameters
    ----------
    reading : Reading
        The reading.
    limit_percent : float
        THD limit, %.
    doubtful : bool
        How a limit that lies within the uncertainty, or a flat top without an overdrive beyond
        its uncertainty, counts: True counts it as over.

    Returns
    -------
    bool
        True for a flat top, or THD above the limit.
    """
    tone = reading.tone
    if is_flat(reading, doubtful=doubtful):
        return True
    if tone.thd_percent is None:
        return doubtful
    edge = tone.thd_percent.high if doubtful else tone.thd_percent.low
    return edge > limit_percent


def over_by_more(reading: Reading, limit_percent: float, *, doubtful: bool) -> bool:
    """Tell the same, but tops flat by next to nothing count by their distortion.

    A whine that beats with the tops of a clean tone may make them look flat at every look. What is
    flat by no more than `SLIGHT_DB`, or perhaps by nothing, is told by THD alone.
    """
    clipping, thd = reading.tone.clipping, reading.tone.thd_percent
    overdrive = None if clipping is None else clipping.overdrive_db
    slight = overdrive is not None and (overdrive.high < SLIGHT_DB or overdrive.low <= 0.0)
    if slight and thd is not None:
        return (thd.high if doubtful else thd.low) > limit_percent
    return over_limit(reading, limit_percent, doubtful=doubtful)


def is_flat(reading: Reading, *, doubtful: bool, least_db: float = 0.0) -> bool:
    """Tell whether the tops are flat; not `doubtful` asks for an overdrive surely above `least_db`.

    A whine that beats with the tops looks flat now and then, but overdriven by nothing.
    """
    clipping = reading.tone.clipping
    if clipping is None or clipping.state != "hard_clipping":
        return False
    overdrive = clipping.overdrive_db
    return doubtful or overdrive is None or overdrive.low > least_db
