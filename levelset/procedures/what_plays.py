"""What is heard where a tone does not come: music, speech, a chime, or nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.probe.stretch import KindReading
from levelset.procedures.stretching import listen_once, stretch_spec

if TYPE_CHECKING:
    from levelset.probe.reading import OutputKind, Reading
    from levelset.procedures.common import Steps

AFTER_S = 4.0
"""A tone that stays away so long is looked into, and again after as long, s."""
SECONDS = 1.2
UNTOLD = ("no_tone", "unsteady", "silent_input")


class WhatPlays:
    """Looks, now and then, at what there is in place of the tone.

    Parameters
    ----------
    output : OutputKind
        Kind of output the tips are on.
    """

    def __init__(self, output: OutputKind) -> None:
        self._output = output
        self._since_s: float | None = None
        self._said = ""

    def look(self, one: Reading) -> Steps:
        """Take the next reading; return one sentence on what is heard, empty where a tone is.

        While nothing has come for some seconds it listens once itself.
        """
        void = one.tone.void
        if void is None or void.code not in UNTOLD:
            self._since_s, self._said = None, ""
            return ""
        if self._since_s is None:
            self._since_s = one.start_s
        if one.start_s - self._since_s >= AFTER_S:
            self._since_s = one.start_s + SECONDS
            spec = stretch_spec("signal_kind", SECONDS, self._output)
            heard = (yield from listen_once(spec, void.reason)).found
            known = isinstance(heard, KindReading) and not heard.may_be_measured
            self._said = heard.sentence if known else ""
        return self._said
