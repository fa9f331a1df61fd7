"""A fitted response in words and numbers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from levelset.analysis.response_fit import OPEN

if TYPE_CHECKING:
    from levelset.analysis.response import Curve
    from levelset.analysis.response_fit import Boost, Edge, FittedResponse, ToneControl
    from levelset.quantity import Quantity

NOT_TOLD = 0.5
UNCLEAR_DB = 0.5
"""RMS of what filters leave of the curve above which it is called uneven."""
LIKE = {
    "butterworth": "like a Butterworth filter",
    "linkwitz_riley": "like a Linkwitz-Riley filter",
}


def response_words(fitted: FittedResponse | None, tones: Curve) -> tuple[str, ...]:
    """Describe a response.

    Parameters
    ----------
    fitted : FittedResponse or None
        What explains it; None where nothing could be fitted.
    tones : Curve
        The curve it was fitted to.

    Returns
    -------
    tuple of str
        One sentence for each finding, lowest frequency first.
    """
    seen = tones.frequency_hz[~tones.below]
    if fitted is None or seen.size == 0:
        return ("Too little of the tones is clear of the noise to describe the response.",)
    sentences = []
    if fitted.high_pass is not None:
        sentences.append(_edge_words(fitted.high_pass))
    sentences.extend(_control_words(one) for one in fitted.tone_controls if one.end == "bass")
    sentences.extend(_boost_words(boost) for boost in fitted.boosts)
    sentences.extend(_control_words(one) for one in fitted.tone_controls if one.end == "treble")
    if fitted.low_pass is not None:
        sentences.append(_edge_words(fitted.low_pass))
    if not sentences:
        sentences.append(
            f"Flat from {hertz(float(seen[0]))} to {hertz(float(seen[-1]))} "
            f"within {max(0.1, 2.0 * fitted.left_db):.1f} dB."
        )
    elif fitted.left_db > UNCLEAR_DB:
        sentences.append(
            f"Uneven besides: {fitted.left_db:.1f} dB (RMS) of the curve are explained by no "
            "filter; look at the curve itself."
        )
    return tuple(sentences)


def _edge_words(edge: Edge) -> str:
    name = "High-pass" if edge.side == "high_pass" else "Low-pass"
    doubt = edge.corner_hz.u / edge.corner_hz.value
    if doubt > NOT_TOLD:
        return (
            f"{name}: where it begins cannot be told, since boosts near it explain the curve as "
            f"well; one explanation is 3 dB down at {hertz(edge.corner_hz.value)}."
        )
    kind = "" if edge.order == 1 else f", {LIKE[edge.family]}"
    return (
        f"{name}: 3 dB down at {_with_u(edge.corner_hz)}, {edge.slope_db_per_octave:.0f} dB per "
        f"octave{kind}{', uncertain' if doubt > OPEN else ''}."
    )


def _control_words(control: ToneControl) -> str:
    way = "raised" if control.gain_db.value > 0.0 else "lowered"
    where = "below" if control.end == "bass" else "above"
    return (
        f"{control.end.capitalize()} {way} by {_size(control.gain_db)}, {where} "
        f"{_with_u(control.half_hz)} by more than half of it."
    )


def _boost_words(boost: Boost) -> str:
    name = "Boost" if boost.gain_db.value > 0.0 else "Cut"
    return (
        f"{name} of {_size(boost.gain_db)} at {_with_u(boost.centre_hz)}, "
        f"{boost.width_octaves:.1f} octaves wide."
    )


def _size(gain_db: Quantity) -> str:
    return f"{abs(gain_db.value):.1f} ± {max(gain_db.u, 0.1):.1f} dB"


def hertz(value: float) -> str:
    """Return a frequency with three digits: 79.9 Hz, 1.26 kHz."""
    if value >= 999.5:
        return f"{_digits(value / 1000.0)} kHz"
    return f"{_digits(value)} Hz"


def _digits(value: float) -> str:
    places = max(0, 2 - math.floor(math.log10(value)))
    return f"{value:.{places}f}"


def _with_u(frequency: Quantity) -> str:
    percent = max(0.5, 100.0 * frequency.u / frequency.value)
    return f"{hertz(frequency.value)} ± {percent:.1f} %"
