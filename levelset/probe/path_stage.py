"""What the way through the computer says against a reading of the tips."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from levelset.analysis.result import ToneResult, Void

if TYPE_CHECKING:
    from levelset.analysis.path_watch import PathWatch
    from levelset.probe.reading import Frames, Reading, TipsReading

GRAVER = ("not_finite", "input_overload", "probe_limit", "setup_changed")
"""Reasons that a person must act on first, whatever else is wrong."""

NOT_THROUGHOUT = Void(
    "unsteady",
    "The tone is not there all through the window: it begins or ends, or a tip has lost its "
    "contact.",
)

WAITING = Void(
    "drop_out",
    "Nothing comes from the sound device at the moment: it is waited for. Close what keeps the "
    "computer busy.",
)


def without_path_faults(
    reading: TipsReading, frames: Frames, watch: PathWatch, port_void: Void | None
) -> TipsReading:
    """Return the reading, void where its samples or the port say that the path spoilt it.

    Parameters
    ----------
    reading : TipsReading
        Of these frames, or of their newest part.
    frames : Frames
        The whole window.
    watch : PathWatch
        Has taken the samples of the window and those before.
    port_void : Void or None
        What the port says against the window.
    """
    if not reading.spec.live:
        return reading if port_void is None else reading.voided(port_void)
    void = watch.void(frames.first, frames.count, port_void)
    if void is None:
        legs = tuple(_renamed(leg) for leg in reading.legs)
        pair = None if reading.pair is None else _renamed(reading.pair)
        return replace(reading, legs=legs, pair=pair)
    voids = [one.tone.void for one in (*reading.legs, reading.output)]
    if any(one is not None and one.code in GRAVER for one in voids):
        return reading
    return reading.voided(void)


def _renamed(one: Reading) -> Reading:
    return replace(one, tone=not_throughout(one.tone))


def not_throughout(tone: ToneResult) -> ToneResult:
    """Rename what one window alone takes for lost samples, where the path as a whole does not.

    Zeros before a tone begins, or while a tip has no contact, are all that one window can see.
    """
    if tone.void is None or tone.void.code != "drop_out":
        return tone
    return ToneResult(NOT_THROUGHOUT, peak_dbfs=tone.peak_dbfs, band_hz=tone.band_hz)
