"""The path between levelset and the converters, checked by levelset's own tone.

It needs no vehicle: the output is led back into the input, by a cable or by the sound server. What
comes back is judged as a whole by `levelset.analysis.path_verdict`, from the raw samples.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from levelset.analysis.path_watch import SAME_CODES
from levelset.plan.job import JobPlan
from levelset.ports.base import PortInfo
from levelset.probe.reading import Frames, TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.common import Steps, full_stop, tone_spec
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    Ask,
    Finish,
    Guidance,
    Listen,
    OutcomeWord,
    Play,
    Procedure,
    Silence,
    StepFailed,
)
from levelset.signals.signal import Signal
from levelset.signals.tones import set_tone

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.analysis.path_result import ChannelTrust, PathTrust
    from levelset.quantity import Quantity

Samples = Callable[[Frames], "NDArray[np.float64]"]

FADE_S = 1.0
"""How long a port takes to raise a tone, s."""
SPARE_S = 0.5
ONSET_S = 4.0
"""How long the way there and back may take, s."""
STRETCH_S = 2.0
LONG_S = 10.0
HEARD_FS = 1e-4
"""A tone of -20 dBFS that comes back below -80 dBFS has not come back."""


def path_check(plan: JobPlan, facts: Facts, info: PortInfo, samples: Samples) -> Procedure:
    """Play through the output into the input and tell what the path can be trusted for.

    Parameters
    ----------
    plan : JobPlan
        The plan of the job.
    facts : Facts
        A calibration says the lowest voltage.
    info : PortInfo
        The open port.
    samples : callable
        Returns the samples of frames that were listened to, shape (n, channels).
    """
    from levelset.analysis.path_verdict import HIGH_DBFS, LOW_DBFS, Stretches, judge_path

    if not info.can_play:
        yield Finish("failed", "No output is open: name one with --output.", {})
        return
    if not info.can_loop:
        yield Finish(
            "skipped",
            f"The output of {info.name} cannot be led back into its input: this step is for a "
            "real sound card or a sound server.",
            {},
        )
        return
    tone = _tone()
    ear = _Ear(plan, samples)
    yield Acknowledge(cautions.LOOP)
    yield Ask(
        "Lead the output back into the input: by a cable from line output to line input, or by "
        "the sound server. Probe, loudspeakers and headphones stay unplugged.",
        Act("wait"),
    )
    yield Play(tone, LOW_DBFS)
    yield from ear.onset("the quiet tone")
    low_before = yield from ear.stretch("low_before", "the quiet tone", STRETCH_S)
    yield Play(tone, HIGH_DBFS)
    if ear.delay_s is None:
        # A gate lets only the louder tone through; then its onset tells the delay.
        yield from ear.onset("the louder tone")
        if ear.delay_s is None:
            raise StepFailed(
                "Nothing of the tone came back: check cable, output and input, and that neither "
                "is muted"
            )
    else:
        yield from ear.skip("the louder tone", ear.settle_s)
    high = yield from ear.stretch("high", "the louder tone", STRETCH_S)
    yield Play(tone, LOW_DBFS)
    yield from ear.skip("the quiet tone again", ear.settle_s)
    low_after = yield from ear.stretch("low_after", "the steady tone", LONG_S)
    left_only = None
    if info.channels > 1:
        left = replace(tone, name=f"{tone.name}-left", outputs=(0,))
        yield Play(left, LOW_DBFS)
        yield from ear.skip("the left output alone", ear.settle_s)
        left_only = yield from ear.stretch("left_only", "the left output alone", STRETCH_S)
    yield Silence()

    calibration = facts.calibration
    scales: tuple[float, ...] = ()
    if calibration is not None and calibration.rate_hz == info.rate_hz:
        scales = tuple(scale.value for scale in calibration.volts_per_full_scale)
    trust = judge_path(
        Stretches(low_before, high, low_after, left_only),
        info.rate_hz,
        tone.components[0].frequency_hz,
        same_clock=True,
        volts_per_full_scale=scales,
    )
    yield _finish(trust, ear, info)


def _tone() -> Signal:
    from levelset.analysis.path_verdict import TONE_HZ

    return set_tone("path-check", "the way from output to input", TONE_HZ, 0.0)


class _Ear:
    """Listens window by window, so that the lease goes on, and keeps whole stretches."""

    def __init__(self, plan: JobPlan, samples: Samples) -> None:
        from levelset.analysis.path_verdict import TONE_HZ

        self._spec: ToneSpec = tone_spec(
            TONE_HZ, "unknown" if plan.probe.tips == 2 else "line", plan
        )
        self._samples = samples
        self.delay_s: float | None = None
        self.notes: dict[str, str] = {}
        self.kept: dict[str, int] = {}

    @property
    def settle_s(self) -> float:
        """How long after an order its level is steady at the input, s."""
        return FADE_S + SPARE_S + (ONSET_S if self.delay_s is None else self.delay_s)

    def onset(self, what: str) -> Steps:
        """Wait until the tone comes and has risen; the delay stays unknown when it does not."""
        for window in range(1, 1 + math.ceil((ONSET_S + FADE_S) / self._spec.window_s)):
            reading = yield from self._window(what)
            if self._hears(reading.frames):
                self.delay_s = window * self._spec.window_s
                yield from self.skip(what, FADE_S + SPARE_S)
                return

    def skip(self, what: str, seconds: float) -> Steps:
        """Let a change of level pass."""
        for _ in range(math.ceil(seconds / self._spec.window_s)):
            yield from self._window(what)

    def stretch(self, part: str, what: str, seconds: float) -> Steps:
        """Listen to one long window and keep it; returns its samples, shape (n, channels)."""
        reading = yield from self._window(what, seconds)
        found: Frames = reading.frames
        count = round(seconds * found.rate_hz)
        # Where the level moves, only the newest part of a window is read.
        whole = replace(found, first=found.first + found.count - count, count=count)
        samples = self._cut(whole)
        # What the path spoilt is void as a whole; its capture alone would not say so again.
        sound = any(leg.tone.void is None for leg in reading.legs)
        if whole == found and sound:
            self.kept[part] = yield Accept(reading, part)
        return samples

    def _cut(self, frames: Frames) -> NDArray[np.float64]:
        try:
            return self._samples(frames)
        except LookupError:
            raise StepFailed(
                "The computer did not keep up with the input: close other programs and run the "
                "check again"
            ) from None

    def _window(self, what: str, seconds: float | None = None) -> Steps:
        words = f"Wait: {what} is being listened to."
        spec = self._spec
        if seconds is not None:
            spec = replace(spec, window_s=seconds)
            words = f"{words} It takes {seconds:.0f} s."
        guidance = Guidance(words, Act("wait"), headline="WAIT")
        reading: TipsReading = yield Listen(spec, guidance)
        void = reading.output.tone.void
        # One tone on both outputs may come back the same, code for code; left only tells.
        if (
            void is not None
            and void.code in ("drop_out", "repeated_block", "processed")
            and void.reason != SAME_CODES
        ):
            self.notes.setdefault(void.code, void.reason)
        return reading

    def _hears(self, frames: Frames) -> bool:
        from levelset.analysis.path_verdict import TONE_HZ, tone_peak

        heard = self._cut(frames)
        return any(
            tone_peak(heard[:, channel], frames.rate_hz, TONE_HZ) > HEARD_FS
            for channel in range(heard.shape[1])
        )


def _finish(trust: PathTrust, ear: _Ear, info: PortInfo) -> Finish:
    notes = ear.notes
    lesser = [finding.sentence for finding in trust.findings if not finding.grave]
    lines = [channel.line for channel in trust.channels]
    trusted = trust.trusted and "processed" not in notes
    said = [*lines, *lesser, *notes.values()]
    outcome: OutcomeWord = "failed" if not trusted else "limited" if lesser or notes else "accepted"
    sentence = " ".join(full_stop(line) for line in said)
    return Finish(
        outcome,
        sentence,
        {
            "trusted": trusted,
            "lines": lines,
            "findings": [
                {
                    "code": finding.code,
                    "sentence": finding.sentence,
                    "places": [[place.at, place.frames] for place in finding.places],
                }
                for finding in trust.findings
            ],
            "port_notes": notes,
            "channels": [_channel(channel) for channel in trust.channels],
            "left_only_db": trust.left_only_db,
            "device": info.name,
            "rate_hz": info.rate_hz,
            "readings": ear.kept,
        },
    )


def _channel(channel: ChannelTrust) -> dict[str, Any]:
    def q(quantity: Quantity | None) -> dict[str, float] | None:
        return None if quantity is None else quantity.as_json()

    return {
        "channel": channel.channel,
        "heard": channel.heard,
        "trusted_percent": channel.trusted_percent,
        "floor_volts_rms": channel.floor_volts_rms,
        "floor_fs": channel.floor_fs,
        "tracking_db": q(channel.tracking_db),
        "return_db": q(channel.return_db),
        "sag_db": channel.sag_db,
        "clock_ppm": q(channel.clock_ppm),
        "noise_dbfs": channel.noise_dbfs,
        "bits": channel.bits,
        "noise_bits": channel.noise_bits,
    }
