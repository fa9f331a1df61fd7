"""One stretch of all tips that is analysed as a whole, and what is asked of it."""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, Protocol

import numpy as np

from levelset.analysis.response import Curve
from levelset.analysis.spectrum import NoiseSpectrum
from levelset.analysis.which_wire import Transfer
from levelset.probe.reading import OutputKind
from levelset.quantity import Quantity

if TYPE_CHECKING:
    from levelset.analysis.result import Void
    from levelset.probe.reading import Frames

StretchState = Literal["recording", "done"]

NOT_STORED = (Transfer, NoiseSpectrum)
"""Parts of a result that later steps use and that the capture gives again at any time."""


@dataclass(frozen=True, slots=True)
class StretchSpec:
    """What to listen for over a stretch; stored with the reading.

    Parameters
    ----------
    analysis : str
        Name of the analysis, one of `levelset.probe.stretch.ANALYSES`.
    seconds : float
        How long, s.
    output : OutputKind
        Kind of output the tips are on, as far as it is known.
    live : bool
        True for a live input, where a peak above -1 dBFS is an overload.
    parameters : dict
        What the analysis has to know (JSON values), such as the channels of a coded track.
    """

    analysis: str
    seconds: float
    output: OutputKind
    live: bool
    parameters: dict[str, Any]


class Found(Protocol):
    """What an analysis returns: a dataclass with a reason where it is void."""

    @property
    def void(self) -> Void | None:
        """Why nothing can be said."""


@dataclass(frozen=True, slots=True)
class StretchReading:
    """All tips over one stretch: the event that answers ``Listen`` with a `StretchSpec`.

    Parameters
    ----------
    frames : Frames
        Where it came from; while it is recorded, what there is so far.
    spec : StretchSpec
        What was listened for.
    state : StretchState
        Only ``done`` is a reading.
    progress : float
        0 to 1 of the stretch.
    void : Void or None
        Why it cannot be trusted.
    found : Found or None
        Result of the analysis; None while recording and where it is void.
    volts_per_fs : Quantity or None
        RMS volts of the output per RMS of 1 in full scale; None without a calibration.
    """

    frames: Frames
    spec: StretchSpec
    state: StretchState
    progress: float
    void: Void | None = None
    found: Found | None = None
    volts_per_fs: Quantity | None = None

    def voided(self, void: Void) -> StretchReading:
        """Return the same without a result: the way of the samples cannot be trusted."""
        return replace(self, state="done", void=void, found=None)


def stretch_as_json(reading: StretchReading) -> dict[str, Any]:
    """Return the reading in the form of the journal, quantities as ``{"value": x, "u": u}``."""
    return {
        "channel": "all",
        "analysis": reading.spec.analysis,
        "void": None if reading.void is None else reading.void.code,
        "void_reason": None if reading.void is None else reading.void.reason,
        "volts_per_fs": plain(reading.volts_per_fs),
        "found": None if reading.void is not None else plain(reading.found),
    }


def plain(value: object) -> Any:
    """Return a result as JSON values: dataclasses by field, curves as lists of points.

    Parameters
    ----------
    value : object
        A result of an analysis, or a part of one.

    Returns
    -------
    JSON value
        Numbers of an array without an uncertainty are rounded to three decimals (dB, Hz).
    """
    if isinstance(value, Quantity):
        return value.as_json()
    if isinstance(value, Curve):
        return [
            {"frequency_hz": hz, "level_db": {"value": level, "u": u}, "below": below}
            for hz, level, u, below in zip(
                value.frequency_hz.tolist(),
                value.level_db.tolist(),
                value.u_db.tolist(),
                value.below.tolist(),
                strict=True,
            )
        ]
    if isinstance(value, np.ndarray):
        return [round(float(one), 3) for one in value]
    if isinstance(value, tuple | list):
        return [plain(one) for one in value]
    if is_dataclass(value) and not isinstance(value, type):
        parts = {part.name: getattr(value, part.name) for part in fields(value)}
        return {
            name: plain(part)
            for name, part in parts.items()
            if name != "void" and not isinstance(part, NOT_STORED)
        }
    return value
