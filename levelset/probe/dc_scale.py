"""What a touch of a battery says about the input: DC scale and coupling of every tip."""

from __future__ import annotations

import math
from dataclasses import dataclass

from levelset.probe.uncertainty import K95
from levelset.quantity import Quantity
from levelset.units import DB_PER_NEPER

Matrix = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class DcTip:
    """One tip.

    Parameters
    ----------
    height_fs : float
        Step that the battery made at the input of the coupling, full scale.
    coefficients : tuple of float
        c1, c2, ... of the coupling (see `levelset.probe.coupling`); empty where DC coupled.
    covariance : tuple of tuple of float
        Of height and coefficients together.
    """

    height_fs: float
    coefficients: tuple[float, ...]
    covariance: Matrix


@dataclass(frozen=True, slots=True)
class DcScale:
    """Both tips on a battery that the multimeter read.

    Parameters
    ----------
    battery_v : float
        What the multimeter read, V.
    tolerance_v : float
        Its limits of error there, +- V.
    tips : tuple of DcTip
        One per tip.
    evidence : int
        Journal line of the touch; 0 where it stands in the store of calibrations.
    """

    battery_v: float
    tolerance_v: float
    tips: tuple[DcTip, ...]
    evidence: int

    @property
    def dc_coupled(self) -> bool:
        """True where the input passes DC."""
        return all(not tip.coefficients for tip in self.tips)

    @property
    def section(self) -> tuple[float, ...]:
        """Mean of the tips' couplings, for what is read of both alike."""
        columns = zip(*(self._padded(tip) for tip in self.tips), strict=True)
        return tuple(math.fsum(column) / len(self.tips) for column in columns)

    def section_uncertainty(self, sensitivity: tuple[float, ...]) -> float:
        """Return the standard uncertainty of what depends on the section like this.

        The noise of the touch, and half of what the tips differ by.
        """
        squares = []
        for tip in self.tips:
            known = range(len(tip.coefficients))
            squares.append(
                math.fsum(
                    sensitivity[i] * sensitivity[j] * tip.covariance[i + 1][j + 1]
                    for i in known
                    for j in known
                )
            )
        mean = self.section
        apart = max(
            abs(math.fsum(s * (c - m) for s, c, m in zip(sensitivity, row, mean, strict=True)))
            for row in map(self._padded, self.tips)
        )
        return math.sqrt(max(squares) + apart**2)

    @property
    def rejection_db(self) -> Quantity | None:
        """How far a voltage common to both tips is suppressed before the match is corrected.

        20 lg(1 / |1 - match|), match = height at tip B over that at tip A.
        """
        if len(self.tips) < 2:
            return None
        a, b = self.tips
        match = b.height_fs / a.height_fs
        u = K95 * math.hypot(*(math.sqrt(tip.covariance[0][0]) / tip.height_fs for tip in (a, b)))
        off = max(abs(1.0 - match), 1e-9)
        return Quantity(-20.0 * math.log10(off), DB_PER_NEPER * u / off, "dB")

    def _padded(self, tip: DcTip) -> tuple[float, ...]:
        order = max(len(one.coefficients) for one in self.tips)
        return (*tip.coefficients, *(0.0 for _ in range(order - len(tip.coefficients))))
