"""Every stage from the full-scale recording to the loudspeaker, in volts and decibels.

What is planned and what has been measured so far make one table for each channel: what goes through
each stage when the recording is at full scale, what the stage can take, and so which one limits
first and what to turn. Pure arithmetic on the plan and on results of the record.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from levelset.plan.equipment import ProcessorPlan
from levelset.plan.job import ChannelPlan, JobPlan
from levelset.plan.target import rated_power_w
from levelset.quantity import Quantity
from levelset.units import db_from_ratio, ratio_from_db


@dataclass(frozen=True, slots=True)
class StageLevel:
    """One stage of the chain.

    Parameters
    ----------
    stage : str
        What it is.
    level_v_rms : float or None
        A sine at full scale of the recording, at the volume in use, V; None while not known.
    limit_v_rms : float or None
        Largest clean sine of this stage, V; None while not known.
    measured : bool
        Whether the level was measured, not planned.
    note : str
        Where limit and level come from, or what to do.
    """

    stage: str
    level_v_rms: float | None
    limit_v_rms: float | None
    measured: bool
    note: str

    @property
    def headroom_db(self) -> float | None:
        """Limit over level, dB; negative where the stage clips at full scale."""
        if not self.level_v_rms or not self.limit_v_rms:
            return None
        return db_from_ratio(self.limit_v_rms / self.level_v_rms)


@dataclass(frozen=True, slots=True)
class GainStructure:
    """The chain of one channel.

    Parameters
    ----------
    channel : str
        Name of the channel.
    tone_dbfs : float
        Level of the set tone, dBFS: minus the gain overlap.
    stages : tuple of StageLevel
        In the order of the signal.
    gain_db : float or None
        Amplification from the amplifier's input to its output, dB; needed or, where set, in use.
    limits_first : str or None
        The stage with the least headroom; None while fewer than two are known.
    advice : str
        What to turn or measure next, one sentence.
    """

    channel: str
    tone_dbfs: float
    stages: tuple[StageLevel, ...]
    gain_db: float | None
    limits_first: str | None
    advice: str


@dataclass(frozen=True, slots=True)
class LevelFacts:
    """What has been measured, as stored results; None where it has not.

    Parameters
    ----------
    clean_volume : dict or None
        Result of the clean-volume search.
    gains : mapping of str to dict or None
        Results of the gains, by channel.
    supply : dict or None
        Result of the supply voltages.
    processor : dict or None
        Result of the processor's or line converter's output level.
    """

    clean_volume: dict[str, Any] | None
    gains: Mapping[str, dict[str, Any] | None]
    supply: dict[str, Any] | None = None
    processor: dict[str, Any] | None = None


def processor_in_use(
    plan: JobPlan, clean: dict[str, Any] | None, processor: dict[str, Any] | None
) -> dict[str, Any] | None:
    """Return the result of the processor's output level while it counts.

    It counts at the clean volume at which it was set: None at another one, and where the plan has
    no processor.
    """
    if plan.processor is None or clean is None or processor is None:
        return None
    return processor if processor.get("volume") == clean.get("volume") else None


def amplifier_input_v_rms(
    plan: JobPlan, clean: dict[str, Any] | None, processor: dict[str, Any] | None
) -> Quantity | None:
    """Return the voltage at the amplifiers' inputs at the source's clean maximum, V.

    That of the source, or of the processor's output where the plan has one.

    Parameters
    ----------
    plan : JobPlan
        The plan.
    clean, processor : dict or None
        Results of the clean-volume search and of the processor's output level.

    Returns
    -------
    Quantity or None
        None while it is not measured: a processor may raise or lower it.
    """
    found = clean if plan.processor is None else processor_in_use(plan, clean, processor)
    volts = None if found is None else found.get("volts_rms")
    if not isinstance(volts, Mapping):
        return None
    return Quantity(float(volts["value"]), float(volts["u"]), "V")


def input_span_v_rms(channel: ChannelPlan) -> tuple[float, float] | None:
    """Return the input voltages for the target with the gain knob at either end, V.

    The label's range is for full power; the target may need less. None where the plan has none.
    """
    span = channel.input_range_v_rms
    if span is None:
        return None
    rated_v = math.sqrt(rated_power_w(channel.ratings, channel.net_load_ohm) * channel.net_load_ohm)
    part = channel.target.volts_rms / rated_v
    return span[0] * part, span[1] * part


def gain_structure(plan: JobPlan, channel: ChannelPlan, facts: LevelFacts) -> GainStructure:
    """Return the chain of one channel.

    Parameters
    ----------
    plan : JobPlan
        The plan.
    channel : ChannelPlan
        The channel.
    facts : LevelFacts
        What has been measured.

    Notes
    -----
    A tone at ``tone_dbfs`` is set to the target; the recording's full scale is louder by the gain
    overlap, at the source and everywhere behind it.
    """
    overlap_db = -channel.target.tone_dbfs
    source_v = _volts(facts.clean_volume, "volts_rms")
    gain = facts.gains.get(channel.name)
    set_v = _volts(gain, "set_volts_rms")
    tone_v = channel.target.volts_rms if set_v is None else set_v
    full_v = tone_v * ratio_from_db(overlap_db)
    stages = [_source(facts, source_v)]
    if plan.processor is not None:
        stages += _processor(plan, plan.processor, facts, source_v)
    fed = amplifier_input_v_rms(plan, facts.clean_volume, facts.processor)
    input_v = None if fed is None else fed.value
    gain_db = None if input_v is None else db_from_ratio(full_v / input_v)
    stages.append(_input(channel, input_v))
    stages.append(_output(plan, channel, facts, full_v, gain, set_v))
    if channel.loudspeaker_w is not None:
        limit_v = math.sqrt(channel.loudspeaker_w * channel.net_load_ohm)
        # An overlap is for music: the rating of the loudspeaker is one for its mean power.
        note = f"{channel.loudspeaker_w:g} W continuous, against the set tone"
        stages.append(StageLevel("loudspeaker", tone_v, limit_v, set_v is not None, note))
    known = [one for one in stages if one.headroom_db is not None]
    first = min(known, key=lambda one: one.headroom_db or 0.0) if len(known) > 1 else None
    return GainStructure(
        channel.name,
        channel.target.tone_dbfs,
        tuple(stages),
        gain_db,
        None if first is None else first.stage,
        _advice(plan, channel, facts, gain, stages, gain_db),
    )


def _source(facts: LevelFacts, source_v: float | None) -> StageLevel:
    clean = facts.clean_volume
    if clean is None or source_v is None:
        return StageLevel("source", None, None, False, "find the clean volume")
    found = "end of the volume" if clean.get("limited_by") == "range" else "clean"
    return StageLevel("source", source_v, source_v, True, f"volume {clean['volume']}, {found}")


def _processor(
    plan: JobPlan, processor: ProcessorPlan, facts: LevelFacts, source_v: float | None
) -> list[StageLevel]:
    found = processor_in_use(plan, facts.clean_volume, facts.processor)
    set_v, clip_v = _volts(found, "volts_rms"), _volts(found, "clip_volts_rms")
    kind = processor.kind.replace("_", " ")
    note = "set its own output level before any gain" if set_v is None else "set"
    if clip_v is not None:
        note += "; clipping measured"
    measured = source_v is not None
    limit_v = processor.max_output_v_rms if clip_v is None else clip_v
    return [
        StageLevel(f"{kind}, input", source_v, processor.max_input_v_rms, measured, processor.name),
        StageLevel(f"{kind}, output", set_v, limit_v, set_v is not None, note),
    ]


def _input(channel: ChannelPlan, input_v: float | None) -> StageLevel:
    span = input_span_v_rms(channel)
    if span is None:
        return StageLevel("amplifier, input", input_v, None, input_v is not None, "range not noted")
    low_v, high_v = span
    note = f"{low_v:.2f} to {high_v:.2f} V for the target between both ends of the knob"
    if input_v is not None and input_v < low_v:
        note += f"; too weak by {db_from_ratio(low_v / input_v):.1f} dB"
    return StageLevel("amplifier, input", input_v, high_v, input_v is not None, note)


def _output(
    plan: JobPlan,
    channel: ChannelPlan,
    facts: LevelFacts,
    full_v: float,
    gain: dict[str, Any] | None,
    set_v: float | None,
) -> StageLevel:
    clip_v = _volts(gain, "clip_volts_rms")
    if clip_v is not None:
        limit_v, note = clip_v, "clipping measured without load: expect less under load"
    else:
        limit_v, note = channel.target.clean_volts_rms, "from the rating"
        running_v, drops = _supply_v(plan, facts)
        amplifier = plan.amplifier_of(channel)
        if running_v is not None:
            if amplifier is None:
                ratio = running_v / channel.rated_supply_v
            else:
                ratio = amplifier.clip_ratio(
                    channel.net_load_ohm, running_v, bridged=channel.bridged
                )
            limit_v, note = limit_v * ratio, f"from the rating, at {running_v:.1f} V supply{drops}"
    level = "set" if set_v is not None else "target"
    return StageLevel("amplifier, output", full_v, limit_v, set_v is not None, f"{level}; {note}")


def _supply_v(plan: JobPlan, facts: LevelFacts) -> tuple[float | None, str]:
    """Return the supply at the amplifier with the engine running, V, and what was taken off."""
    running_v = _volts(facts.supply, "engine_on_v") or plan.supply.running_v
    lost_v = sum(_volts(facts.supply, key) or 0.0 for key in ("drop_plus_v", "drop_ground_v"))
    if running_v is None or lost_v <= 0.0:
        return running_v, ""
    return running_v - lost_v, f" with {lost_v:.2f} V lost on the cables under load"


def _advice(
    plan: JobPlan,
    channel: ChannelPlan,
    facts: LevelFacts,
    gain: dict[str, Any] | None,
    stages: list[StageLevel],
    gain_db: float | None,
) -> str:
    """Name the first thing that is missing or wrong, in the order of the signal."""
    if facts.clean_volume is None:
        return "Find the clean volume of the source first: every gain depends on it."
    for one in stages[1:-1]:
        headroom_db = one.headroom_db
        if "input" in one.stage and headroom_db is not None and headroom_db < 0.0:
            return (
                f"{one.stage.capitalize()}: {-headroom_db:.1f} dB too hot. Lower the source, or "
                "put a line converter or its own input switch in front."
            )
        if "too weak" in one.note:
            return f"{one.stage.capitalize()}: {one.note}. It needs a line driver."
    processor = plan.processor
    if processor is not None and not processor_in_use(plan, facts.clean_volume, facts.processor):
        return f"Set the output level of {processor.name} first: every gain depends on it."
    if gain is None:
        needed = "" if gain_db is None else f", {gain_db:.1f} dB of amplification"
        return f"Set the gain of {channel.name} to {channel.target.volts_rms:.2f} V{needed}."
    overlap_db = -channel.target.tone_dbfs
    if overlap_db > 0.0:
        output = next(one for one in stages if one.stage == "amplifier, output")
        over_db = -(output.headroom_db or 0.0)
        if over_db > 0.0:
            return (
                f"Recorded peaks clip by up to {over_db:.1f} dB: that is what a gain overlap of "
                f"{overlap_db:g} dB is for."
            )
    return "Nothing to turn: verify with everything back on."


def _volts(result: Mapping[str, Any] | None, key: str) -> float | None:
    value = None if result is None else result.get(key)
    return float(value["value"]) if isinstance(value, Mapping) else None
