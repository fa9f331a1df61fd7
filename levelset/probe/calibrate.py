"""The scale of a probe from one touch of all tips and a multimeter on the same point."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Protocol

from levelset.errors import UsageError
from levelset.probe.calibration import Calibration
from levelset.probe.uncertainty import (
    Component,
    expanded_uncertainty,
    from_limits,
    from_quantity,
)
from levelset.quantity import Quantity
from levelset.units import SQRT2

if TYPE_CHECKING:
    from levelset.analysis.result import ToneResult
    from levelset.probe.reading import TipsReading

MAX_THD_PERCENT = 1.0
"""Above this a meter for sines only and a fit of the fundamental do not read the same."""
MAX_METER_TOLERANCE = 0.10
"""Largest tolerance of the meter, as a part of what it reads."""
DESIGN_TOLERANCE = 0.10
"""Largest difference to the design of the probe."""
TIPS_TOLERANCE = 0.05
"""Largest difference between tips that touch one point."""
RESISTOR_TOLERANCE = 0.05
"""Tolerance of the ground lead's resistor, as a ratio."""


class MeterLimits(Protocol):
    """Specification of a multimeter: +-(percent of reading + counts of the last digit)."""

    @property
    def percent(self) -> float:
        """Percent of the reading."""
        ...

    @property
    def counts(self) -> float:
        """Counts of the last digit."""
        ...

    @property
    def resolution_v(self) -> float:
        """Last digit on the range in use, V."""
        ...

    @property
    def frequency_hz(self) -> tuple[float, float] | None:
        """Lowest and highest frequency for which that holds, Hz; None where not known."""
        ...

    @property
    def true_rms(self) -> bool | None:
        """True for true RMS, False for sines only; None where not known."""
        ...


def meter_tolerance_v(meter: MeterLimits, volts: float) -> float:
    """Return the limits of error of a reading: +-(percent of reading + counts), V."""
    return abs(volts) * meter.percent / 100.0 + meter.counts * meter.resolution_v


