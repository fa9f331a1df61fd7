"""Up with the volume, level by level, until the source is no longer clean or the volume ends."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from levelset.analysis.volume_curve import MISSED, VolumeStep
from levelset.procedures.common import (
    AT_END,
    GIVE_UP_S,
    NO_CHANGE,
    Patience,
    Steps,
    ask_volume,
    output_of,
    set_volume,
    settle,
    void_guidance,
)
from levelset.procedures.covered import CoveredWatch, one_click_up
from levelset.procedures.protocol import (
    Accept,
    Act,
    Answer,
    CurvePoint,
    Guidance,
    Listen,
)
from levelset.procedures.steady import FLAT_DB, ClippingWatch, LevelWatch, is_flat, over_by_more
from levelset.procedures.what_plays import WhatPlays
from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from collections.abc import Iterable

    from levelset.plan.job import JobPlan
    from levelset.probe.reading import Reading, TipsReading, ToneSpec

UNDECIDED_READINGS = 12
"""A settled level that shows clipping now and then counts as over the limit after this many."""

CLOSE_LOOKS, STRIDE = 2, 4
"""After so many steps without a change the volume goes up by several numbers at a time."""
FOLLOWS_DB = 0.3
"""Change from which a level that stood still follows the volume again, dB."""

LOOKS = 4
"""How often a level that is over the limit by a doubt only is looked at."""

NOISY_LEVELS, FALLEN, STAYED_LEVELS = 3, 0.8, 2
"""After so many levels over the limit their distortion must have fallen to this part of the most;
so many in a row that have not are no noise, which may look like more once."""

Ended = Literal["clipping", "range"]


class VolumeClimb:
    """One climb with one tone.

    Parameters
    ----------
    spec : ToneSpec
        The tone.
    plan : JobPlan
        Limit and highest volume.
    """

    def __init__(self, spec: ToneSpec, plan: JobPlan) -> None:
        self.curve: tuple[CurvePoint, ...] = ()
        self.number_known = False
        """Whether the last volume is the display's number and no count of clicks."""
        self.noisy = 0
        """How many of the first levels are so low that noise passes for distortion."""
        self.last: Reading | None = None
        """Reading of the last point."""
        self._spec = spec
        self._plan = plan
        self._taken_dbfs: float | None = None
        self._stayed = 0

    def run(self, first: int) -> Steps:
        """Climb from a volume; returns how it ended.

        Each settled new level is captured by itself. Where the person says that the level stays
        though the volume goes up, it goes on by the display's numbers, and by larger steps, so
        that neither a limiter nor a fixed output makes the climb endless.
        """
        volume = first
        while True:
            ended: Ended | None = yield from self._by_level(volume)
            if ended is None:
                ended = yield from self._by_number()
            if ended is not None:
                return ended
            volume = self.curve[-1].volume + 1

    def relabel(self, shown: int) -> None:
        """Let the last point be what the display shows: missed clicks lie at the largest jump."""
        off = shown - self.curve[-1].volume
        if off == 0:
            return
        start = self._largest_jump() if off > 0 else 0
        self.curve = tuple(
            replace(point, volume=point.volume + off) if n >= start else point
            for n, point in enumerate(self.curve)
        )

    def _by_level(self, volume: int) -> Steps:
        """Capture level after level; returns how it ended, None where the level stays."""
        watch = LevelWatch(self._taken_dbfs)
        clipping = ClippingWatch(self._plan.limit_percent)
        patience = Patience("The level did not follow the volume")
        what = WhatPlays(self._spec.output)
        undecided, most = 0, self._plan.source.max_volume
        covered = CoveredWatch()
        void: Guidance | None = None
        self.number_known = False
        while True:
            guidance = void or _climbing(self.curve, volume)
            offers = (AT_END, NO_CHANGE) if self.curve else ()
            event: TipsReading | Answer = yield Listen(self._spec, guidance, offers)
            if isinstance(event, Answer):
                return "range" if event.value == AT_END.word else None
            one = event.output
            watch.add(one)
            clipping.add(one)
            patience.wait(one)
            heard: str = yield from what.look(one)
            void = None if one.tone.void is None else void_guidance(one, guidance.act, heard)
            if not watch.new_level:
                undecided = 0
                if volume < most and not self.curve and covered.look(one, heard):
                    volume += 1
                    void = yield from one_click_up(covered, volume)
                    patience.progress()
                continue
            undecided += clipping.suspected
            over = clipping.confirmed or undecided >= UNDECIDED_READINGS
            if clipping.suspected and not over:
                continue
            noise = over and self._may_be_noise(one)
            yield from self._take(volume, event)
            if over and not noise:
                return "clipping"
            thd = self.curve[-1].thd_percent
            doubtful = thd is not None and thd > self._plan.limit_percent
            if noise or (doubtful and self.noisy == len(self.curve) - 1):
                self.noisy = len(self.curve)
                clipping = ClippingWatch(self._plan.limit_percent)
            watch.take()
            volume, undecided = volume + 1, 0
            patience.progress()

    def _by_number(self) -> Steps:
        """Go up by the display's numbers; returns how it ended, None once the level follows."""
        shown = yield from ask_volume("Which volume does the display show now?", self._plan)
        if shown <= self.curve[-1].volume:
            return None
        if self._jumped():
            # Not a step without a change: the one before were two.
            self.relabel(shown)
            return None
        stood_db = _level_db(self.curve[-1])
        looks, stride = 0, 1
        volume = shown
        while True:
            yield from set_volume(volume)
            guidance = Guidance(
                "The level stays: leave the volume where it is.", Act("wait"), curve=self.curve
            )
            reading: TipsReading = yield from settle(self._spec, guidance, of=output_of)
            yield from self._take(volume, reading)
            self.number_known = True
            by_db = _level_db(point(volume, reading.output)) - stood_db
            if by_db > FOLLOWS_DB * stride:
                return None
            if over_by_more(reading.output, self._plan.limit_percent, doubtful=False):
                return "clipping"
            if volume >= self._plan.source.max_volume:
                return "range"
            looks += 1
            stride = 1 if looks < CLOSE_LOOKS else STRIDE
            volume = min(volume + stride, self._plan.source.max_volume)

    def _take(self, volume: int, reading: TipsReading) -> Steps:
        yield Accept(reading, "clean_volume_step", {"volume": volume})
        self.last = reading.output
        self.curve = (*self.curve, point(volume, reading.output))
        level = reading.output.tone.level_dbfs
        self._taken_dbfs = None if level is None else level.value

    def _may_be_noise(self, one: Reading) -> bool:
        """Tell whether what is over the limit may be noise beside a low level.

        Hum and whine near a harmonic count as distortion. They stay when the level rises, so that
        their part falls; distortion of the source does not.
        """
        thd = one.tone.thd_percent
        if (
            is_flat(one, doubtful=False, least_db=FLAT_DB)
            or thd is None
            or self.noisy < len(self.curve)
        ):
            return False
        most = max((p.thd_percent for p in self.curve if p.thd_percent is not None), default=0.0)
        if len(self.curve) < NOISY_LEVELS or thd.value < FALLEN * most:
            self._stayed = 0
        else:
            self._stayed += 1
        return self._stayed < STAYED_LEVELS

    def _rises_db(self) -> list[float]:
        levels = [_level_db(point) for point in self.curve]
        return [b - a for a, b in zip(levels, levels[1:], strict=False)]

    def _largest_jump(self) -> int:
        rises = self._rises_db()
        return 1 + rises.index(max(rises)) if rises else 0

    def _jumped(self) -> bool:
        """Tell whether the last step was more than one click."""
        *before, last = self._rises_db() or [0.0]
        return bool(before) and last > MISSED * sorted(before)[len(before) // 2]


def _climbing(curve: tuple[CurvePoint, ...], volume: int) -> Guidance:
    if curve:
        return Guidance(
            "Turn the volume up one click and wait for the sound.",
            Act("volume_up_one", value=float(volume)),
            headline=f"NEXT: {volume}",
            direction="up",
            curve=curve,
        )
    return Guidance("Leave the volume where it is.", Act("wait"), headline="HOLD", curve=curve)


def judged(
    spec: ToneSpec,
    guidance: Guidance,
    plan: JobPlan,
    *,
    again_after_s: float = 0.0,
    give_up_s: float = GIVE_UP_S,
) -> Steps:
    """Settle and tell whether it is over the limit; what is doubtful is looked at again.

    Returns
    -------
    reading : TipsReading
        The last one.
    is_over : bool
        True where it is over, or remained doubtful.
    """
    for _ in range(LOOKS):
        reading: TipsReading = yield from settle(
            spec, guidance, of=output_of, again_after_s=again_after_s, give_up_s=give_up_s
        )
        is_over = over_by_more(reading.output, plan.limit_percent, doubtful=True)
        if not is_over or over_by_more(reading.output, plan.limit_percent, doubtful=False):
            break
        again_after_s = 0.0
    return reading, is_over


def point(volume: int, one: Reading) -> CurvePoint:
    """Return a captured level."""
    tone = one.tone
    return CurvePoint(
        volume,
        None if one.volts_rms is None else one.volts_rms.value,
        None if tone.thd_percent is None else tone.thd_percent.value,
        "clean" if tone.clipping is None else tone.clipping.state,
    )


def steps_of(curve: Iterable[CurvePoint]) -> list[VolumeStep]:
    """Return the points that have volts, for `levelset.analysis.volume_curve`."""
    return [
        VolumeStep(point.volume, point.volts_rms, point.thd_percent, point.state)
        for point in curve
        if point.volts_rms
    ]


def _level_db(point: CurvePoint) -> float:
    return db_from_ratio(point.volts_rms) if point.volts_rms else -300.0
