"""Where the uncertainty of a voltage comes from, line by line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from levelset.probe.uncertainty import (
    K95,
    Component,
    expanded_uncertainty,
    from_limits,
    from_quantity,
)
from levelset.quantity import Quantity
from levelset.units import SQRT2

if TYPE_CHECKING:
    from levelset.probe.calibration import Calibration

POLE_TOLERANCE = 0.1
"""How well a coupling pole is known, as a ratio (common practice, no source)."""
HIGH_SIDE_HZ = 60_000.0
"""Lowest corner that the probe's capacitor and cable may make, Hz."""


def voltage_budget(
    calibration: Calibration, *, amplitude_fs: Quantity, frequency_hz: float, share_of_b: float
) -> tuple[Component, ...]:
    """Return what makes up the uncertainty of a voltage, each relative to the voltage.

    Parameters
    ----------
    calibration : Calibration
        What the scale came from.
    amplitude_fs : Quantity
        Peak of the tone as it was read, full scale, above 0.
    frequency_hz : float
        Its frequency, Hz.
    share_of_b : float
        Amplitude of tip B over that of the pair, 0 for a leg alone. The scale of both tips comes
        from one touch, so only their match acts, and only on this share.

    Returns
    -------
    tuple of Component
        Meter (or scale), input coupling, high side, match of tips, noise and fit. Every
        ``contribution`` is a ratio.
    """
    scale = calibration.volts_per_full_scale[0]
    parts = list(calibration.scale_budget) or [
        from_quantity("scale", scale, sensitivity=1.0 / scale.value)
    ]
    # One way to name a relative error of each pole that is common to all of them.
    coupling = sum(abs(s) for s in calibration.coupling.log_sensitivity(frequency_hz))
    if coupling > 0.0:
        parts.append(
            from_limits("input coupling", 1.0, POLE_TOLERANCE, sensitivity=coupling),
        )
    parts.append(
        from_limits("high side of the probe", 1.0, _high_side(calibration, frequency_hz)),
    )
    if calibration.match is not None and share_of_b > 0.0:
        match = calibration.match
        parts.append(from_quantity("match of tips", match, sensitivity=share_of_b / match.value))
    parts.append(from_quantity("noise and fit", amplitude_fs, sensitivity=1.0 / amplitude_fs.value))
    return tuple(parts)


def volts_rms(amplitude_fs: Quantity, scale_v: float, budget: tuple[Component, ...]) -> Quantity:
    """Return a voltage with the 95 % uncertainty of its budget.

    Parameters
    ----------
    amplitude_fs : Quantity
        Peak, full scale (for the total: sqrt 2 times the RMS).
    scale_v : float
        Peak volts at the tip per full scale, V.
    budget : tuple of Component
        Relative to the voltage.
    """
    value = amplitude_fs.value * scale_v / SQRT2
    return Quantity(value, abs(value) * expanded_uncertainty(budget), "V")


def comparison_uncertainty(budget: tuple[Component, ...]) -> float:
    """Return the relative 95 % uncertainty of a comparison of two readings of one set-up.

    Only noise and fit differ between them, in both.
    """
    own = [c for c in budget if c.name == "noise and fit"]
    return math.sqrt(2.0) * K95 * math.sqrt(sum(c.contribution**2 for c in own))


def _high_side(calibration: Calibration, frequency_hz: float) -> float:
    """Largest relative difference that a low-pass can make between calibration and reading."""

    def loss(at_hz: float) -> float:
        return 0.5 * math.log1p((at_hz / HIGH_SIDE_HZ) ** 2)

    return abs(loss(frequency_hz) - loss(calibration.frequency_hz))
