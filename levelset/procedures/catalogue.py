"""Every procedure by its name, and the order of the whole job."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from levelset.errors import UsageError
from levelset.plan.job import ChannelPlan, JobPlan
from levelset.ports.base import PortInfo
from levelset.procedures.battery_touch import battery_touch
from levelset.procedures.calibrate import calibrate
from levelset.procedures.checklist import checklist
from levelset.procedures.clean_volume import clean_volume
from levelset.procedures.dc_offset import dc_offset
from levelset.procedures.engine import Engine
from levelset.procedures.facts import Facts, StepResult
from levelset.procedures.gain import set_gain
from levelset.procedures.input_level import input_level
from levelset.procedures.input_match import input_match
from levelset.procedures.noise import noise
from levelset.procedures.output_kind import output_kind
from levelset.procedures.path_check import Samples, path_check
from levelset.procedures.probe_check import probe_check
from levelset.procedures.processor import set_processor
from levelset.procedures.protocol import Procedure
from levelset.procedures.response import response
from levelset.procedures.supply_voltage import supply_voltage
from levelset.procedures.tap_check import tap_check
from levelset.procedures.verify import verify
from levelset.procedures.which_wire import two_taps, which_wire
from levelset.procedures.who_clipped import name_the_stage


@dataclass(frozen=True, slots=True)
class Situation:
    """What a procedure may know when it starts.

    Parameters
    ----------
    plan : JobPlan
        The plan of the job.
    facts : Facts
        What the steps before have established.
    info : PortInfo
        The open port.
    channel : ChannelPlan or None
        Amplifier channel, None for the source or the whole system.
    samples : callable
        Samples of frames that were listened to in the last 30 s.
    """

    plan: JobPlan
    facts: Facts
    info: PortInfo
    channel: ChannelPlan | None
    samples: Samples

    def of_channel(self, procedure: str) -> ChannelPlan:
        """Return the amplifier channel; raises UsageError where a procedure needs one."""
        if self.channel is None:
            raise UsageError(f"{procedure} needs a channel", "name it with --channel")
        return self.channel


def _path_check(now: Situation) -> Procedure:
    return path_check(now.plan, now.facts, now.info, now.samples)


def _input_level(now: Situation) -> Procedure:
    return input_level(now.plan, now.info)


def _checklist(now: Situation) -> Procedure:
    return checklist(now.plan)


def _calibrate(now: Situation) -> Procedure:
    return calibrate(now.plan, now.info, now.facts)


def _output_kind(now: Situation) -> Procedure:
    tone_hz = _source_tone_hz(now) if now.channel is None else now.channel.set_tone_hz
    return output_kind(now.plan, now.facts, now.channel, tone_hz)


def _clean_volume(now: Situation) -> Procedure:
    return clean_volume(now.plan, now.facts, _source_tone_hz(now))


def _gain(now: Situation) -> Procedure:
    return set_gain(now.plan, now.facts, now.of_channel("gain"))


def _verify(now: Situation) -> Procedure:
    return verify(now.plan, now.facts)


def _probe_check(now: Situation) -> Procedure:
    return probe_check(now.plan, now.facts)


def _source_tone_hz(now: Situation) -> float:
    return now.plan.channels[0].set_tone_hz


def _battery_touch(now: Situation) -> Procedure:
    return battery_touch(now.plan, now.facts)


def _tap_check(now: Situation) -> Procedure:
    return tap_check(now.plan, now.facts)


def _dc_offset(now: Situation) -> Procedure:
    return dc_offset(now.plan, now.facts, now.of_channel("dc_offset"))


def _supply_voltage(now: Situation) -> Procedure:
    return supply_voltage(now.plan, now.facts)


def _which_wire(now: Situation) -> Procedure:
    return which_wire(now.plan)


def _two_taps(now: Situation) -> Procedure:
    return two_taps(now.plan, now.facts)


def _response(now: Situation) -> Procedure:
    return response(now.plan, now.facts)


def _noise(now: Situation) -> Procedure:
    return noise(now.plan, now.facts, now.channel)


def _processor(now: Situation) -> Procedure:
    return set_processor(now.plan, now.facts)


def _input_match(now: Situation) -> Procedure:
    return input_match(now.plan, now.facts)


def _who_clipped(now: Situation) -> Procedure:
    return name_the_stage(now.plan, now.facts, now.of_channel("who_clipped"))


CATALOGUE: dict[str, Callable[[Situation], Procedure]] = {
    "checklist": _checklist,
    "path_check": _path_check,
    "input_level": _input_level,
    "calibrate": _calibrate,
    "battery_touch": _battery_touch,
    "supply_voltage": _supply_voltage,
    "tap_check": _tap_check,
    "output_kind": _output_kind,
    "which_wire": _which_wire,
    "two_taps": _two_taps,
    "clean_volume": _clean_volume,
    "processor": _processor,
    "response": _response,
    "noise": _noise,
    "input_match": _input_match,
    "gain": _gain,
    "who_clipped": _who_clipped,
    "dc_offset": _dc_offset,
    "verify": _verify,
    "probe_check": _probe_check,
}

PER_CHANNEL: frozenset[str] = frozenset({"who_clipped"})
"""Procedures beside the whole job that are about one amplifier channel."""


def run_step(engine: Engine, info: PortInfo, name: str, channel_name: str | None) -> StepResult:
    """Run one procedure by its name.

    Raises
    ------
    UsageError
        If there is no such procedure or channel.
    """
    start = CATALOGUE.get(name)
    if start is None:
        raise UsageError(f"there is no procedure {name!r}", f"use one of {', '.join(CATALOGUE)}")
    channel = None if channel_name is None else channel_of(engine.plan, channel_name)
    now = Situation(engine.plan, engine.facts, info, channel, engine.samples)
    return engine.run(name, channel_name, start(now))


def channel_of(plan: JobPlan, name: str) -> ChannelPlan:
    """Return the channel of a name; raises UsageError where the plan has none."""
    channels = {channel.name: channel for channel in plan.channels}
    if name not in channels:
        raise UsageError(f"the plan has no channel {name!r}", f"use one of {', '.join(channels)}")
    return channels[name]


def whole_job(plan: JobPlan) -> Iterator[tuple[str, str | None]]:
    """Yield procedure and channel of every step in the order of the job."""
    yield "checklist", None
    yield "calibrate", None
    yield "battery_touch", None
    yield "supply_voltage", None
    yield "output_kind", None
    yield "tap_check", None
    yield "clean_volume", None
    if plan.processor is not None:
        yield "processor", None
    yield "input_match", None
    for channel in plan.channels:
        yield "output_kind", channel.name
        yield "gain", channel.name
        yield "dc_offset", channel.name
    yield "verify", None
    yield "probe_check", None


def further_steps(plan: JobPlan) -> Iterator[tuple[str, str | None]]:
    """Yield procedure and channel of every step that can be done beside the whole job."""
    of_job = {name for name, _ in whole_job(plan)}
    for name in CATALOGUE:
        if name in of_job or (name == "processor" and plan.processor is None):
            continue
        if name in PER_CHANNEL:
            yield from ((name, channel.name) for channel in plan.channels)
        else:
            yield name, None
