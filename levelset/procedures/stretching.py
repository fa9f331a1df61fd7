"""A stretch as a step: recorded while the person holds still, and repeated where it is void."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from levelset.probe.stretch_reading import StretchReading, StretchSpec
from levelset.procedures.protocol import Act, Guidance, Listen, StepFailed

if TYPE_CHECKING:
    from levelset.probe.reading import OutputKind
    from levelset.procedures.common import Steps

MOST_TRIES = 4
"""Void stretches in a row after which a step gives up."""

SETTLE_S = 1.5
"""What is heard while a track begins or fades in does not count, s."""

SPARE = 1.0 + 2e-3
"""Periods of a player's clock may be longer than those of the input's by up to 800 ppm."""


def stretch_spec(
    analysis: str, seconds: float, output: OutputKind, **parameters: Any
) -> StretchSpec:
    """Return what to listen for with a named analysis of `levelset.probe.stretch.ANALYSES`."""
    return StretchSpec(analysis, seconds, output, live=True, parameters=parameters)


def whole_periods_s(period_s: float, periods: int) -> float:
    """Return a length that holds so many periods by any player's clock, s."""
    return period_s * periods * SPARE + 0.02


def listen_once(spec: StretchSpec, sentence: str, *remarks: str) -> Steps:
    """Record one stretch and return its reading, void or not."""
    shown = Guidance(sentence, Act("wait"), headline="HOLD STILL", remarks=remarks)
    while True:
        reading: StretchReading = yield Listen(spec, shown)
        if reading.state == "done":
            return reading


def let_settle(output: OutputKind) -> Steps:
    """Let a track begin: listen to what it is, and return that as a `KindReading` or None."""
    spec = stretch_spec("signal_kind", SETTLE_S, output)
    reading: StretchReading = yield from listen_once(spec, "Wait until the track plays steadily.")
    return reading.found


def listen_until_good(spec: StretchSpec, sentence: str) -> Steps:
    """Record stretches until one is not void and return it.

    Raises
    ------
    StepFailed
        After several void ones in a row; the sentence is the last reason.
    """
    remarks: tuple[str, ...] = ()
    for _ in range(MOST_TRIES):
        reading: StretchReading = yield from listen_once(spec, sentence, *remarks)
        if reading.void is None:
            return reading
        remarks = (reading.void.reason,)
    raise StepFailed(f"{MOST_TRIES} stretches could not be read. {remarks[0]}")
