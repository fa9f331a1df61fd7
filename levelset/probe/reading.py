"""A reading: what the tone analysis says, in volts, with where it came from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from levelset.analysis.result import ToneResult, Void

if TYPE_CHECKING:
    from levelset.quantity import Quantity

OutputKind = Literal["bridged", "grounded", "line", "unknown"]
"""Kind of output the tips are on; ``unknown`` until it has been measured."""


@dataclass(frozen=True, slots=True)
class ToneSpec:
    """What to listen for; stored with every accepted reading so that it can be read again.

    Parameters
    ----------
    expected_hz : float or None
        Frequency of the tone that should be there, Hz; None finds the strongest.
    window_s : float
        Length of one window, s.
    limit_percent : float
        THD above which a signal is not clean, %.
    output : OutputKind
        Kind of output the tips are on. For ``bridged`` both legs must be equal and opposite, for
        ``grounded`` and ``line`` tip B must read next to nothing, else the pair is void.
    live : bool
        True for a live input, where a peak above -1 dBFS is an overload.
    """

    expected_hz: float | None
    window_s: float
    limit_percent: float
    output: OutputKind
    live: bool


@dataclass(frozen=True, slots=True)
class Frames:
    """The frames a reading was computed from.

    Parameters
    ----------
    stream : int
        Number of the stream since the port was opened (a new one after every interruption).
    first : int
        Index of the first frame in that stream.
    count : int
        Number of frames.
    rate_hz : int
        Sample rate, Hz.
    """

    stream: int
    first: int
    count: int
    rate_hz: int


@dataclass(frozen=True, slots=True)
class Reading:
    """One window of one channel or of the pair, in volts.

    Parameters
    ----------
    channel : int or "pair"
        Input channel from 1, or the difference of tip A and tip B.
    start_s, duration_s : float
        Stream time of the first sample and length of the window, s.
    tone : ToneResult
        The analysis, in full scale of tip A's channel for the pair.
    volts_rms, volts_rms_total : Quantity or None
        The fundamental, and fundamental with harmonics, at the tip; None without a calibration.
    """

    channel: int | Literal["pair"]
    start_s: float
    duration_s: float
    tone: ToneResult
    volts_rms: Quantity | None
    volts_rms_total: Quantity | None


@dataclass(frozen=True, slots=True)
class TipsReading:
    """Both tips over the same window: the event that answers ``Listen``.

    Parameters
    ----------
    frames : Frames
        Where it came from.
    spec : ToneSpec
        What was listened for.
    legs : tuple of Reading
        Tip A, and tip B where there is one, each against chassis.
    pair : Reading or None
        A - B; None with one tip.
    """

    frames: Frames
    spec: ToneSpec
    legs: tuple[Reading, ...]
    pair: Reading | None

    def voided(self, void: Void) -> TipsReading:
        """Return the reading with nothing in it but a reason and the peaks."""

        def empty(one: Reading) -> Reading:
            tone = ToneResult(void, peak_dbfs=one.tone.peak_dbfs, band_hz=one.tone.band_hz)
            return replace(one, tone=tone, volts_rms=None, volts_rms_total=None)

        pair = None if self.pair is None else empty(self.pair)
        return replace(self, legs=tuple(empty(leg) for leg in self.legs), pair=pair)

    @property
    def output(self) -> Reading:
        """The voltage of the output itself: the pair, or with one tip the leg."""
        return self.pair if self.pair is not None else self.legs[0]


def reading_as_json(reading: Reading) -> dict[str, Any]:
    """Return the reading in the form of ``measure --json`` and of the journal.

    Parameters
    ----------
    reading : Reading
        Any reading, void or not.

    Returns
    -------
    dict
        Keys in a fixed order; quantities as ``{"value": x, "u": u}`` or None.
    """
    tone = reading.tone
    clipping = tone.clipping

    def q(quantity: Quantity | None) -> dict[str, float] | None:
        return None if quantity is None else quantity.as_json()

    return {
        "channel": reading.channel,
        "start_s": reading.start_s,
        "duration_s": reading.duration_s,
        "void": None if tone.void is None else tone.void.code,
        "void_reason": None if tone.void is None else tone.void.reason,
        "frequency_hz": q(tone.frequency_hz),
        "level_dbfs": q(tone.level_dbfs),
        "volts_rms": q(reading.volts_rms),
        "volts_rms_total": q(reading.volts_rms_total),
        "offset_fs": q(tone.offset_fs),
        "thd_percent": q(tone.thd_percent),
        "thd_harmonics": tone.thd_harmonics,
        "thd_n_percent": q(tone.thd_n_percent),
        "band_hz": list(tone.band_hz),
        "harmonics_percent": list(tone.harmonics_percent),
        "crest_factor": tone.crest_factor,
        "peak_dbfs": tone.peak_dbfs,
        "hum_not_separable": tone.hum_not_separable,
        "clipping": None
        if clipping is None
        else {
            "state": clipping.state,
            "halves": clipping.halves,
            "overdrive_db": q(clipping.overdrive_db),
            "upper_fs": q(clipping.upper_fs),
            "lower_fs": q(clipping.lower_fs),
        },
    }
