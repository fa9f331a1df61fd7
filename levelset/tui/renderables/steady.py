"""Texts that stay long enough to be read, though the numbers in them change at every look."""

from __future__ import annotations

import re

HOLD_S = 2.0
_NUMBER = re.compile(r"\d+(\.\d+)?")


def alike(one: str, other: str) -> bool:
    """Return whether two texts say the same but for their numbers."""
    return _NUMBER.sub("#", one) == _NUMBER.sub("#", other)


class SteadyText:
    """Shows a text, and another with only other numbers no sooner than after ``HOLD_S``."""

    def __init__(self) -> None:
        self._text = ""
        self._since_s = 0.0

    def shown(self, text: str, now_s: float) -> str:
        """Return what is shown now.

        Parameters
        ----------
        text : str
            The newest text.
        now_s : float
            Time, s.
        """
        if text != self._text and not (alike(text, self._text) and now_s - self._since_s < HOLD_S):
            self._text, self._since_s = text, now_s
        return self._text
