"""The simulated multimeter."""

from __future__ import annotations


def displayed(
    true_value: float, percent: float, counts: float, resolution_v: float, error: float
) -> float:
    """Return what a multimeter shows.

    Parameters
    ----------
    true_value : float
        True voltage, V (for AC the RMS of all but the mean).
    percent, counts : float
        Limits of error: +-(percent of reading + counts of the last digit).
    resolution_v : float
        Last digit, V.
    error : float
        The meter's own error as a part of these limits, -1 to 1.

    Returns
    -------
    float
        Reading, V, a whole number of last digits.
    """
    tolerance_v = abs(true_value) * percent / 100.0 + counts * resolution_v
    shown_v = true_value + error * tolerance_v
    # The last rounding only removes what binary arithmetic adds behind the last digit.
    return round(round(shown_v / resolution_v) * resolution_v, 9)
