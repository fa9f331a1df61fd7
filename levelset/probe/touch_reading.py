"""A touch: what a tip read when it came onto a steady voltage, and what is asked of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from levelset.analysis.result import Void
    from levelset.analysis.step.result import Step
    from levelset.probe.reading import Frames
    from levelset.quantity import Quantity

TouchState = Literal["not_quiet", "quiet", "building", "done"]
"""Tips still moving, ready for the touch, touched and not long enough, long enough."""


@dataclass(frozen=True, slots=True)
class StepSpec:
    """What to listen for when a tip is put onto a DC voltage; stored with the reading.

    Parameters
    ----------
    hold_s : float
        How long contact has to hold, s.
    identify : bool
        True identifies the input's coupling from the touch (a battery); False reads volts with
        the coupling of the calibration.
    coupling_hz : tuple of float
        Poles that the input is believed to have, Hz: only to tell a touch from an old one that
        still decays, where no calibration knows better.
    touched : bool
        True when the person says that the tips are on though nothing moved.
    """

    hold_s: float
    identify: bool
    coupling_hz: tuple[float, ...]
    touched: bool = False


@dataclass(frozen=True, slots=True)
class TipTouch:
    """One tip, or the pair.

    Parameters
    ----------
    channel : int or "pair"
        Input channel from 1, or tip A less tip B.
    void : Void or None
        Why it cannot be trusted.
    volts : Quantity or None
        DC voltage against chassis, or across the pair, V.
    seen : bool
        Whether the touch itself was seen at this tip; without, a voltage near zero is stated with
        what could have gone unseen.
    step : Step or None
        The analysis, full scale; None for the pair and where it is void.
    """

    channel: int | Literal["pair"]
    void: Void | None
    volts: Quantity | None
    seen: bool
    step: Step | None


@dataclass(frozen=True, slots=True)
class TouchReading:
    """All tips over one stretch: the event that answers ``Listen`` with a `StepSpec`.

    Parameters
    ----------
    frames : Frames
        Where it came from.
    spec : StepSpec
        What was listened for.
    state : TouchState
        How far it has come; only ``done`` is a reading.
    progress : float
        0 to 1 of the quiet, or of the time that contact has to hold.
    legs : tuple of TipTouch
        Tip A, and tip B where there is one; empty before the touch.
    pair : TipTouch or None
        A - B; None with one tip or before the touch.
    """

    frames: Frames
    spec: StepSpec
    state: TouchState
    progress: float
    legs: tuple[TipTouch, ...] = ()
    pair: TipTouch | None = None

    def voided(self, void: Void) -> TouchReading:
        """Return the same without a number: the way of the samples cannot be trusted."""
        legs = tuple(replace(leg, void=void, volts=None, step=None) for leg in self.legs)
        pair = None if self.pair is None else replace(self.pair, void=void, volts=None)
        return replace(self, legs=legs, pair=pair)

    @property
    def void(self) -> Void | None:
        """The first reason why it cannot be trusted."""
        return next((leg.void for leg in self.legs if leg.void is not None), None)


def touch_as_json(tip: TipTouch) -> dict[str, Any]:
    """Return a tip in the form of the journal, quantities as ``{"value": x, "u": u}``."""
    step = tip.step
    return {
        "channel": tip.channel,
        "void": None if tip.void is None else tip.void.code,
        "void_reason": None if tip.void is None else tip.void.reason,
        "volts": None if tip.volts is None else tip.volts.as_json(),
        "seen": tip.seen,
        "step_fs": None if step is None else {"value": step.height_fs, "u": 2.0 * step.noise_fs},
        "coefficients": None if step is None else _coefficients(step),
    }


def _coefficients(step: Step) -> list[dict[str, float]]:
    """Return the coupling, with the uncertainty that the touch left where it was identified."""
    variances = [row[n] for n, row in enumerate(step.covariance)][1:] or [0.0] * len(
        step.coefficients
    )
    return [
        {"value": value, "u": 2.0 * math.sqrt(variance)}
        for value, variance in zip(step.coefficients, variances, strict=True)
    ]
