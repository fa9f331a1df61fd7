"""A calibration: full scale to volts at the tip, with its evidence."""

from __future__ import annotations

from dataclasses import dataclass

from levelset.probe.coupling import Coupling
from levelset.probe.uncertainty import Component
from levelset.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Calibration:
    """Scale of every tip of one interface, input, rate, probe and range.

    Parameters
    ----------
    name : str
        Plain name.
    port_name : str
        Device and input it belongs to.
    rate_hz : int
        Sample rate it was made at, Hz.
    frequency_hz : float
        Frequency it was made at, Hz.
    volts_per_full_scale : tuple of Quantity
        Peak volts at the tip per full scale at ``frequency_hz``, one per tip, V.
    match : Quantity or None
        Scale of tip B over tip A from a common touch; the meter is not in its uncertainty.
    coupling_hz : tuple of float
        Poles of the input's AC coupling, Hz.
    max_volts : float
        Largest voltage the probe is stated for, V peak.
    meter_volts_rms : float
        What the multimeter read, V.
    evidence : tuple of int
        Sequence numbers of the journal lines it was made from.
    scale_budget : tuple of Component
        Where the uncertainty of ``volts_per_full_scale`` comes from, relative to it and common
        to all tips; empty where only the total is known.
    """

    name: str
    port_name: str
    rate_hz: int
    frequency_hz: float
    volts_per_full_scale: tuple[Quantity, ...]
    match: Quantity | None
    coupling_hz: tuple[float, ...]
    max_volts: float
    meter_volts_rms: float
    evidence: tuple[int, ...]
    scale_budget: tuple[Component, ...] = ()

    @property
    def coupling(self) -> Coupling:
        """The input's AC coupling relative to the frequency of the calibration."""
        return Coupling(self.coupling_hz, self.frequency_hz)
