"""A known voltage at the start and at the end of a job shows whether the scale held."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from levelset.errors import UsageError
from levelset.probe.budget import DRIFT_LIMIT
from levelset.probe.uncertainty import Component, expanded_uncertainty, from_limits, from_quantity
from levelset.quantity import Quantity
from levelset.units import ratio_from_db


@dataclass(frozen=True, slots=True)
class KnownVoltage:
    """The probe and a reference on the same two points.

    Parameters
    ----------
    amplitude_fs : Quantity
        What the probe read, peak in full scale; its uncertainty is that of noise and fit.
    reference_v_rms : float
        What the reference read or is, V.
    reference_digit_v : float
        Last digit of the reference, V; 0 where the same source stands for both checks.
    """

    amplitude_fs: Quantity
    reference_v_rms: float
    reference_digit_v: float


@dataclass(frozen=True, slots=True)
class EndCheck:
    """What the end of a job says about the readings since its start.

    Parameters
    ----------
    change_percent : Quantity
        Change of the probe's reading of the same voltage, %.
    confirmed : bool
        False where it is more than the drift that every budget allows for and its own
        uncertainty: then the readings between are unconfirmed.
    sentence : str
        The same for a person.
    """

    change_percent: Quantity
    confirmed: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class ProbeCheck:
    """The known voltage at the end of a job, all tips.

    Parameters
    ----------
    start_seq, end_seq : int
        Journal lines of both readings.
    tips : tuple of EndCheck
        One per tip.
    """

    start_seq: int
    end_seq: int
    tips: tuple[EndCheck, ...]

    @property
    def confirmed(self) -> bool:
        """True where the scale of every tip held."""
        return all(tip.confirmed for tip in self.tips)

    @property
    def sentence(self) -> str:
        """What the tip says that changed most."""
        return max(self.tips, key=lambda tip: abs(tip.change_percent.value)).sentence


def compare_levels(
    start_dbfs: Sequence[Quantity],
    start_v_rms: float,
    end_dbfs: Sequence[Quantity],
    end_v_rms: float,
    meter_digit_v: float,
) -> tuple[EndCheck, ...]:
    """Compare all tips on one point with the multimeter, at the start and at the end.

    Parameters
    ----------
    start_dbfs, end_dbfs : sequence of Quantity
        Level of each tip, dBFS.
    start_v_rms, end_v_rms : float
        What the multimeter read, V.
    meter_digit_v : float
        Its last digit, V.

    Returns
    -------
    tuple of EndCheck
        One per tip.

    Raises
    ------
    UsageError
        If the number of tips differs or there is no voltage to compare.
    """
    if len(start_dbfs) != len(end_dbfs):
        raise UsageError(
            f"the start was read with {len(start_dbfs)} tips, the end with {len(end_dbfs)}",
            "use the probe of the start",
        )
    return tuple(
        compare_known_voltage(
            KnownVoltage(_amplitude_fs(start), start_v_rms, meter_digit_v),
            KnownVoltage(_amplitude_fs(end), end_v_rms, meter_digit_v),
        )
        for start, end in zip(start_dbfs, end_dbfs, strict=True)
    )


def _amplitude_fs(level_dbfs: Quantity) -> Quantity:
    """Return the peak of a level: full scale is 0 dBFS (AES17), d a / a = ln 10 / 20 per dB."""
    amplitude = ratio_from_db(level_dbfs.value)
    return Quantity(amplitude, amplitude * level_dbfs.u * math.log(10.0) / 20.0, "FS")


def compare_known_voltage(start: KnownVoltage, end: KnownVoltage) -> EndCheck:
    """Compare the checks at start and end of a job.

    Parameters
    ----------
    start, end : KnownVoltage
        The checks; the meter's own error cancels, its last digit does not.

    Returns
    -------
    EndCheck
        Whether the scale held.

    Raises
    ------
    UsageError
        If a check has no voltage to compare.
    """
    for check, when in ((start, "start"), (end, "end")):
        volts, digit = check.reference_v_rms, check.reference_digit_v
        if not (math.isfinite(volts) and volts > 0.0 and check.amplitude_fs.value > 0.0):
            raise UsageError(
                f"the check at the {when} has no voltage ({volts:g} V)",
                "read a known voltage with probe and meter",
            )
        if not (math.isfinite(digit) and digit >= 0.0):
            raise UsageError(
                f"last digit of {digit:g} V at the {when} is out of range", "give 0 V or more"
            )
    ratio = (end.amplitude_fs.value / end.reference_v_rms) / (
        start.amplitude_fs.value / start.reference_v_rms
    )
    lines: list[Component] = []
    for check in (start, end):
        amplitude = check.amplitude_fs
        lines.append(from_quantity("noise", amplitude, sensitivity=1.0 / amplitude.value))
        half_digit = 0.5 * check.reference_digit_v / check.reference_v_rms
        lines.append(from_limits("last digit", 1.0, half_digit))
    u = expanded_uncertainty(lines)
    change = Quantity(100.0 * (ratio - 1.0), 100.0 * ratio * u, "%")
    confirmed = abs(change.value) <= 100.0 * DRIFT_LIMIT + change.u
    moved = f"The known voltage reads {change.text(signed=True)} against the start"
    sentence = (
        f"{moved}: the scale held."
        if confirmed
        else f"{moved}: the scale has moved, the readings between are unconfirmed. Look for a "
        "knocked gain knob or a loose tip, calibrate again and repeat them."
    )
    return EndCheck(change, confirmed, sentence)
