"""Every channel once more, as it stays: level, distortion, what the wire carries, filters, noise.

Three rounds, so that the vehicle's player is touched three times and not three times a channel: the
set tone with everything as it was when the gain was set; the coded track with filters and
processing back on; and silence.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from levelset.analysis.which_wire import WireReading
from levelset.ports.base import Point
from levelset.probe.reading import TipsReading, reading_as_json
from levelset.probe.stretch_reading import plain
from levelset.procedures import cautions
from levelset.procedures.common import (
    Steps,
    channel_track,
    output_of,
    place_tips,
    set_volume,
    settle,
    start_engine,
    start_tone,
    stop_tone,
    tone_spec,
)
from levelset.procedures.matching import MATCH_DB, above_its_group
from levelset.procedures.noise import OPEN, noise_levels, read_silence
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    Ask,
    Compute,
    Finish,
    Guidance,
    Procedure,
    StepFailed,
)
from levelset.procedures.steady import over_limit
from levelset.procedures.stretching import let_settle, listen_once
from levelset.procedures.which_wire import wire_spec, wire_track
from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from levelset.plan.job import ChannelPlan, JobPlan
    from levelset.probe.stretch_reading import StretchReading
    from levelset.procedures.facts import Facts

MOVED_DB = 0.1
"""A channel that differs by more from the gain that was set deserves another look, dB."""


@dataclass
class _Row:
    """What is found of one channel.

    Parameters
    ----------
    channel : ChannelPlan
        The channel.
    gain : dict
        Result of its gain.
    found : dict
        What goes into the result.
    doubts, faults : list of str
        Why to look again; what must not stay.
    wire : StretchReading or None
        The coded track at its terminals.
    """

    channel: ChannelPlan
    gain: dict[str, Any]
    found: dict[str, Any] = field(default_factory=dict)
    doubts: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    wire: StretchReading | None = None

    def as_json(self) -> dict[str, Any]:
        verdict = "fault" if self.faults else "look again" if self.doubts else "ok"
        return {
            "channel": self.channel.name,
            "verdict": verdict,
            "reasons": [*self.faults, *self.doubts],
            "target_volts_rms": self.channel.target.volts_rms,
            "set": {key: self.gain[key] for key in ("set_volts_rms", "limited_by")},
            **self.found,
        }


def verify(plan: JobPlan, facts: Facts) -> Procedure:
    """Measure every channel whose gain was set, compare, and end the tone.

    Parameters
    ----------
    plan : JobPlan
        The plan.
    facts : Facts
        Gains, clean volume, kinds of output, offsets.
    """
    clean = facts.result("clean_volume", None)
    rows = [
        _Row(channel, gain)
        for channel in plan.channels
        if (gain := facts.result("gain", channel.name)) is not None
    ]
    if clean is None or not rows:
        yield Finish("skipped", "No gain was set yet.", {})
        return
    yield Acknowledge(cautions.STILL_OFF)
    yield from start_engine(facts)
    yield from set_volume(clean["volume"])
    for row in rows:
        yield from _level(row, facts, plan)
    yield Ask(
        "Switch filters and processing of every channel on, as they shall stay.",
        Act("filters_on"),
    )
    yield from start_tone(wire_track(plan), plan)
    for row in rows:
        yield from _carried(row, plan)
    yield from stop_tone(plan)
    yield from place_tips("both tips together, touching each other and nothing else", OPEN, OPEN)
    own, own_seq = yield from read_silence("the input's own noise", "own_noise", "unknown")
    for row in rows:
        yield from _silence(row, own, own_seq, facts)
    yield Acknowledge(cautions.RESTORE)
    for row in rows:
        yield from _judge_wire(row)
        _judge_offset(row, facts.result("dc_offset", row.channel.name))
    _judge_matches(rows, plan)
    yield _finish(rows, plan)


def _level(row: _Row, facts: Facts, plan: JobPlan) -> Steps:
    """Read the set tone again, everything as it was when the gain was set."""
    channel = row.channel
    yield from _tips_on(channel)
    target = channel.target
    yield from start_tone(channel_track(channel.name, channel.set_tone_hz, target.tone_dbfs), plan)
    spec = tone_spec(channel.set_tone_hz, facts.output_kind(channel.name), plan)
    set_v = row.gain["set_volts_rms"]["value"]
    guidance = Guidance(
        "Touch nothing but the tips.",
        Act("wait"),
        headline="VERIFY",
        target_volts_rms=set_v,
        target_note="as it was set",
    )
    reading: TipsReading = yield from settle(spec, guidance, of=output_of)
    one = reading.output
    if one.volts_rms is None or one.tone.thd_percent is None or one.tone.clipping is None:
        raise StepFailed("The reading has no volts: calibrate the probe again")
    by_db = db_from_ratio(one.volts_rms.value / set_v)
    if abs(by_db) > MOVED_DB:
        row.doubts.append(f"{by_db:+.2f} dB from the gain that was set")
    if over_limit(one, plan.limit_percent, doubtful=False):
        row.faults.append(f"not clean, THD {one.tone.thd_percent.value:.2f} %")
    seq: int = yield Accept(reading, "verify", {"set_volts_rms": set_v})
    row.found.update(
        {
            "volts_rms": one.volts_rms.as_json(),
            "deviation_db": by_db,
            "thd_percent": one.tone.thd_percent.as_json(),
            "clipping": one.tone.clipping.state,
            "reading_seq": seq,
            "reading": reading_as_json(one),
        }
    )


def _carried(row: _Row, plan: JobPlan) -> Steps:
    """Hear the coded track at the terminals; what cannot be heard is said, and ends nothing."""
    yield from _tips_on(row.channel)
    yield from let_settle("unknown")
    spec = wire_spec("which_wire", wire_track(plan))
    reading: StretchReading = yield from listen_once(
        spec, "Hold the tips still: the track tells what this channel plays."
    )
    row.wire = reading
    if reading.void is None:
        seq: int = yield Accept(reading, "verify_wire", {})
        row.found["wire"] = {"stretch_seq": seq, **plain(reading.found)}


def _silence(row: _Row, own: StretchReading, own_seq: int, facts: Facts) -> Steps:
    """Read the noise while nothing plays."""
    channel = row.channel
    yield from _tips_on(channel)
    reading, seq = yield from read_silence(
        f"the noise of {channel.name}", "verify_noise", facts.output_kind(channel.name)
    )
    row.found["noise"] = {
        **noise_levels(reading, own, channel, facts),
        "stretch_seqs": {"own": own_seq, "output": seq},
    }


def _tips_on(channel: ChannelPlan) -> Steps:
    yield from place_tips(
        f"tip A on the positive and tip B on the negative terminal of {channel.name}",
        Point("channel", "positive", channel.name),
        Point("channel", "negative", channel.name),
    )


def _judge_wire(row: _Row) -> Steps:
    """Say which channel of the player it is, which way round, and through which filters."""
    reading = row.wire
    found = None if reading is None else reading.found
    if not isinstance(found, WireReading):
        why = "" if reading is None or reading.void is None else reading.void.reason
        row.found.update({"polarity": "cannot_tell", "carries": [], "filters": None})
        row.found["not_told"] = f"The coded track was not heard. {why}".strip()
        return
    filters: dict[str, Any] = yield Compute(
        f"The filters of {row.channel.name} are looked for: up to half a minute.",
        partial(_filters, found),
    )
    row.found.update(
        {
            "polarity": found.parts[0].polarity,
            "carries": [part.channel for part in found.parts],
            **filters,
        }
    )
    if found.parts[0].polarity == "reversed":
        row.doubts.append("polarity REVERSED: swap its two wires, or its switch, and verify again")


def _filters(found: WireReading) -> dict[str, Any]:
    from levelset.analysis.response_fit import fit_response
    from levelset.analysis.response_words import response_words

    curve = found.parts[0].transfer.curve()
    filters = fit_response(curve)
    return {"filters": plain(filters), "filter_words": list(response_words(filters, curve))}


def _judge_offset(row: _Row, offset: dict[str, Any] | None) -> None:
    row.found["offset_v"] = None if offset is None else offset["volts"]
    if offset is not None and offset["verdict"] == "look again":
        row.doubts.append("DC at its output deserves a second look")


def _judge_matches(rows: list[_Row], plan: JobPlan) -> None:
    now = {
        row.channel.name: {"set_volts_rms": row.found["volts_rms"], "limited_by": ""}
        for row in rows
    }
    above = above_its_group(plan, now)
    for row in rows:
        if row.channel.name in above:
            lowest, by_db = above[row.channel.name]
            row.doubts.append(
                f"{by_db:.2f} dB above {lowest}, which it has to match within {MATCH_DB:g} dB"
            )


def _finish(rows: list[_Row], plan: JobPlan) -> Finish:
    measured = {row.channel.name: row.as_json() for row in rows}
    table = [
        measured.get(channel.name)
        or {"channel": channel.name, "verdict": "not measured", "reasons": ["no gain was set"]}
        for channel in plan.channels
    ]
    bad = [row for row in table if row["verdict"] != "ok"]
    words = "; ".join(f"{row['channel']}: {', '.join(row['reasons'])}" for row in bad)
    return Finish(
        "failed" if bad else "accepted",
        f"Look again: {words}." if bad else "Every channel is as it was set.",
        {"channels": table, "readings": {row["channel"]: row.get("reading") for row in table}},
    )
