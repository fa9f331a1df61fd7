"""A stored reading as numbers again: its output, its budget."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from levelset.analysis.result import ToneResult
from levelset.probe.budget import voltage_budget
from levelset.quantity import Quantity
from levelset.record.schema import ReadingData, quantity_from
from levelset.units import ratio_from_db

if TYPE_CHECKING:
    from levelset.probe.calibration import Calibration
    from levelset.probe.uncertainty import Component

NEPER_DB = 8.685889638
"""20 / ln 10: decibels of a small relative change."""


def output_of(reading: ReadingData) -> dict[str, Any]:
    """Return the voltage of the output itself: the pair, or with one tip the leg."""
    pair = next((r for r in reading.readings if r.get("channel") == "pair"), None)
    if pair is not None:
        return pair
    return reading.readings[0] if reading.readings else {}


def volts_of(reading: ReadingData) -> Quantity | None:
    """Return the fundamental of the output, V RMS; None where it is void or not scaled."""
    return quantity_from(output_of(reading).get("volts_rms"), "V")


def stored_budget(
    reading: ReadingData, calibration: Calibration | None
) -> tuple[Component, ...] | None:
    """Return what makes up the uncertainty of a stored voltage, from the record alone.

    Parameters
    ----------
    reading : ReadingData
        An accepted reading.
    calibration : Calibration or None
        The one it was made with.

    Returns
    -------
    tuple of Component or None
        Relative to the voltage; None for a void reading or one without a calibration.
    """
    output = output_of(reading)
    frequency_hz = quantity_from(output.get("frequency_hz"), "Hz")
    level = quantity_from(output.get("level_dbfs"), "dBFS")
    if calibration is None or frequency_hz is None or level is None:
        return None
    amplitude = ratio_from_db(level.value)
    tone = ToneResult(
        None,
        frequency_hz=frequency_hz,
        amplitude_fs=Quantity(amplitude, amplitude * level.u / NEPER_DB, "FS"),
    )
    return voltage_budget(
        calibration, tone, reading.spec.output if output.get("channel") == "pair" else None
    )
