"""From raw samples of a stretch to the result of an analysis: one table of analyses."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from levelset.analysis.health import live_overload
from levelset.analysis.noise import read_noise
from levelset.analysis.periodic import KnownLines
from levelset.analysis.response import read_response
from levelset.analysis.result import Void
from levelset.analysis.signal_kind import NO_TEST_SIGNAL, Kind, signal_kind
from levelset.analysis.two_taps import TwoTaps, compare_taps
from levelset.analysis.which_wire import WirePart, read_wire
from levelset.probe.faults import limit_void, peak_fs, rate_void
from levelset.probe.stretch_reading import Found, StretchReading, StretchSpec
from levelset.quantity import Quantity
from levelset.signals.multitone import response_tones
from levelset.signals.which_wire import wire_codes

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.analysis.noise import NoiseReading
    from levelset.analysis.response import ResponseReading
    from levelset.analysis.which_wire import WireReading
    from levelset.probe.calibration import Calibration
    from levelset.probe.reading import Frames

    Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Samples of one stretch, ready for an analysis.

    Parameters
    ----------
    output : ndarray, shape (n,)
        Tip A less tip B, or with one tip that tip, in full scale of tip A.
    legs : tuple of ndarray, shape (n,)
        Each tip against chassis, in full scale of tip A.
    rate_hz : float
        Sample rate, Hz.
    response : callable or None
        Transfer of the input, complex over frequency in Hz; None without a calibration.
    """

    output: Values
    legs: tuple[Values, ...]
    rate_hz: float
    response: Callable[[Values], NDArray[np.complex128]] | None


@dataclass(frozen=True, slots=True)
class TwoTapsReading:
    """Two taps heard at once, tip A on one and tip B on the other.

    Parameters
    ----------
    void : Void or None
        Why nothing can be said.
    a, b : WirePart or None
        What is strongest on each.
    compared : TwoTaps or None
        B against A.
    """

    void: Void | None
    a: WirePart | None = None
    b: WirePart | None = None
    compared: TwoTaps | None = None


@dataclass(frozen=True, slots=True)
class KindReading:
    """What is heard at all; never void by itself.

    Parameters
    ----------
    kind : Kind
        As in `levelset.analysis.signal_kind`.
    sentence : str
        What it is and what to do.
    may_be_measured : bool
        Whether it is a test signal.
    void : Void or None
        Always None: silence is an answer too.
    """

    kind: Kind
    sentence: str
    may_be_measured: bool
    void: Void | None = None


def wire_lines(channels: tuple[str, ...]) -> dict[str, KnownLines]:
    """Return the coded lines of every channel of the player, by its name."""
    codes = wire_codes(channels, 0.0)
    return {
        name: KnownLines.of(code.period_s, code.sines)
        for name, code in zip(channels, codes, strict=True)
    }


def _which_wire(stretch: Stretch, parameters: dict[str, Any]) -> WireReading:
    lines = wire_lines(tuple(parameters["channels"]))
    return read_wire(stretch.output, stretch.rate_hz, lines, response=stretch.response)


def _two_taps(stretch: Stretch, parameters: dict[str, Any]) -> TwoTapsReading:
    if len(stretch.legs) < 2:
        return TwoTapsReading(
            Void("output_unknown", "Two taps at once need two tips: connect the second one.")
        )
    lines = wire_lines(tuple(parameters["channels"]))
    parts = []
    for name, leg in zip("AB", stretch.legs, strict=False):
        wire = read_wire(leg, stretch.rate_hz, lines, response=stretch.response)
        if wire.void is not None:
            return TwoTapsReading(Void(wire.void.code, f"Tip {name}: {wire.void.reason}"))
        parts.append(wire.parts[0])
    a, b = parts
    compared = compare_taps(a.transfer, b.transfer)
    if compared is None:
        return TwoTapsReading(
            Void("no_tone", "The two taps share no band: nothing of them can be compared.")
        )
    return TwoTapsReading(None, a, b, compared)


