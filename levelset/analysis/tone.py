"""One window of one signal: samples in, a complete reading in full scale out."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from levelset.analysis.distortion import (
    BAND_LOW_HZ,
    band,
    counted_harmonics,
)
from levelset.analysis.fit import (
    COUNTED,
    FOLLOWED_SHARE,
    HarmonicFit,
    any_line,
    fit_tone,
    hann_magnitude,
    highest_line,
)
from levelset.analysis.fitted import FittedTone, Response
from levelset.analysis.health import basic_void, peak_dbfs
from levelset.analysis.hum import separate
from levelset.analysis.projection import Folded, fold
from levelset.analysis.result import ToneResult, Void

FEWEST_PERIODS = 3.0
EXPECTED_TOLERANCE = 0.02
EXPECTED_BINS = 2.0
_TURN = 2.0 * math.pi


def read_tone(
    samples: NDArray[np.float64],
    rate_hz: float,
    *,
    limit_percent: float,
    expected_hz: float | None,
    start_hz: float | None = None,
    response: Response | None = None,
    with_picture: bool = False,
) -> ToneResult:
    """Read level, frequency, distortion and shape of the tone in one window.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel, or the difference of two, full scale = 1.
    rate_hz : float
        Sample rate, Hz, above 0.
    limit_percent : float
        THD above which the signal is not clean, %, above 0.
    expected_hz : float or None
        Frequency that the tone should have, Hz; None reads the strongest.
    start_hz : float or None
        Frequency found in the window before, Hz; saves the search where it still holds.
    response : callable or None
        Transfer of the input relative to the calibration frequency; every amplitude is divided
        by it. None for a flat input.
    with_picture : bool
        Whether to add the two curves.

    Returns
    -------
    ToneResult
        Void, with the reason, where the window holds no steady tone of at least 3 periods and
        20 ms.

    Raises
    ------
    ValueError
        If `samples` does not have one dimension, or the rate, limit or a frequency is not above
        0.
    """
    if samples.ndim != 1:
        raise ValueError(f"samples need the shape (frames,), got {samples.shape}")
    for name, number in (
        ("rate_hz", rate_hz),
        ("limit_percent", limit_percent),
        ("expected_hz", expected_hz),
        ("start_hz", start_hz),
    ):
        if number is not None and not (math.isfinite(number) and number > 0.0):
            raise ValueError(f"{name} must be above 0, got {number}")
    samples = np.ascontiguousarray(samples, dtype=np.float64)

    void = basic_void(samples, rate_hz)
    if void is not None:
        return ToneResult(void, peak_dbfs=peak_dbfs(samples), band_hz=band(rate_hz))
    window = fold(samples)
    found = _find(samples, window, rate_hz, expected_hz, start_hz)
    if isinstance(found, Void):
        return ToneResult(found, peak_dbfs=peak_dbfs(samples), band_hz=band(rate_hz))
    frequency_hz = found.w * rate_hz / _TURN
    parts = separate(
        samples, window.cut, found, rate_hz, counted_harmonics(frequency_hz, rate_hz, COUNTED)
    )
    fitted = FittedTone.of(samples, rate_hz, parts, response)
    return fitted.reading(samples, limit_percent, fitted.shape, with_picture=with_picture)


def _find(
    samples: NDArray[np.float64],
    window: Folded,
    rate_hz: float,
    expected_hz: float | None,
    start_hz: float | None,
) -> HarmonicFit | Void:
    """Return the fit of the strongest line, or why it is not the tone."""
    n = samples.size
    bin_hz = rate_hz / n
    if expected_hz is not None and expected_hz < FEWEST_PERIODS * bin_hz * (1.0 - 2e-3):
        return _too_few(n / rate_hz, expected_hz)
    if start_hz is not None and FEWEST_PERIODS * bin_hz <= start_hz < 0.49 * rate_hz:
        fit = fit_tone(window, _TURN * start_hz / rate_hz, refit=True)
        alternating = window.energy - window.total**2 / n
        if still_the_tone(fit, _TURN * start_hz / rate_hz, alternating, n):
            void = wrong_frequency(fit.w * rate_hz / _TURN, expected_hz, bin_hz)
            return fit if void is None else void
    magnitude = hann_magnitude(samples)
    start_w = highest_line(magnitude, n)
    found_hz = start_w * rate_hz / _TURN
    void = wrong_frequency(found_hz, expected_hz, bin_hz)
    if void is not None:
        return void if expected_hz is None or any_line(magnitude) else _only_noise(expected_hz)
    if found_hz < (FEWEST_PERIODS - 0.3) * bin_hz:
        if expected_hz is None and n / rate_hz > FEWEST_PERIODS / BAND_LOW_HZ:
            return Void(
                "no_tone",
                f"The strongest part of the signal moves slowly, at about {found_hz:.1f} Hz: hold "
                "the probe still until the input has settled, and play the set tone.",
            )
        return _too_low(n / rate_hz, found_hz, expected_hz)
    fit = fit_tone(window, start_w, refit=False)
    frequency_hz = fit.w * rate_hz / _TURN
    if frequency_hz < FEWEST_PERIODS * bin_hz * (1.0 - 2e-3):
        return _too_low(n / rate_hz, frequency_hz, expected_hz)
    if not (frequency_hz < 0.5 * rate_hz - 2.0 * bin_hz and math.isfinite(fit.var_w_ratio)):
        return Void(
            "no_tone",
            f"The strongest line is at {found_hz:.0f} Hz, the end of what {rate_hz:.0f} samples a "
            "second can hold: play the set tone, or use a higher sample rate.",
        )
    return fit


def still_the_tone(fit: HarmonicFit, started_w: float, alternating: float, n: int) -> bool:
    """Return whether a fit that started at the last window's frequency has found that tone.

    Parameters
    ----------
    fit : HarmonicFit
        The fit.
    started_w : float
        Where it started, rad per sample.
    alternating : float
        Sum of squares of the window about its mean.
    n : int
        Samples of the window.
    """
    sizes = np.abs(fit.phasors)
    return bool(
        abs(fit.w - started_w) < 0.5 * _TURN / n
        and fit.residual_energy < FOLLOWED_SHARE * alternating
        and sizes.max() == sizes[0]
    )


def _only_noise(expected_hz: float) -> Void:
    return Void(
        "no_tone",
        f"Nothing but noise is heard: play the {expected_hz:.1f} Hz tone, or raise its level.",
    )


def _too_few(window_s: float, frequency_hz: float) -> Void:
    return Void(
        "too_short",
        f"The window of {1e3 * window_s:.0f} ms holds fewer than three periods of "
        f"{frequency_hz:.1f} Hz: use a longer window or a higher tone.",
    )


def _too_low(window_s: float, found_hz: float, expected_hz: float | None) -> Void:
    """Say that the window is too short, or that it is not the tone that the window suits."""
    return _too_few(window_s, found_hz) if expected_hz is None else _other(found_hz, expected_hz)


def wrong_frequency(found_hz: float, expected_hz: float | None, bin_hz: float) -> Void | None:
    """Return why a frequency is not that of the expected tone, or None; bin of the window."""
    if expected_hz is None:
        return None
    allowed_hz = max(EXPECTED_TOLERANCE * expected_hz, EXPECTED_BINS * bin_hz)
    if abs(found_hz - expected_hz) <= allowed_hz:
        return None
    return _other(found_hz, expected_hz)


def _other(found_hz: float, expected_hz: float) -> Void:
    return Void(
        "no_tone",
        f"The strongest line is at {found_hz:.1f} Hz, not at the {expected_hz:.1f} Hz of the "
        "tone: play the right tone, or raise its level.",
    )
