"""A measured number: value, unit and 95 % expanded uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number that a person will act on.

    Parameters
    ----------
    value : float
        Best estimate, finite.
    u : float
        Expanded uncertainty for 95 % coverage, in the same unit, not negative.
    unit : str
        Unit symbol (``"V"``, ``"Hz"``, ``"dB"``, ``"%"``, ``"FS"``, ``"W"``; empty for a ratio).

    Raises
    ------
    ValueError
        If a number is not finite or the uncertainty is negative.
    """

    value: float
    u: float
    unit: str

    def __post_init__(self) -> None:
        # numpy scalars are floats to Python but not to a strict serialiser.
        object.__setattr__(self, "value", float(self.value))
        object.__setattr__(self, "u", float(self.u))
        if not (math.isfinite(self.value) and math.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(f"not a quantity: {self.value} +- {self.u} {self.unit}")

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        return self.value - self.u

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self.value + self.u

    def scaled(self, factor: float, unit: str) -> Quantity:
        """Return the quantity times an exact factor, in another unit."""
        return Quantity(self.value * factor, self.u * abs(factor), unit)

    def text(self, *, signed: bool = False, finest: int = 6) -> str:
        """Return value and uncertainty for a person: the uncertainty with two digits.

        Volts below 1 V are shown in mV. At most ``finest`` decimals, six or fewer: an uncertainty
        below the last one is shown as that; with ``signed`` a plus is shown.
        """
        if self.unit == "V" and abs(self.value) + self.u < 1.0:
            return self.scaled(1e3, "mV").text(signed=signed, finest=finest)
        places = finest
        if self.u >= 1e-6:
            places = min(finest, max(0, 1 - math.floor(math.log10(self.u))))
        # Adding 0.0 takes the sign from a zero.
        value = round(self.value, places) + 0.0
        sign = "+" if signed and value > 0.0 else ""
        u = max(self.u, 10.0**-finest)
        return f"{sign}{value:.{places}f} ± {u:.{places}f} {self.unit}".rstrip()

    def as_json(self) -> dict[str, float]:
        """Return ``{"value": ..., "u": ...}``, the form in every file and output."""
        return {"value": self.value, "u": self.u}