def _response(stretch: Stretch, parameters: dict[str, Any]) -> ResponseReading:
    tones = response_tones("response", "", parameters["peak_dbfs"])
    return read_response(
        stretch.output,
        stretch.rate_hz,
        KnownLines.of(tones.period_s, tones.sines),
        fraction=parameters["fraction"],
        response=stretch.response,
    )


def _noise(stretch: Stretch, parameters: dict[str, Any]) -> NoiseReading:  # noqa: ARG001
    from levelset.analysis.noise import NoiseReading

    kind = signal_kind(stretch.output, stretch.rate_hz, None)
    if kind.kind in NO_TEST_SIGNAL:
        return NoiseReading(
            Void("source_not_quiet", f"Something plays: {kind.sentence} Stop all sound first.")
        )
    return read_noise(stretch.output, stretch.rate_hz, floor=None, response=stretch.response)


def _signal_kind(stretch: Stretch, parameters: dict[str, Any]) -> KindReading:
    floor_fs = parameters.get("floor_rms_fs")
    heard = signal_kind(stretch.output, stretch.rate_hz, floor_fs)
    return KindReading(heard.kind, heard.sentence, heard.is_test_signal)


ANALYSES: dict[str, Callable[[Stretch, dict[str, Any]], Found]] = {
    "which_wire": _which_wire,
    "two_taps": _two_taps,
    "response": _response,
    "noise": _noise,
    "signal_kind": _signal_kind,
}
"""Every analysis of a stretch by its name; a new one is one entry here."""


def read_stretch(
    samples: Values, frames: Frames, spec: StretchSpec, calibration: Calibration | None
) -> StretchReading:
    """Analyse one stretch of all tips.

    Parameters
    ----------
    samples : ndarray, shape (n, channels)
        Raw codes in full scale, tip A first.
    frames : Frames
        Where the samples came from.
    spec : StretchSpec
        Which analysis.
    calibration : Calibration or None
        Scale of the tips and transfer of the input; without it both tips count alike.

    Returns
    -------
    StretchReading
        State ``done``.

    Raises
    ------
    ValueError
        If the shape of the samples does not fit the frames, or there is no such analysis.
    """
    if samples.ndim != 2 or samples.shape[0] != frames.count or samples.shape[1] < 1:
        raise ValueError(f"samples of shape {samples.shape} do not fit {frames.count} frames")
    if spec.analysis not in ANALYSES:
        raise ValueError(f"there is no analysis {spec.analysis!r}")
    scales = () if calibration is None else calibration.volts_per_full_scale
    tips = min(samples.shape[1], len(scales) or 2)
    void = _input_void(samples[:, :tips], frames, spec, calibration)
    if void is not None:
        return StretchReading(frames, spec, "done", 1.0, void)
    ratios = [scale.value / scales[0].value for scale in scales[:tips]] or [1.0] * tips
    legs = tuple(ratio * samples[:, tip] for tip, ratio in enumerate(ratios))
    stretch = Stretch(
        legs[0] - legs[1] if tips == 2 else legs[0],
        legs,
        float(frames.rate_hz),
        None if calibration is None else calibration.response,
    )
    found = ANALYSES[spec.analysis](stretch, spec.parameters)
    if found.void is not None:
        return StretchReading(frames, spec, "done", 1.0, found.void)
    # A sine of 1 peak has the RMS of 1 / sqrt(2): RMS volts per RMS full scale is the peak scale.
    volts_per_fs = None if not scales else Quantity(scales[0].value, scales[0].u, "V")
    return StretchReading(frames, spec, "done", 1.0, None, found, volts_per_fs)


def _input_void(
    samples: Values, frames: Frames, spec: StretchSpec, calibration: Calibration | None
) -> Void | None:
    """Why the input cannot be read at all, or None."""
    if calibration is not None:
        void = rate_void(frames.rate_hz, calibration)
        if void is not None:
            return void
    for tip, column in enumerate(samples.T):
        if not math.isfinite(float(column.sum())):
            return Void(
                "not_finite",
                "The input holds values that are not numbers: check the sound driver.",
            )
        void = live_overload(column) if spec.live else None
        if void is None and calibration is not None:
            void = limit_void(peak_fs(column), tip, calibration)
        if void is not None:
            return void
    return None