def calibrate_from_common_touch(
    reading: TipsReading,
    meter_volts_rms: float,
    meter: MeterLimits,
    *,
    port_name: str,
    coupling_hz: tuple[float, ...],
    max_volts: float,
    design_volts_per_full_scale: float,
    name: str,
    evidence: tuple[int, ...],
    high_corner_hz: Quantity | None = None,
    ground_lead_ratio: float = 0.0,
) -> Calibration:
    """Return the calibration from one touch.

    Parameters
    ----------
    reading : TipsReading
        All tips on the point that the meter reads against the probe's ground, read without a
        calibration. The legs count; the pair is void or nothing here. With one tip, listen with
        ``output="line"``: the tip is the voltage.
    meter_volts_rms : float
        What the multimeter reads, V.
    meter : MeterLimits
        Its specification.
    port_name : str
        Device and input.
    coupling_hz : tuple of float
        Poles of the input's AC coupling, Hz.
    max_volts : float
        Largest voltage the probe is stated for, V peak.
    design_volts_per_full_scale : float
        What divider and interface should give, V peak per full scale.
    name : str
        Plain name.
    evidence : tuple of int
        Sequence numbers of the journal lines it is made from.
    high_corner_hz : Quantity or None
        Corner of the probe's capacitor and cable, Hz, from its design; None if not known.
    ground_lead_ratio : float
        Resistor in the ground lead over the whole resistance of one tip, 0 to 0.05; 0 without
        one.

    Returns
    -------
    Calibration
        With `scale_budget`, and with `match` where there are two tips.

    Raises
    ------
    UsageError
        If the comparison would not be honest: a void or distorted reading, a meter reading too
        small for its tolerance, tips that disagree, or a scale far from the design. A factor near
        2 or 0.5 is named as what it is.

    Notes
    -----
    Scale = meter reading * sqrt 2 / amplitude, at the frequency of the tone. The meter's limits
    are taken as rectangular (GUM 4.3.7, from memory).

    The currents of both tips meet in the ground lead: on one point they lift the probe's ground by
    2 r / (1 + 2 r) of the voltage, r the ground lead's ratio, and each tip reads that much less. In
    the difference of the tips the lift cancels, so the scale is divided by 1 + 2 r (Kirchhoff's
    laws). One tip lifts its ground alike in calibration and use and needs no correction.
    """
    _check_meter(meter_volts_rms, meter)
    if not 0.0 <= ground_lead_ratio <= 0.05:
        raise UsageError(
            f"ground lead of {ground_lead_ratio:g} times a tip's resistance is out of range",
            "give 0 to 0.05, or use larger resistors in the tips",
        )
    amplitudes = [_amplitude(leg.tone, "AB"[tip]) for tip, leg in enumerate(reading.legs)]
    if any(leg.volts_rms is not None for leg in reading.legs):
        raise UsageError(
            "the reading has a scale already", "read the tips again without a calibration"
        )
    if len(amplitudes) == 2:
        _check_common(reading.legs[0].tone, reading.legs[1].tone)
    lift = 2.0 * ground_lead_ratio if len(amplitudes) == 2 else 0.0
    scales = [meter_volts_rms * SQRT2 / amplitude.value / (1.0 + lift) for amplitude in amplitudes]
    _check_design(scales, design_volts_per_full_scale, one_tip=len(scales) == 1)

    tone = reading.legs[0].tone
    assert tone.frequency_hz is not None
    _check_range(meter, tone.frequency_hz.value)
    common = _common_components(meter_volts_rms, meter, reading, lift)
    return Calibration(
        name=name,
        port_name=port_name,
        rate_hz=reading.frames.rate_hz,
        frequency_hz=tone.frequency_hz.value,
        volts_per_full_scale=tuple(
            Quantity(scale, scale * expanded_uncertainty((*common, _noise(amplitude))), "V")
            for scale, amplitude in zip(scales, amplitudes, strict=True)
        ),
        match=_match(amplitudes[0], amplitudes[1]) if len(amplitudes) == 2 else None,
        coupling_hz=tuple(coupling_hz),
        max_volts=max_volts,
        meter_volts_rms=meter_volts_rms,
        evidence=tuple(evidence),
        scale_budget=(*common, _noise(amplitudes[0])),
        high_corner_hz=high_corner_hz,
        ground_lead_ratio=ground_lead_ratio,
    )


def _common_components(
    volts: float, meter: MeterLimits, reading: TipsReading, lift: float
) -> tuple[Component, ...]:
    relative = meter_tolerance_v(meter, volts) / volts
    # The scale is the fundamental's. A meter of true RMS reads THD**2 / 2 more than that; one that
    # averages is off by at most a third of the third harmonic, which also bounds an unknown one.
    thd = max(leg.tone.thd_percent.value for leg in reading.legs if leg.tone.thd_percent) / 100.0
    waveform = thd * thd / 2.0 if meter.true_rms else thd / 3.0
    return (
        from_limits("multimeter", 1.0, relative),
        from_limits("last digit of the meter", 1.0, 0.5 * meter.resolution_v / volts),
        from_limits("waveform at calibration", 1.0, waveform),
        from_limits("ground lead at calibration", 1.0, RESISTOR_TOLERANCE * lift),
    )


def _noise(amplitude: Quantity) -> Component:
    return from_quantity("noise at calibration", amplitude, sensitivity=1.0 / amplitude.value)


def _match(a: Quantity, b: Quantity) -> Quantity:
    """Scale of tip B over tip A: both read one voltage, so the meter cancels."""
    ratio = a.value / b.value
    return Quantity(ratio, ratio * math.hypot(a.u / a.value, b.u / b.value), "")


