"""A second tone at few volumes: where it clips, and how bass falls behind as the volume rises."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.analysis.volume_curve import bass_loss
from levelset.plan.set_tone import UPPER_TONE_HZ
from levelset.procedures.common import Steps, set_volume, start_tone
from levelset.procedures.onset import exceeds_edge
from levelset.procedures.protocol import Accept, Act, CurvePoint, Guidance, StepFailed
from levelset.procedures.volume_climb import judged, point, steps_of
from levelset.signals.tones import set_tone, signal_name

if TYPE_CHECKING:
    from levelset.analysis.volume_curve import BassLoss
    from levelset.plan.job import JobPlan
    from levelset.probe.reading import Reading, ToneSpec
    from levelset.signals.signal import Signal

BASS_TONE_HZ = 41.0
"""Second tone where the first is an upper one, Hz; 9 Hz clear of 50 Hz, 19 Hz of 60 Hz."""
NOT_HEARD_S = 10.0
"""A second tone that stays away so long is not on this tap, s."""
ONSET_LOOKS = 4
"""Halvings after which the onset of withdrawn bass is known to the number, or to two."""
EVERY_BELOW = 2
"""From so many numbers below the clean volume the tone is read at every number."""


def second_tone_hz(tone_hz: float) -> float:
    """Return the tone at the other end of the band, Hz."""
    return UPPER_TONE_HZ if tone_hz < 0.5 * UPPER_TONE_HZ else BASS_TONE_HZ


def second_track(tone_hz: float) -> Signal:
    """Return the track of the second tone."""
    subject = "source upper" if tone_hz > 0.5 * UPPER_TONE_HZ else "source bass"
    return set_tone(signal_name("set", subject), "clean volume of the source", tone_hz, 0.0)


class SecondTone:
    """The second tone of one source.

    Parameters
    ----------
    spec : ToneSpec
        The tone.
    first_hz : float
        The first tone, Hz.
    first : tuple of CurvePoint
        What the first tone showed, volume rising.
    plan : JobPlan
        The limit.
    """

    def __init__(
        self, spec: ToneSpec, first_hz: float, first: tuple[CurvePoint, ...], plan: JobPlan
    ) -> None:
        self.tone_hz = spec.expected_hz or 0.0
        self.clean = 0
        """Highest volume at which it is clean, at most that of the first tone."""
        self._spec, self._plan = spec, plan
        self._first_hz, self._first = first_hz, first
        self._read: dict[int, Reading] = {}

    @property
    def curve(self) -> tuple[CurvePoint, ...]:
        """Levels read, volume rising; empty where it was not heard."""
        return tuple(point(volume, self._read[volume]) for volume in sorted(self._read))

    @property
    def loss(self) -> BassLoss | None:
        """How bass falls behind; None where too little is known."""
        first, second = steps_of(self._first), steps_of(self.curve)
        bass, upper = (first, second) if self._first_hz < 0.5 * UPPER_TONE_HZ else (second, first)
        return bass_loss(bass, upper, self._plan.limit_percent)

    def run(self, top: int) -> Steps:
        """Read it from below up to the volume at which the first tone is clean."""
        lowest = min(self._first[0].volume, top)
        wanted = {lowest, (lowest + top) // 2, *range(top - EVERY_BELOW, top + 1)}
        volumes = sorted(volume for volume in wanted if volume >= 1)
        yield from set_volume(volumes[0])
        yield from start_tone(second_track(self.tone_hz), self._plan)
        clean, over = 0, top + 1
        for volume in volumes:
            is_over = yield from self._look(volume)
            if is_over is None:
                if volume >= top - EVERY_BELOW:
                    self.clean = top
                    return
                # Noise may cover so low a level; then it is far from the clip point.
                clean = volume
                continue
            # A low level that is over by noise is followed by a clean one.
            clean, over = (clean, min(over, volume)) if is_over else (volume, top + 1)
        # Between the highest clean and the lowest that is over lies the answer.
        while over - clean > 1 and clean < top:
            middle = (clean + over) // 2
            is_over = yield from self._look(middle)
            clean, over = (clean, middle) if is_over else (middle, over)
        if {clean, over} <= self._read.keys() and exceeds_edge(self._read[clean], self._read[over]):
            clean -= 1
        if clean == 0:
            raise StepFailed(f"At {self.tone_hz:.0f} Hz the source is clean at no volume")
        self.clean = clean
        yield from self._find_onset()

    def _find_onset(self) -> Steps:
        """Read it where it tells from which volume on bass is withdrawn."""
        for _ in range(ONSET_LOOKS):
            loss = self.loss
            if loss is None or loss.from_volume is None:
                return
            from_volume = loss.from_volume
            below = max((v for v in self._read if v < from_volume), default=from_volume)
            between = [p.volume for p in self._first if below < p.volume < from_volume]
            if not between:
                return
            yield from self._look(between[len(between) // 2])

    def _look(self, volume: int) -> Steps:
        """Read one volume; returns whether it is over the limit, None where nothing is heard."""
        yield from set_volume(volume)
        guidance = Guidance(
            f"The second tone, {self.tone_hz:.0f} Hz, at volume {volume}: leave it there.",
            Act("wait"),
            headline="SECOND TONE",
            curve=self.curve,
        )
        try:
            reading, is_over = yield from judged(
                self._spec, guidance, self._plan, give_up_s=NOT_HEARD_S
            )
        except StepFailed:
            if self._read:
                raise
            return None
        yield Accept(reading, "clean_volume_step", {"volume": volume, "tone_hz": self.tone_hz})
        self._read[volume] = reading.output
        return is_over
