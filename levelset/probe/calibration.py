"""A calibration: full scale to volts at the tip, with its evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from levelset.probe.coupling import Coupling
from levelset.probe.dc_scale import DcScale
from levelset.probe.uncertainty import Component
from levelset.quantity import Quantity

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray


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
        Poles of the input's AC coupling as labelled, Hz; a coupling that was identified by a
        touch (``dc``) counts instead.
    max_volts : float
        Largest voltage the probe is stated for, V peak.
    meter_volts_rms : float
        What the multimeter read, V.
    evidence : tuple of int
        Sequence numbers of the journal lines it was made from.
    scale_budget : tuple of Component
        Where the uncertainty of ``volts_per_full_scale`` comes from, relative to it and common
        to all tips; empty where only the total is known.
    high_corner_hz : Quantity or None
        Corner of the probe's capacitor and cable, Hz, from its design; None where it is only
        known to be within the limits of a probe.
    ground_lead_ratio : float
        Resistor in the ground lead over the whole resistance of one tip; 0 without one.
    dc : DcScale or None
        DC scale and coupling by a touch of a battery; None until there was one.
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
    high_corner_hz: Quantity | None = None
    ground_lead_ratio: float = 0.0
    dc: DcScale | None = None

    @property
    def coupling(self) -> Coupling:
        """The input's AC coupling relative to the frequency of the calibration."""
        if self.dc is not None:
            return Coupling((), self.frequency_hz, self.dc.section)
        return Coupling(self.coupling_hz, self.frequency_hz)

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Return probe and input relative to the frequency of the calibration.

        Parameters
        ----------
        frequency_hz : array_like
            Frequencies, Hz, above 0.

        Returns
        -------
        ndarray of complex
            Coupling, and where its corner is known the probe's first-order low-pass,
            1 / (1 + jf / f_c).
        """
        import numpy as np

        response = self.coupling.response(frequency_hz)
        if self.high_corner_hz is not None:
            turn = 1j * np.asarray(frequency_hz, dtype=np.float64) / self.high_corner_hz.value
            response *= (1.0 + 1j * self.frequency_hz / self.high_corner_hz.value) / (1.0 + turn)
        return response