def _check_meter(volts: float, meter: MeterLimits) -> None:
    if not (math.isfinite(volts) and volts > 0.0):
        raise UsageError(f"the multimeter reads {volts:g} V", "type the AC volts it shows, above 0")
    for value in (meter.percent, meter.counts, meter.resolution_v):
        if not (math.isfinite(value) and value >= 0.0):
            raise UsageError(
                f"the multimeter's specification has a value of {value:g}",
                "give percent, counts and resolution from its manual, not negative",
            )
    tolerance = meter_tolerance_v(meter, volts) / volts
    if tolerance > MAX_METER_TOLERANCE:
        raise UsageError(
            f"the multimeter is only good to {100.0 * tolerance:.1f} % at {volts:g} V, "
            f"{100.0 * MAX_METER_TOLERANCE:g} % is the limit",
            "turn the source up or use a smaller range of the meter",
        )


def _check_range(meter: MeterLimits, tone_hz: float) -> None:
    if meter.frequency_hz is None:
        return
    low, high = meter.frequency_hz
    if not low <= tone_hz <= high:
        raise UsageError(
            f"the tone of {tone_hz:.1f} Hz is outside the multimeter's range, "
            f"{low:g} to {high:g} Hz",
            "use the calibration tone near 100 Hz, or a meter that is specified there",
        )


def _amplitude(tone: ToneResult, tip: str) -> Quantity:
    if tone.void is not None:
        raise UsageError(f"the reading of tip {tip} is void ({tone.void.code})", tone.void.reason)
    if tone.amplitude_fs is None or tone.thd_percent is None or not tone.amplitude_fs.value > 0.0:
        raise UsageError(f"the reading of tip {tip} has no tone", "play the calibration tone")
    if tone.thd_percent.value > MAX_THD_PERCENT:
        raise UsageError(
            f"the tone at tip {tip} has {tone.thd_percent.value:.2g} % THD, "
            f"{MAX_THD_PERCENT:g} % is the limit for a comparison with a meter",
            "turn the source down until it is clean",
        )
    return tone.amplitude_fs


def _check_common(a: ToneResult, b: ToneResult) -> None:
    assert a.amplitude_fs is not None
    assert b.amplitude_fs is not None
    assert a.phase_rad is not None
    assert b.phase_rad is not None
    if math.cos(a.phase_rad - b.phase_rad) < 0.0:
        raise UsageError(
            "the tips read opposite voltages: they are on both legs, not on one point",
            "put both tips and the meter on the same point",
        )
    ratio = b.amplitude_fs.value / a.amplitude_fs.value
    if abs(math.log(ratio)) > math.log1p(TIPS_TOLERANCE):
        low = "B" if ratio < 1.0 else "A"
        percent = 100.0 * abs(min(ratio, 1.0 / ratio) - 1.0)
        raise UsageError(
            f"tip {low} reads {percent:.0f} % less than the other on the same point, "
            f"{100.0 * TIPS_TOLERANCE:g} % is the limit",
            f"press tip {low} on again; if it stays, check its resistors",
        )


def _check_design(scales: list[float], design: float, *, one_tip: bool) -> None:
    if not (math.isfinite(design) and design > 0.0):
        raise UsageError(
            f"the design scale is {design:g} V", "give divider and full scale of the interface"
        )
    for scale in scales:
        ratio = scale / design
        if abs(ratio - 1.0) <= DESIGN_TOLERANCE:
            continue
        found = (
            f"the scale is {ratio:.3g} times the design, {scale:.4g} V instead of {design:.4g} V"
        )
        if abs(ratio / 2.0 - 1.0) <= DESIGN_TOLERANCE:
            raise UsageError(
                f"{found}: the meter reads the pair and the tips one leg",
                "put the meter's black lead on the probe's ground, its red lead on the tips' point",
            )
        if abs(ratio / 0.5 - 1.0) <= DESIGN_TOLERANCE:
            raise UsageError(
                f"{found}: the meter reads one leg and the {'tip' if one_tip else 'tips'} twice "
                "that",
                "put meter and tips on the same two points; check that the input is not a "
                "balanced one, or bridged by a switch",
            )
        raise UsageError(
            found,
            "check divider, input, gain position and pad of the interface, and the meter's range "
            f"(more than {100.0 * DESIGN_TOLERANCE:g} % is not a tolerance of resistors)",
        )
