"""From raw samples of the tips to volts of the legs and the pair."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, Protocol

from levelset.analysis.health import input_void
from levelset.analysis.result import ToneResult, Void
from levelset.analysis.tone import read_tone
from levelset.probe.budget import LEGS_EQUAL, NEXT_TO_NOTHING, voltage_budget, volts_rms
from levelset.probe.faults import TIPS, limit_void, peak_fs, rate_void
from levelset.probe.reading import Frames, Reading, TipsReading, ToneSpec

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.probe.calibration import Calibration


def read_tips(
    samples: NDArray[np.float64],
    frames: Frames,
    spec: ToneSpec,
    calibration: Calibration | None,
    *,
    with_picture: bool = False,
    start_hz: float | None = None,
) -> TipsReading:
    """Read one window of all tips.

    Parameters
    ----------
    samples : ndarray, shape (n, channels)
        Raw codes in full scale, tip A first. Channels beyond the calibration's tips (without
        one: beyond two) are not looked at.
    frames : Frames
        Where the samples came from.
    spec : ToneSpec
        What to listen for.
    calibration : Calibration or None
        Scale of the tips; without it readings are in full scale only and both tips count alike.
    with_picture : bool
        Also return the curves that explain the verdict, for the output (see `TipsReading`).
    start_hz : float or None
        Frequency of the last window, which saves the search.

    Returns
    -------
    TipsReading
        The pair is A - B, formed sample by sample after scaling, in full scale of tip A. Void
        readings keep no number but the peak.

    Raises
    ------
    ValueError
        If the shape of the samples does not fit the frames.
    """
    if samples.ndim != 2 or samples.shape[0] != frames.count or samples.shape[1] < 1:
        raise ValueError(f"samples of shape {samples.shape} do not fit {frames.count} frames")
    return tips_reading(
        _Sampled(samples, frames, spec, calibration, with_picture),
        frames,
        spec,
        calibration,
        start_hz,
    )


class Tips(Protocol):
    """One window of the tips, in full scale: what a reading is put together from.

    ``count`` is the number of tips. ``pair`` is A - B with B in the scale of A.
    """

    count: int

    def health(self) -> list[Void | None]:
        """Return for every tip why its input cannot be read, or None."""
        ...

    def peak_fs(self, tip: int) -> float:
        """Return the largest magnitude of a tip, from 0."""
        ...

    def tone(self, which: int | Literal["pair"], start_hz: float | None) -> ToneResult:
        """Read a tip, from 0, or the pair."""
        ...

    def phasors(self, frequency_hz: float) -> tuple[complex, complex]:
        """Return the complex amplitude of each tip at a frequency, not scaled."""
        ...


def tips_reading(
    tips: Tips,
    frames: Frames,
    spec: ToneSpec,
    calibration: Calibration | None,
    start_hz: float | None = None,
) -> TipsReading:
    """Put a reading of all tips together; see `read_tips`."""
    window = _Window(tips, frames, spec, calibration)
    legs = []
    for tip in range(tips.count):
        legs.append(window.leg(tip, start_hz))
        if start_hz is None and legs[-1].tone.frequency_hz is not None:
            start_hz = legs[-1].tone.frequency_hz.value
    pair = window.pair(legs, start_hz) if tips.count == 2 else None
    return TipsReading(frames, spec, tuple(legs), pair)


def tip_count(channels: int, calibration: Calibration | None) -> int:
    """Return how many of the channels are tips."""
    scales = () if calibration is None else calibration.volts_per_full_scale
    return min(channels, len(scales) or 2)


def b_to_a(calibration: Calibration | None) -> float:
    """Return what tip B is multiplied by to have the scale of tip A."""
    scales = () if calibration is None else calibration.volts_per_full_scale
    return scales[1].value / scales[0].value if len(scales) == 2 else 1.0


class _Sampled:
    """`Tips` of a window of samples, each read by itself."""

    def __init__(
        self,
        samples: NDArray[np.float64],
        frames: Frames,
        spec: ToneSpec,
        calibration: Calibration | None,
        with_picture: bool,
    ) -> None:
        self.count = tip_count(samples.shape[1], calibration)
        self._samples = samples[:, : self.count]
        self._frames = frames
        self._spec = spec
        self._calibration = calibration
        self._with_picture = with_picture

    def health(self) -> list[Void | None]:
        return list(input_void(self._samples, self._frames.rate_hz, self._spec.live))

    def peak_fs(self, tip: int) -> float:
        return peak_fs(self._samples[:, tip])

    def tone(self, which: int | Literal["pair"], start_hz: float | None) -> ToneResult:
        pair = which == "pair"
        if which == "pair":
            x = self._samples[:, 0] - b_to_a(self._calibration) * self._samples[:, 1]
        else:
            x = self._samples[:, which]
        return read_tone(
            x,
            self._frames.rate_hz,
            limit_percent=self._spec.limit_percent,
            expected_hz=self._spec.expected_hz,
            start_hz=start_hz,
            response=None if self._calibration is None else self._calibration.response,
            with_picture=self._with_picture and (pair or self.count == 1),
        )

    def phasors(self, frequency_hz: float) -> tuple[complex, complex]:
        """Fit a sine with an offset to each tip by least squares."""
        import numpy as np

        w = 2.0 * np.pi * frequency_hz / self._frames.rate_hz
        angle = w * (np.arange(self._frames.count) - 0.5 * (self._frames.count - 1))
        basis = np.stack((np.cos(angle), np.sin(angle), np.ones_like(angle)))
        c, s, _ = np.linalg.solve(basis @ basis.T, basis @ self._samples)
        a, b = c - 1j * s
        return complex(a), complex(b)


class _Window:
    """One window of the tips with everything that is needed to read it."""

    def __init__(
        self, tips: Tips, frames: Frames, spec: ToneSpec, calibration: Calibration | None
    ) -> None:
        scales = () if calibration is None else calibration.volts_per_full_scale
        self.tips = tips
        self.frames = frames
        self.spec = spec
        self.calibration = calibration
        self.scales = tuple(scale.value for scale in scales)
        self.faults = [self._fault(tip, void) for tip, void in enumerate(self._health())]

    def leg(self, tip: int, start_hz: float | None) -> Reading:
        """Read one tip against chassis."""
        void = self.faults[tip]
        if void is None and self.tips.count == 1 and self.spec.output in ("bridged", "unknown"):
            void = Void("output_unknown", _ONE_TIP[self.spec.output])
        if void is not None:
            return self._reading(tip + 1, _void_tone(void, self.tips.peak_fs(tip)))
        return self._reading(tip + 1, self.tips.tone(tip, start_hz))

    def pair(self, legs: list[Reading], start_hz: float | None) -> Reading:
        """Read the difference of both tips."""
        void = self._pair_fault()
        if void is not None:
            return self._reading("pair", ToneResult(void))
        tone = self.tips.tone("pair", start_hz)
        frequency = next(
            (t.frequency_hz for t in (tone, *(leg.tone for leg in legs)) if t.frequency_hz), None
        )
        if frequency is not None:
            a, b = self.tips.phasors(frequency.value)
            slack = tone.amplitude_fs.u if tone.amplitude_fs is not None else 0.0
            void = _output_fault(self.spec, a, b * b_to_a(self.calibration), slack)
        if void is not None:
            tone = ToneResult(void, peak_dbfs=tone.peak_dbfs)
        return self._reading("pair", tone)

    def _reading(self, channel: int | Literal["pair"], tone: ToneResult) -> Reading:
        rate = self.frames.rate_hz
        volts = total = None
        amplitude, total_amplitude = tone.amplitude_fs, tone.total_amplitude_fs
        if self.calibration is not None and tone.void is None and amplitude is not None:
            pair_of = self.spec.output if channel == "pair" else None
            budget = voltage_budget(self.calibration, tone, pair_of)
            scale_v = self.scales[0 if channel == "pair" else channel - 1]
            volts = volts_rms(amplitude, scale_v, budget)
            if total_amplitude is not None:
                total = volts_rms(total_amplitude, scale_v, budget)
        return Reading(
            channel=channel,
            start_s=self.frames.first / rate,
            duration_s=self.frames.count / rate,
            tone=tone,
            volts_rms=volts,
            volts_rms_total=total,
        )

    def _health(self) -> list[Void | None]:
        changed = None
        if self.calibration is not None:
            changed = rate_void(self.frames.rate_hz, self.calibration)
        if changed is not None:
            return [changed] * self.tips.count
        return self.tips.health()

    def _fault(self, tip: int, void: Void | None) -> Void | None:
        if void is not None or self.calibration is None:
            return void
        return limit_void(self.tips.peak_fs(tip), tip, self.calibration)

    def _pair_fault(self) -> Void | None:
        """Why the pair cannot even be read, the most serious reason first."""
        for tip, void in enumerate(self.faults):
            if void is not None and void.code != "silent_input":
                return Void(void.code, f"Tip {TIPS[tip]}: {void.reason}")
        if self.spec.output == "unknown":
            return Void(
                "output_unknown",
                "It is not known whether both terminals are driven: find the kind of output first.",
            )
        needed = (0, 1) if self.spec.output == "bridged" else (0,)
        silent = [TIPS[tip] for tip in needed if self.faults[tip] is not None]
        if not silent:
            return None
        if len(silent) == 2:
            return Void("silent_input", "Both tips are silent: is the tone on, have they contact?")
        return Void(
            "silent_input",
            f"Tip {silent[0]} is silent: it has no contact, or the tone is off.",
        )


_ONE_TIP = {
    "bridged": "One tip sees one leg of a bridged output, half of its voltage: use two tips.",
    "unknown": "With one tip the kind of output must be known: one leg of a bridged output "
    "shows half of its voltage.",
}


def _output_fault(spec: ToneSpec, a: complex, b: complex, slack: float) -> Void | None:
    """Why the legs do not fit the kind of output; a and b in one scale, slack for noise."""
    if spec.output != "bridged":
        if abs(b) <= NEXT_TO_NOTHING * abs(a) + slack:
            return None
        percent = 100.0 * abs(b) / max(abs(a), 1e-300)
        amount = f"{percent:.0f} % of tip A" if percent < 1000.0 else "far more than tip A"
        return Void(
            "output_unknown",
            f"Tip B should be on the ground side, but carries {amount}: check the tips, or find "
            "the kind of output again.",
        )
    one_leg = 0.5 * abs(a - b)
    if abs(a + b) <= LEGS_EQUAL * one_leg + slack:
        return None
    if abs(b) < 0.5 * abs(a):
        reason = "Tip B has no contact with its leg: place it again."
    elif abs(a) < 0.5 * abs(b):
        reason = "Tip A has no contact with its leg: place it again."
    elif (a * b.conjugate()).real > 0.0:
        reason = "Both tips are on the same leg: put tip B on the other one."
    else:
        more = abs(abs(a) / abs(b) - 1.0) * 100.0
        low = "A" if abs(a) < abs(b) else "B"
        reason = (
            f"The legs differ by {more:.0f} %, a bridged output drives both alike: press tip "
            f"{low} on its leg again, or find the kind of output again."
        )
    return Void("output_unknown", reason)


def _void_tone(void: Void, peak: float) -> ToneResult:
    known = math.isfinite(peak) and peak > 0.0
    return ToneResult(void, peak_dbfs=20.0 * math.log10(peak) if known else None)
