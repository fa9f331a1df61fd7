"""What the way through the computer says against a reading of the tips."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from levelset.analysis.result import ToneResult, Void

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.analysis.path_watch import PathWatch
    from levelset.probe.reading import Frames, Reading, TipsReading

GRAVER = ("not_finite", "input_overload", "probe_limit", "setup_changed")
"""Reasons that a person must act on first, whatever else is wrong."""

NOT_THROUGHOUT = Void(
    "unsteady",
    "The tone is not there all through the window: it begins or ends, or a tip has lost its "
    "contact.",
)


def without_path_faults(
    reading: TipsReading,
    samples: NDArray[np.float64],
    frames: Frames,
    watch: PathWatch,
    port_void: Void | None,
) -> TipsReading:
    """Return the reading, void where its samples or the port say that the path spoilt it.

    Parameters
    ----------
    reading : TipsReading
        Of these samples, or of their newest part.
    samples : ndarray, shape (frames.count, channels)
        The whole window.
    frames : Frames
        Where they came from.
    watch : PathWatch
        Has seen the windows before.
    port_void : Void or None
        What the port says against the window.
    """
    if not reading.spec.live:
        return reading if port_void is None else reading.voided(port_void)
    void = watch.look(
        samples,
        frames.stream,
        frames.first,
        tone_hz=reading.spec.expected_hz,
        port_void=port_void,
    )
    if void is None:
        return _not_there_throughout(reading)
    voids = [one.tone.void for one in (*reading.legs, reading.output)]
    if any(one is not None and one.code in GRAVER for one in voids):
        return reading
    return reading.voided(void)


def _not_there_throughout(reading: TipsReading) -> TipsReading:
    """Rename what one window alone takes for lost samples, where the windows together do not.

    Zeros before a tone begins, or while a tip has no contact, are all that one window can see.
    """

    def renamed(one: Reading) -> Reading:
        void = one.tone.void
        if void is None or void.code != "drop_out":
            return one
        tone = ToneResult(NOT_THROUGHOUT, peak_dbfs=one.tone.peak_dbfs, band_hz=one.tone.band_hz)
        return replace(one, tone=tone)

    pair = None if reading.pair is None else renamed(reading.pair)
    return replace(reading, legs=tuple(renamed(leg) for leg in reading.legs), pair=pair)
