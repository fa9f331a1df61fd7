"""DC volts at the tips by touch, and the touch of a battery that makes that possible."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from levelset.analysis.health import input_void
from levelset.analysis.result import Void
from levelset.analysis.step.read import explains, identify_step, read_step, window_of
from levelset.analysis.step.rounding import coarse_code, roughened
from levelset.analysis.step.section import Section, section_of_poles
from levelset.analysis.step.slow import half_length_rows, slowed
from levelset.analysis.step.touch import QUIET_S, find_edge
from levelset.errors import UsageError
from levelset.probe.budget import DRIFT_LIMIT
from levelset.probe.calibrate import RESISTOR_TOLERANCE
from levelset.probe.dc_scale import DcScale, DcTip
from levelset.probe.touch_reading import StepSpec, TipTouch, TouchReading, TouchState
from levelset.probe.uncertainty import Component, expanded_uncertainty, from_limits
from levelset.quantity import Quantity

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.analysis.step.fit import Window
    from levelset.analysis.step.result import Step
    from levelset.probe.calibration import Calibration
    from levelset.probe.reading import Frames

SHORTEST_S = 0.35
"""Contact that is needed before volts are shown, s."""

MISFIT_LIMIT = 1.5
MOVED_LIMIT = 12.0
"""Slow residual and stray level after a touch, over those before it, that are still noise."""

QUIET_V = 0.005
"""RMS below 400 Hz that a source may have besides hum and a steady tone, V."""

LOUDER = 2.0
"""Residual after the touch over that before it, from which the source makes the difference."""

METHOD = 3e-4
"""Standard uncertainty of the method, as a ratio of the voltage: what the fit does not say about
rows, filter and bounce (bound of the campaign in docs/dc.md)."""

METHOD_COMMON = 5e-5
"""The same for a voltage that is common to both tips, whose errors are alike."""

SCALES_AGREE = 0.05
"""DC scale and scale of the tone agree within this ratio, besides the uncertainty of the tone's, or
a meter was misread."""

UNSEEN_SIGMAS = 8.0
TIPS = "AB"


def read_touch(
    samples: NDArray[np.float64],
    frames: Frames,
    spec: StepSpec,
    calibration: Calibration | None,
) -> TouchReading:
    """Read a touch of all tips.

    Parameters
    ----------
    samples : ndarray, shape (n, channels)
        Raw codes in full scale, tip A first, from quiet on.
    frames : Frames
        Where they came from.
    spec : StepSpec
        What to listen for.
    calibration : Calibration or None
        With its ``dc`` it gives volts; without, only a touch that identifies can be read.

    Returns
    -------
    TouchReading
        ``done`` when contact has held for long enough, void or not.
    """
    tips = min(
        samples.shape[1], 2 if calibration is None else len(calibration.volts_per_full_scale)
    )
    samples = samples[:, :tips]
    rows, rate_hz = slowed(samples, frames.rate_hz)
    coarse = coarse_code(samples)
    rows = roughened(rows, coarse)
    smear = half_length_rows(frames.rate_hz)
    sections = [_section(spec, calibration, tip, rate_hz) for tip in range(tips)]
    if len(rows) < round(QUIET_S * rate_hz):
        return TouchReading(frames, spec, "not_quiet", len(rows) / (QUIET_S * rate_hz))
    edges = [find_edge(rows[:, tip], sections[tip]) for tip in range(tips)]
    seen = [edge.row for edge in edges if edge.row is not None]
    if not seen and not spec.touched:
        quiet = (len(rows) - max(edge.quiet_from for edge in edges)) / rate_hz
        if quiet < QUIET_S:
            return TouchReading(frames, spec, "not_quiet", quiet / QUIET_S)
        return TouchReading(frames, spec, "quiet", 1.0)
    touch = min(seen) if seen else len(rows) - round((spec.hold_s + 0.1) * rate_hz)
    held_s = (len(rows) - touch) / rate_hz
    done = held_s >= spec.hold_s
    if held_s < SHORTEST_S + 0.1 or touch < round(0.3 * rate_hz):
        return TouchReading(frames, spec, "building", held_s / spec.hold_s)
    if spec.identify and not done:
        return TouchReading(frames, spec, "building", held_s / spec.hold_s)
    faults = _faults(samples, frames.rate_hz, coarse)
    legs = []
    for tip, (edge, section) in enumerate(zip(edges, sections, strict=True)):
        row = touch if edge.row is None or edge.row > touch + 0.3 * rate_hz else edge.row
        window = window_of(rows[:, tip], row, smear, rate_hz)
        legs.append(
            _leg(tip, window, section, faults[tip], edge.row is not None, spec, calibration)
        )
    pair = _pair(legs, calibration) if tips == 2 else None
    legs = _against_chassis(legs, calibration)
    state: TouchState = "done" if done else "building"
    return TouchReading(frames, spec, state, min(held_s / spec.hold_s, 1.0), tuple(legs), pair)


def dc_scale(
    reading: TouchReading,
    battery_v: float,
    tolerance_v: float,
    calibration: Calibration | None,
    evidence: int,
) -> DcScale:
    """Return DC scale and coupling from a touch of a battery.

    Parameters
    ----------
    reading : TouchReading
        All tips on the battery's positive terminal, read with ``identify``.
    battery_v : float
        What the multimeter read there, V.
    tolerance_v : float
        Its limits of error, +- V.
    calibration : Calibration or None
        Scale of the tone, with which the DC scale has to agree.
    evidence : int
        Journal line of the touch.

    Raises
    ------
    UsageError
        If the touch is void, or the scales do not agree.
    """
    if reading.void is not None or reading.state != "done":
        reason = "contact was too short" if reading.void is None else reading.void.reason
        raise UsageError("the touch of the battery cannot be used", reason)
    tips = []
    for number, leg in enumerate(reading.legs):
        step = leg.step
        if step is None or not step.height_fs * battery_v > 0.0:
            raise UsageError(
                f"tip {TIPS[number]} does not show the battery's voltage",
                "put both tips on the positive terminal, the ground lead on the negative one",
            )
        if calibration is not None:
            tone = calibration.volts_per_full_scale[number]
            ratio = tip_scale_v(calibration, battery_v, step.height_fs) / tone.value
            if abs(ratio - 1.0) > SCALES_AGREE + tone.u / tone.value:
                raise UsageError(
                    f"by the battery tip {TIPS[number]} reads {ratio:.3f} times what it reads by "
                    "the tone",
                    "read the multimeter on DC volts again, on the same two points",
                )
        tips.append(DcTip(step.height_fs, step.coefficients, step.covariance))
    return DcScale(battery_v, tolerance_v, tuple(tips), evidence)


def _faults(
    samples: NDArray[np.float64], rate_hz: int, coarse: NDArray[np.float64]
) -> list[Void | None]:
    """Return what speaks against each input; coarse codes may stand still as long as one moves."""
    return [
        None if void is not None and void.code == "silent_input" and code > 0.0 else void
        for void, code in zip(input_void(samples, rate_hz, live=True), coarse, strict=True)
    ]


def _section(spec: StepSpec, calibration: Calibration | None, tip: int, rate_hz: float) -> Section:
    if calibration is not None and calibration.dc is not None and not spec.identify:
        return Section(calibration.dc.tips[tip].coefficients, rate_hz)
    return Section(section_of_poles(spec.coupling_hz), rate_hz)


def _leg(
    tip: int,
    window: Window,
    section: Section,
    fault: Void | None,
    seen: bool,
    spec: StepSpec,
    calibration: Calibration | None,
) -> TipTouch:
    if fault is not None:
        return TipTouch(tip + 1, fault, None, seen, None)
    step = identify_step(window, section.rate_hz) if spec.identify else read_step(window, section)
    void = _step_void(tip, step, spec, calibration)
    dc = None if calibration is None else calibration.dc
    if void is not None or spec.identify or dc is None:
        return TipTouch(tip + 1, void, None, seen, step if void is None else None)
    assert calibration is not None
    volts = _volts(
        step, dc, tip_scale_v(calibration, dc.battery_v, dc.tips[tip].height_fs), tip, seen
    )
    if abs(volts.value) > calibration.max_volts:
        reason = (
            f"Tip {TIPS[tip]} reads {volts.value:.0f} V, the probe is stated for "
            f"{calibration.max_volts:g} V: take it off."
        )
        return TipTouch(tip + 1, Void("probe_limit", reason), None, seen, None)
    return TipTouch(tip + 1, None, volts, seen, step)


def _step_void(
    tip: int, step: Step, spec: StepSpec, calibration: Calibration | None
) -> Void | None:
    name = f"Tip {TIPS[tip]}"
    if not math.isfinite(step.height_fs) or not math.isfinite(step.misfit):
        return Void("touch_again", f"{name} could not be read: lift both tips and touch again.")
    if step.moved > MOVED_LIMIT:
        return Void(
            "contact_not_held",
            f"{name} did not hold its contact: lift both tips, press them on and hold still.",
        )
    if spec.identify and not explains(step):
        return Void(
            "touch_again",
            f"{name}: no coupling of up to three poles explains this touch; lift both tips and "
            "touch the battery again, engine off.",
        )
    if calibration is not None and step.noise_ratio > LOUDER:
        loud_v = step.noise_after_fs * calibration.volts_per_full_scale[tip].value
        if loud_v > QUIET_V:
            return Void(
                "source_not_quiet",
                f"{name} hears {1e3 * loud_v:.0f} mV of music or noise: mute the source, then "
                "touch again.",
            )
    if step.misfit > MISFIT_LIMIT:
        return Void(
            "touch_again",
            f"{name}: the voltage did not stay steady after the touch; lift both tips and touch "
            "again.",
        )
    return None


def tip_scale_v(calibration: Calibration, battery_v: float, height_fs: float) -> float:
    """Return volts between tip and probe ground per full scale, from what a battery made.

    All tips on the battery lift the probe's ground through the resistor of its lead: of the
    battery's voltage V each tip then sees V / (1 + n r), r being that resistor over the whole
    resistance of a tip and n the number of tips (Kirchhoff's current law at the ground lead).
    With one tip every touch is lifted alike, which the scale then holds already.
    """
    return battery_v / height_fs / (1.0 + _lifting(calibration))


def _lifting(calibration: Calibration) -> float:
    tips = len(calibration.volts_per_full_scale)
    return tips * calibration.ground_lead_ratio if tips > 1 else 0.0


def _against_chassis(legs: list[TipTouch], calibration: Calibration | None) -> list[TipTouch]:
    """Add what the current of all tips makes at the resistor of the ground lead.

    The probe's ground stands at r (V_A + V_B), V being volts between tip and probe ground; the pair
    does not see it.
    """
    if calibration is None or not _lifting(calibration):
        return legs
    if all(leg.volts is None for leg in legs):
        return legs
    ratio = calibration.ground_lead_ratio
    known = [leg.volts.value for leg in legs if leg.volts is not None]
    lift_v = ratio * math.fsum(known)
    # Where all tips are at one voltage, as on the battery, a wrong r cancels.
    off = from_limits("ground lead", 1.0, RESISTOR_TOLERANCE * ratio * (max(known) - min(known)))
    out = []
    for leg in legs:
        volts = leg.volts
        if volts is not None:
            u = math.hypot(volts.u, expanded_uncertainty([off]))
            volts = Quantity(volts.value + lift_v, u, "V")
        out.append(replace(leg, volts=volts))
    return out


def _volts(step: Step, dc: DcScale, scale: float, tip: int, seen: bool) -> Quantity:
    """Return volts of a leg with everything that is uncertain about them."""
    value = step.height_fs * scale
    parts = [
        *_touch_parts(step, dc, scale, tip),
        Component("method", 1.0, METHOD * abs(value), "normal", None),
        from_limits("battery by the multimeter", 1.0, abs(value) * dc.tolerance_v / dc.battery_v),
        from_limits("drift since the calibration", 1.0, DRIFT_LIMIT * abs(value)),
    ]
    if not seen:
        parts.append(from_limits("touch not seen", 0.0, UNSEEN_SIGMAS * step.noise_fs * scale))
    return Quantity(value, expanded_uncertainty(parts), "V")


def _touch_parts(step: Step, dc: DcScale, scale: float, tip: int) -> list[Component]:
    """Return the noise of this touch, and that of the battery's with the coupling it gave.

    V = A(c) / A_cal V_battery: A_cal and the coefficients c come from one fit and vary together.
    """
    at = dc.tips[tip]
    slope = (-step.height_fs * scale / at.height_fs, *(scale * c for c in step.change))
    variance = math.fsum(
        a * b * at.covariance[i][j] for i, a in enumerate(slope) for j, b in enumerate(slope)
    )
    return [
        Component("noise of the touch", 1.0, scale * step.noise_fs, "normal", None),
        Component("battery's touch", 1.0, math.sqrt(max(variance, 0.0)), "normal", None),
    ]


def _pair(legs: list[TipTouch], calibration: Calibration | None) -> TipTouch:
    void = next((leg.void for leg in legs if leg.void is not None), None)
    volts = [leg.volts for leg in legs]
    steps = [leg.step for leg in legs]
    seen = all(leg.seen for leg in legs)
    a, b = volts
    if void is not None or calibration is None or calibration.dc is None or a is None or b is None:
        return TipTouch("pair", void, None, seen, None)
    dc, value = calibration.dc, a.value - b.value
    common = max(abs(a.value), abs(b.value))
    parts = [
        Component("method", 1.0, METHOD * abs(value), "normal", None),
        Component("method, common voltage", 1.0, METHOD_COMMON * common, "normal", None),
        from_limits("battery by the multimeter", 1.0, abs(value) * dc.tolerance_v / dc.battery_v),
        from_limits("drift since the calibration", 1.0, DRIFT_LIMIT * abs(value)),
        from_limits("ground lead", 1.0, RESISTOR_TOLERANCE * _lifting(calibration) * abs(value)),
    ]
    for n, (leg, step) in enumerate(zip(legs, steps, strict=True)):
        if step is None:
            continue
        scale = tip_scale_v(calibration, dc.battery_v, dc.tips[n].height_fs)
        parts += _touch_parts(step, dc, scale, n)
        if not leg.seen:
            parts.append(from_limits("touch not seen", 0.0, UNSEEN_SIGMAS * step.noise_fs * scale))
    return TipTouch("pair", None, Quantity(value, expanded_uncertainty(parts), "V"), seen, None)
