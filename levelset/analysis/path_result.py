"""What a path can be trusted for, and one line a channel that says so."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from levelset.analysis.path_finding import Finding, FindingCode
    from levelset.quantity import Quantity


@dataclass(frozen=True, slots=True)
class ChannelTrust:
    """What one input channel can be trusted for.

    Parameters
    ----------
    channel : int
        From 1.
    heard : bool
        False where nothing of the tone came; the rest is empty then.
    findings : tuple of Finding
        What is wrong, the gravest first.
    tracking_db : Quantity or None
        How far the step of 10 dB is off, dB.
    return_db : Quantity or None
        Level after the return against before, dB.
    sag_db : float or None
        Slow fall within the long stretch, dB; 0 within what noise explains or 0.1 dB.
    clock_ppm : Quantity or None
        Frequency against what was played, parts in a million.
    noise_dbfs : float or None
        RMS of all but the tone and its harmonics, 20 Hz to 20 kHz, so that a full-scale sine
        is 0.
    bits : int
        Word length of the codes.
    noise_bits : float or None
        Bits that the noise leaves.
    trusted_percent : float or None
        To how much volts can be trusted, as far as the path goes, %; None where they cannot.
    floor_fs : float or None
        Peak of the lowest tone that is read to this, full scale.
    floor_volts_rms : float or None
        The same in volts; None without a calibration.
    """

    channel: int
    heard: bool
    findings: tuple[Finding, ...] = ()
    tracking_db: Quantity | None = None
    return_db: Quantity | None = None
    sag_db: float | None = None
    clock_ppm: Quantity | None = None
    noise_dbfs: float | None = None
    bits: int = 0
    noise_bits: float | None = None
    trusted_percent: float | None = None
    floor_fs: float | None = None
    floor_volts_rms: float | None = None

    @property
    def line(self) -> str:
        """One line for a person: what it can be trusted for."""
        name = f"Input {self.channel}"
        if not self.heard:
            return f"{name} was not checked: nothing of the tone came."
        grave = [finding for finding in self.findings if finding.grave]
        if grave or self.trusted_percent is None:
            reason = grave[0].sentence if grave else "its noise could not be told from the tone."
            return f"{name} cannot be trusted for volts. {reason}"
        floor = ""
        if self.floor_volts_rms is not None:
            floor = f", not below {_volts(self.floor_volts_rms)}"
        elif self.floor_fs is not None:
            floor = f", not below {db_from_ratio(self.floor_fs):.0f} dBFS (not calibrated yet)"
        return f"{name} can be trusted for volts to {self.trusted_percent:g} %{floor}; DC: by touch"


@dataclass(frozen=True, slots=True)
class PathTrust:
    """What a path can be trusted for.

    Parameters
    ----------
    channels : tuple of ChannelTrust
        Each input channel.
    left_only_db : float or None
        Right over left while left alone plays, dB; None where it was not checked.
    """

    channels: tuple[ChannelTrust, ...]
    left_only_db: float | None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is wrong anywhere, each code once."""
        first: dict[FindingCode, Finding] = {}
        for channel in self.channels:
            for finding in channel.findings:
                first.setdefault(finding.code, finding)
        return tuple(sorted(first.values(), key=lambda finding: not finding.grave))

    @property
    def trusted(self) -> bool:
        """True where at least one channel was heard and nothing grave was found."""
        heard = any(channel.heard for channel in self.channels)
        return heard and not any(finding.grave for finding in self.findings)


def _volts(value_v: float) -> str:
    """Return a voltage with two digits, in V, mV or uV."""
    for factor, unit in ((1.0, "V"), (1e3, "mV")):
        if value_v * factor >= 1.0:
            return f"{float(f'{value_v * factor:.2g}'):g} {unit}"
    return f"{float(f'{value_v * 1e6:.2g}'):g} uV"
