"""A number typed with dirty hands: digits, comma or point, and a plain word when it cannot be."""

from __future__ import annotations

from dataclasses import dataclass, replace

from levelset.tui.renderables.wording import number

LONGEST = 12


@dataclass(frozen=True, slots=True)
class Entry:
    """What has been typed so far.

    Parameters
    ----------
    low, high : float or None
        Inclusive bounds.
    unit : str
        Unit of the number.
    text : str
        The characters typed, with a point as the decimal sign.
    error : str
        Why the last attempt did not count; empty when nothing was wrong.
    """

    low: float | None
    high: float | None
    unit: str = ""
    text: str = ""
    error: str = ""

    def typed(self, character: str) -> Entry:
        """Return the entry with one more character; what is no part of a number is ignored."""
        character = "." if character == "," else character
        fits = (
            character.isascii()
            and (character.isdigit() or character in {".", "-"})
            and not (character == "." and "." in self.text)
            and not (character == "-" and self.text)
            and len(self.text) < LONGEST
        )
        return replace(self, text=self.text + character, error="") if fits else self

    def erased(self) -> Entry:
        """Return the entry without its last character."""
        return replace(self, text=self.text[:-1], error="")

    def value(self) -> float | str:
        """Return the number, or one sentence that says what is wrong with it."""
        try:
            value = float(self.text)
        except ValueError:
            return f"Type a number{self._range()}, then press enter."
        if self.low is not None and value < self.low:
            return f"{self._with_unit(value)} is too low: type a number{self._range()}."
        if self.high is not None and value > self.high:
            return f"{self._with_unit(value)} is too high: type a number{self._range()}."
        return value

    def refused(self, error: str) -> Entry:
        """Return the entry with the reason why it did not count."""
        return replace(self, error=error)

    def line(self) -> str:
        """Return the line that shows it."""
        return (
            f"> {self.text}_ {self.unit}{f'   ({self._range().strip()})' if self._range() else ''}"
        )

    def _with_unit(self, value: float) -> str:
        return f"{number(value)} {self.unit}".strip()

    def _range(self) -> str:
        if self.low is not None and self.high is not None:
            return f" from {number(self.low)} to {self._with_unit(self.high)}"
        if self.low is not None:
            return f" of at least {self._with_unit(self.low)}"
        if self.high is not None:
            return f" of at most {self._with_unit(self.high)}"
        return ""
