"""A first level that does not come to rest: the volume is too low for the hum and noise there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.procedures.protocol import Act, Ask, Guidance

if TYPE_CHECKING:
    from levelset.probe.reading import Reading
    from levelset.procedures.common import Steps

COVERED_S = 6.0
"""A first level that does not come to rest for so long counts as covered, s."""
ELSE_S = 18.0
"""The same where something else seems to play: a tone and hum within a hertz of it rise and fall
like a chime, but a chime ends, s."""
MOST_CLICKS = 18
"""So many clicks up at most: then something else is wrong."""
COVERING = ("unsteady", "no_tone")
"""What a tone looks like beside hum, whine or noise of its own size."""


class CoveredWatch:
    """Tells when to turn up by a click before the first level was taken."""

    def __init__(self) -> None:
        self._since_s: float | None = None
        self.clicks = 0

    def look(self, one: Reading, heard: str = "") -> bool:
        """Take a reading that is no settled level; True where one click more is wanted.

        Parameters
        ----------
        one : Reading
            The reading.
        heard : str
            What seems to play in place of the tone.
        """
        void = one.tone.void
        if void is not None and void.code not in COVERING:
            self._since_s = None
            return False
        if self._since_s is None:
            self._since_s = one.start_s
        patience_s = ELSE_S if heard and self.clicks == 0 else COVERED_S
        if one.start_s - self._since_s <= patience_s or self.clicks >= MOST_CLICKS:
            return False
        self._since_s = None
        self.clicks += 1
        return True


def one_click_up(covered: CoveredWatch, volume: int) -> Steps:
    """Ask for the volume one click higher, and say why; returns the guidance.

    The first time the player is looked at before: on silence nothing must be turned up.
    """
    if covered.clicks == 1:
        yield Ask(
            "The tone is not heard clearly. See that the player's time runs, that the track is the "
            "one that was asked for, and that nothing else sounds.",
            Act("wait"),
        )
    return Guidance(
        "The level does not come to rest: hum, whine or noise may be as strong as so low a tone. "
        "Turn the volume up one click.",
        Act("volume_up_one", value=float(volume)),
        headline=f"NEXT: {volume}",
        direction="up",
    )
