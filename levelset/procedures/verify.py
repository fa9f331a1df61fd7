"""Every channel once more: same volume, same tone, nothing touched."""

from __future__ import annotations

from typing import Any

from levelset.plan.job import ChannelPlan, JobPlan
from levelset.ports.base import Point
from levelset.probe.reading import TipsReading, reading_as_json
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
from levelset.procedures.facts import Facts
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    Finish,
    Guidance,
    Procedure,
    StepFailed,
)
from levelset.procedures.steady import over_limit
from levelset.units import db_from_ratio

MOVED_DB = 0.1
"""A channel that differs by more from the gain that was set deserves another look, dB."""


def verify(plan: JobPlan, facts: Facts) -> Procedure:
    """Measure every channel whose gain was set, compare, and end the tone."""
    gains = {c.name: facts.result("gain", c.name) for c in plan.channels}
    clean = facts.result("clean_volume", None)
    if clean is None or all(gain is None for gain in gains.values()):
        yield Finish("skipped", "No gain was set yet.", {})
        return
    yield Acknowledge(cautions.LOUDSPEAKER_OFF)
    yield from start_engine(facts)
    yield from set_volume(clean["volume"])
    rows: list[dict[str, Any]] = []
    for channel in plan.channels:
        gain = gains[channel.name]
        if gain is None:
            rows.append(
                {"channel": channel.name, "verdict": "not measured", "reasons": ["no gain was set"]}
            )
        else:
            row = yield from _channel(channel, gain, facts, plan)
            rows.append(row)
    yield from stop_tone(plan)
    yield Acknowledge(cautions.RESTORE)
    bad = [row for row in rows if row["verdict"] != "ok"]
    words = "; ".join(f"{row['channel']}: {', '.join(row['reasons'])}" for row in bad)
    yield Finish(
        "failed" if bad else "accepted",
        f"Look again: {words}." if bad else "Every channel is as it was set.",
        {"channels": rows, "readings": {row["channel"]: row.get("reading") for row in rows}},
    )


def _channel(channel: ChannelPlan, gain: dict[str, Any], facts: Facts, plan: JobPlan) -> Steps:
    yield from place_tips(
        f"tip A on the positive and tip B on the negative terminal of {channel.name}",
        Point("channel", "positive", channel.name),
        Point("channel", "negative", channel.name),
    )
    target = channel.target
    yield from start_tone(channel_track(channel.name, channel.set_tone_hz, target.tone_dbfs), plan)
    spec = tone_spec(channel.set_tone_hz, facts.output_kind(channel.name), plan)
    set_v = gain["set_volts_rms"]["value"]
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
    reasons = []
    if abs(by_db) > MOVED_DB:
        reasons.append(f"{by_db:+.2f} dB from the gain that was set")
    if over_limit(one, plan.limit_percent, doubtful=False):
        reasons.append(f"not clean, THD {one.tone.thd_percent.value:.2f} %")
    seq: int = yield Accept(reading, "verify", {"set_volts_rms": set_v})
    return {
        "channel": channel.name,
        "verdict": "look again" if reasons else "ok",
        "reasons": reasons,
        "volts_rms": one.volts_rms.as_json(),
        "deviation_db": by_db,
        "thd_percent": one.tone.thd_percent.as_json(),
        "clipping": one.tone.clipping.state,
        "reading_seq": seq,
        "reading": reading_as_json(one),
    }
