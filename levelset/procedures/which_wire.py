"""Which channel a wire carries, and which way round; and what two taps are against each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from levelset.analysis.which_wire import WireReading
from levelset.plan.job import JobPlan
from levelset.ports.base import Point
from levelset.probe.stretch import TwoTapsReading
from levelset.probe.stretch_reading import StretchReading, StretchSpec, plain
from levelset.procedures import cautions
from levelset.procedures.common import Steps, place_tips, set_volume, start_tone, stop_tone
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import Accept, Acknowledge, Act, Ask, Finish, Procedure
from levelset.procedures.stretching import (
    let_settle,
    listen_once,
    listen_until_good,
    stretch_spec,
    whole_periods_s,
)
from levelset.quantity import Quantity
from levelset.signals.channels import ChannelSignals
from levelset.signals.which_wire import which_wire_track

PERIODS = 4
LOUDER_STEPS = 5
"""By so many numbers the volume goes up where the track is too weak."""
MOST_RAISES = 3
WITHDRAWN_DB = -3.0
"""A sum this far below the louder tap in the bass loses bass."""

SECOND_TAP = "second"


@dataclass(frozen=True, slots=True)
class NamedWire:
    """What a wire is.

    Parameters
    ----------
    result : dict
        ``channel``, ``polarity``, ``wire`` (JSON values).
    sentence : str
        The same for a person.
    """

    result: dict[str, Any]
    sentence: str


def wire_track(plan: JobPlan) -> ChannelSignals:
    """Return the coded track for the player of the plan."""
    return which_wire_track(plan.source.player_channels)


def name_the_wire(plan: JobPlan) -> Steps:
    """Play the coded track at low level and name the wire pair under the tips.

    Needs no calibration and no knowledge of the volume. A track that is not heard does not end the
    step that asked: then polarity and channel cannot be told, with the reason.

    Returns
    -------
    NamedWire
    """
    track = wire_track(plan)
    yield from place_tips(
        "tip A on the positive and tip B on the negative wire of the source's tap",
        Point("source", "positive"),
        Point("source", "negative"),
    )
    volume = plan.source.start_volume
    yield from set_volume(volume)
    yield from start_tone(track, plan)
    spec = wire_spec("which_wire", track)
    reason = ""
    for turn in range(MOST_RAISES + 1):
        yield from let_settle("unknown")
        reading: StretchReading = yield from listen_once(
            spec, "Hold the tips still: the track tells which channel this is.", *_said(reason)
        )
        found = reading.found
        if reading.void is None and isinstance(found, WireReading):
            told = found.channel is not None and found.polarity != "cannot_tell"
            # A second look costs seconds, a wrong "cannot tell" costs the answer.
            if told or turn == MOST_RAISES:
                return (yield from _accept_wire(reading, found, volume))
            reason = "Not clear yet: once more, a little louder."
        elif reading.void is not None:
            reason = reading.void.reason
        volume = min(volume + LOUDER_STEPS, plan.source.max_volume)
        yield from set_volume(volume)
    return NamedWire(
        {"polarity": "cannot_tell", "channel": None, "wire": None},
        f"The channel cannot be told. {reason}",
    )


def which_wire(plan: JobPlan) -> Procedure:
    """Name the wire pair under the tips, and nothing else."""
    yield Acknowledge(cautions.PROBE)
    named: NamedWire = yield from name_the_wire(plan)
    yield from stop_tone(plan)
    told = named.result["wire"] is not None
    yield Finish("accepted" if told else "failed", named.sentence, named.result)


def _accept_wire(reading: StretchReading, found: WireReading, volume: int) -> Steps:
    seq: int = yield Accept(reading, "which_wire", {"volume": volume})
    sentence = wire_sentence(found)
    yield Ask(sentence, Act("wait"), shows_reading=True)
    return NamedWire(
        {
            "polarity": found.polarity,
            "channel": found.channel,
            "wire": {"stretch_seq": seq, "volume": volume, **plain(found)},
        },
        sentence,
    )


def wire_sentence(found: WireReading) -> str:
    """Return what is on a wire, in words."""
    names = [part.channel for part in found.parts]
    if found.channel is None:
        return (
            f"This pair carries {' and '.join(names)} alike: a sum of channels. "
            "Which one it is cannot be told."
        )
    polarity = {
        "normal": "with normal polarity",
        "reversed": "with REVERSED polarity: swap its two wires at the amplifier's input",
        "cannot_tell": "its polarity cannot be told over so narrow a band",
    }[found.polarity]
    sentence = f"This pair carries {found.channel}, {polarity}."
    others = [name for name in names if name != found.channel]
    if others:
        below = found.parts[0].level_dbfs.value - found.parts[1].level_dbfs.value
        sentence += f" {' and '.join(others)} can be heard on it too, {below:.0f} dB weaker."
    return sentence


def wire_spec(analysis: str, track: ChannelSignals) -> StretchSpec:
    """Return what to listen for while the coded track plays."""
    seconds = whole_periods_s(track.period_s, PERIODS)
    return stretch_spec(analysis, seconds, "unknown", channels=list(track.channels))


def _said(reason: str) -> tuple[str, ...]:
    return (reason,) if reason else ()


def two_taps(plan: JobPlan, facts: Facts) -> Procedure:
    """Hear two taps at once: polarity, level and delay against each other, and what a sum does."""
    if plan.probe.tips < 2:
        yield Finish("skipped", "Two taps at once need a probe with two tips.", {})
        return
    track = wire_track(plan)
    yield Acknowledge(cautions.PROBE)
    yield from place_tips(
        "tip A on the positive wire of one tap and tip B on the positive wire of the other",
        Point("source", "positive"),
        Point("source", "positive", SECOND_TAP),
    )
    clean = facts.result("clean_volume", None)
    most = plan.source.max_volume if clean is None else int(clean["volume"])
    volume = min(plan.source.start_volume + LOUDER_STEPS, most)
    yield from set_volume(volume)
    yield from start_tone(track, plan)
    yield from let_settle("unknown")
    reading: StretchReading = yield from listen_until_good(
        wire_spec("two_taps", track), "Hold both tips still: the taps are compared."
    )
    found = reading.found
    assert isinstance(found, TwoTapsReading)
    seq: int = yield Accept(reading, "two_taps", {"volume": volume})
    sentence = two_taps_sentence(found)
    yield Ask(sentence, Act("wait"), shows_reading=True)
    yield from stop_tone(plan)
    a, b, two = found.a, found.b, found.compared
    assert a is not None
    assert b is not None
    assert two is not None
    yield Finish(
        "accepted",
        sentence,
        {
            "channels": [a.channel, b.channel],
            "polarity": two.polarity,
            "volume": volume,
            "compared": plain(two),
            "stretch_seq": seq,
        },
    )


def two_taps_sentence(found: TwoTapsReading) -> str:
    """Return what two taps are against each other, in words."""
    a, b, two = found.a, found.b, found.compared
    if a is None or b is None or two is None:
        return "The two taps cannot be compared."
    same = "the same channel" if a.channel == b.channel else f"{a.channel} and {b.channel}"
    polarity = {
        "normal": "the same way round",
        "reversed": "with OPPOSITE polarity: swap the wires of one",
        "cannot_tell": "their polarity against each other cannot be told",
    }[two.polarity]
    level, delay_ms = two.level_db, two.delay_s.scaled(1e3, "ms")
    sentence = (
        f"Two taps of {same}, {polarity}. Tip B is {level.text(signed=True, finest=2)} against "
        f"tip A, {_late(delay_ms)}."
    )
    if two.bass_db is not None and two.bass_if_reversed_db is not None:
        sentence += f" Summed as wired the bass changes by {two.bass_db:+.1f} dB"
        if two.bass_db < WITHDRAWN_DB and two.bass_if_reversed_db > two.bass_db:
            sentence += f": it is lost; with one reversed {two.bass_if_reversed_db:+.1f} dB"
        sentence += "."
    return sentence


def _late(delay_ms: Quantity) -> str:
    if abs(delay_ms.value) <= delay_ms.u:
        return f"not delayed (within {max(delay_ms.u, 0.01):.2f} ms)"
    side = "later" if delay_ms.value > 0.0 else "earlier"
    return f"{abs(delay_ms.value):.2f} ms {side} (± {delay_ms.u:.2f} ms)"
