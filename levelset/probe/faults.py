"""Why what the tips bring cannot be read with a calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.analysis.result import Void

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.probe.calibration import Calibration

TIPS = "AB"


def rate_void(rate_hz: int, calibration: Calibration) -> Void | None:
    """Return why an input at this rate, Hz, does not fit the calibration, or None."""
    if calibration.rate_hz == rate_hz:
        return None
    return Void(
        "setup_changed",
        f"The input runs at {rate_hz} Hz, calibration {calibration.name} was made at "
        f"{calibration.rate_hz} Hz: set the rate back or calibrate again.",
    )


def limit_void(peak: float, tip: int, calibration: Calibration) -> Void | None:
    """Return why a tip with this peak, full scale, carries more than its probe is stated for."""
    peak_v = peak * calibration.volts_per_full_scale[tip].value
    if peak_v <= calibration.max_volts:
        return None
    return Void(
        "probe_limit",
        f"Tip {TIPS[tip]} carries {peak_v:.1f} V peak, its resistors are stated for "
        f"{calibration.max_volts:g} V: take it off and turn down, or use a probe for more.",
    )


def peak_fs(samples: NDArray[np.float64]) -> float:
    """Return the largest magnitude, full scale."""
    return float(max(samples.max(), -samples.min()))
