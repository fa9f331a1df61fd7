"""The band across the screen: word, shape and colour say the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from levelset.probe.stretch_reading import StretchReading
from levelset.probe.touch_reading import TouchReading
from levelset.tui.renderables.stretch import stretch_word
from levelset.tui.renderables.touch import touch_word
from levelset.tui.renderables.which import shown_reading
from levelset.tui.renderables.wording import thd

if TYPE_CHECKING:
    from levelset.analysis.result import Void
    from levelset.probe.kinds import AnyReading

BandState = Literal["clean", "soft", "flat", "distorted", "void", "waiting"]

SHAPES: dict[BandState, str] = {
    "clean": "═",
    "soft": "≈",
    "flat": "▚",
    "distorted": "╳",
    "void": "░",
    "waiting": "─",
}

VOID_WORDS = {
    "silent_input": "NOTHING AT THE INPUT",
    "no_tone": "NO TONE",
    "unsteady": "NOT STEADY",
    "too_short": "TOO SHORT",
    "input_overload": "INPUT OVERLOAD",
    "probe_limit": "BEYOND THE PROBE",
    "drop_out": "SAMPLES LOST",
    "repeated_block": "SAMPLES REPEATED",
    "processed": "SIGNAL PROCESSED",
    "not_finite": "BAD SAMPLES",
    "device_lost": "DEVICE LOST",
    "output_unknown": "OUTPUT UNKNOWN",
    "setup_changed": "SETUP CHANGED",
    "contact_not_held": "CONTACT NOT HELD",
    "source_not_quiet": "SOURCE NOT QUIET",
    "touch_again": "TOUCH AGAIN",
}

HALVES = {"none": "", "upper": ", UPPER HALF", "lower": ", LOWER HALF", "both": ", BOTH HALVES"}


@dataclass(frozen=True, slots=True)
class Band:
    """What the band says.

    Parameters
    ----------
    state : BandState
        Decides shape and colour.
    word : str
        The state in capitals.
    note : str
        THD against its limit, where it was measured.
    reason : str
        For a void: why, and what to do.
    """

    state: BandState
    word: str
    note: str = ""
    reason: str = ""


def band_of(reading: AnyReading | None) -> Band:
    """Return what the band says about a reading; nothing is judged here."""
    if reading is None:
        return Band("waiting", "LISTENING")
    if isinstance(reading, TouchReading):
        if reading.void is not None:
            return _void_band(reading.void)
        return Band("clean" if reading.state == "done" else "waiting", touch_word(reading))
    if isinstance(reading, StretchReading):
        if reading.void is not None:
            return _void_band(reading.void)
        return Band("clean" if reading.state == "done" else "waiting", stretch_word(reading))
    tone = shown_reading(reading).tone
    if tone.void is not None:
        return _void_band(tone.void)
    note = ""
    if tone.thd_percent is not None:
        note = f"THD {thd(tone.thd_percent)}, limit {reading.spec.limit_percent:g} %"
    clipping = tone.clipping
    if clipping is None:
        return Band("waiting", "SHAPE NOT JUDGED", note)
    halves = HALVES[clipping.halves]
    match clipping.state:
        case "clean":
            return Band("clean", "CLEAN", note)
        case "soft_clipping":
            return Band("soft", f"TOPS ROUNDED{halves}", note)
        case "hard_clipping":
            if clipping.overdrive_db is not None:
                note = f"{note}, {clipping.overdrive_db.value:.1f} dB over".removeprefix(", ")
            return Band("flat", f"TOPS FLAT{halves}", note)
        case _:
            return Band("distorted", "DISTORTED", note)


def _void_band(void: Void) -> Band:
    word = VOID_WORDS.get(void.code, void.code.replace("_", " ").upper())
    return Band("void", f"VOID: {word}", reason=void.reason)


def band_lines(band: Band, width: int, height: int) -> list[str]:
    """Draw the band.

    Parameters
    ----------
    band : Band
        What it says.
    width, height : int
        Size; with three rows or more, the shape frames the word above and below.

    Returns
    -------
    list of str
        ``height`` lines of ``width`` characters.
    """
    shape = SHAPES[band.state]
    word = band.word[: max(width - 6, 0)]
    line = f"{shape * 2} {word} "
    note = f" {band.note} " if band.note else ""
    if len(line) + len(note) + 2 > width:
        note = ""
    fill = width - len(line) - len(note)
    left = fill // 2 if note else fill
    line = f"{line}{shape * left}{note}{shape * (fill - left)}"[:width]
    above = max(height - 1, 0) // 2
    below = max(height - 1 - above, 0)
    return [shape * width] * above + [line] + [shape * width] * below
