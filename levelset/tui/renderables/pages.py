"""Pages of text: the plan, a result, the help."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.plan.supply import feeds
from levelset.procedures.facts import DONE
from levelset.tui.renderables.plan_rows import listed
from levelset.tui.renderables.wording import (
    OUTCOMES,
    flowed,
    frequency,
    moment,
    number,
    procedure_words,
    volts,
    watts,
    wrapped,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from levelset.plan.job import ChannelPlan, JobPlan
    from levelset.procedures.agenda import Entry
    from levelset.procedures.facts import StepResult
    from levelset.record.schema import StepData
    from levelset.record.summary import JobRow, JobSummary

LIMITS = {
    "target": "the amplifier's rating",
    "loudspeaker": "the loudspeaker's rating",
    "match": "the weakest channel it must match",
}

INVENTED = "INVENTED: nothing on this page is a real vehicle or product."


def plan_lines(plan: JobPlan, width: int) -> list[str]:
    """Return the plan page.

    Parameters
    ----------
    plan : JobPlan
        The plan.
    width : int
        Longest line.

    Returns
    -------
    list of str
        A block of lines for each channel, then source, probe and meter.
    """
    lines = [INVENTED, ""] if plan.invented else []
    for channel in plan.channels:
        lines += _channel_lines(channel, width)
        lines.append("")
    if plan.processor is not None:
        lines += _labelled("between", plan.processor.name, width)
    for cable in feeds(plan):
        lines += _labelled("feed", cable.text(), width)
        for finding in cable.findings:
            lines += _labelled("LOOK", finding, width)
    if plan.unconfirmed:
        text = f"NOT YET CONFIRMED, from a template: {listed(plan.unconfirmed)}"
        lines += ["", *wrapped(text, width), ""]
    who = "the vehicle's own player" if plan.tone_from == "vehicle" else "levelset"
    probe, meter = plan.probe, plan.probe.meter
    for label, text in (
        (
            "source",
            f"volume {plan.source.start_volume} to begin with, {plan.source.max_volume} at most; "
            f"tones from {who}",
        ),
        (
            "limits",
            f"clean up to {plan.limit_percent:g} % THD; {plan.margin_db:g} dB below the onset of "
            "clipping",
        ),
        (
            "probe",
            f"{probe.tips} tips, divides by {number(probe.divider)}, up to "
            f"{number(probe.max_volts)} V peak",
        ),
        (
            "meter",
            f"AC volts within {number(meter.percent)} % and {number(meter.counts)} counts of "
            f"{number(meter.resolution_v)} V",
        ),
    ):
        lines += _labelled(label, text, width)
    return lines


def _channel_lines(channel: ChannelPlan, width: int) -> list[str]:
    target = channel.target
    net = f"{number(channel.net_load_ohm)} ohm"
    wired = channel.load.strip()
    if channel.bridged:
        net = f"{net} bridged, {number(channel.output_load_ohm)} ohm on each half"
    load = net if wired in (net, number(channel.net_load_ohm)) else f"{wired} = {net} net"
    rated = ", ".join(f"{watts(r.power_w)} into {number(r.load_ohm)} ohm" for r in channel.ratings)
    low, high = channel.band_hz
    speaker = "" if channel.loudspeaker_w is None else f"; takes {watts(channel.loudspeaker_w)}"
    lines = [f"{channel.name.upper()}   target {volts(target.volts_rms)}"]
    if channel.amplifier is not None:
        lines += _labelled("by", channel.amplifier, width, indent=2)
    if channel.match is not None:
        lines += _labelled("match", f"set to one voltage with all of {channel.match}", width, 2)
    for label, text in (
        (
            "target",
            f"{watts(target.power_w)} into {number(target.net_load_ohm)} ohm, limited by "
            f"{LIMITS[target.limited_by]}; clipping begins near {volts(target.clean_volts_rms)}",
        ),
        ("load", f"{load}{speaker}"),
        ("rated", f"{rated} at {number(channel.rated_supply_v)} V"),
        (
            "tone",
            f"{frequency(channel.set_tone_hz)} at {target.tone_dbfs:.0f} dBFS; plays "
            f"{frequency(low)} to {frequency(high)}",
        ),
    ):
        lines += _labelled(label, text, width, indent=2)
    return lines


def target_line(channel: ChannelPlan, width: int) -> str:
    """Return a channel in one line: load, target and what limits it."""
    target = channel.target
    text = (
        f"{channel.name}: {number(channel.net_load_ohm)} ohm net, target "
        f"{volts(target.volts_rms)}, {watts(target.power_w)}"
    )
    why = f"{text}, by {LIMITS[target.limited_by]}"
    return why if len(why) <= width else text[:width]


def job_line(job: JobRow, *, with_time: bool = False) -> str:
    """Return a recorded job as one line: day, title, vehicle, state.

    The time, in UTC, tells jobs of one day and name apart.
    """
    day = moment(job.created) if with_time else job.created[:10]
    day = day or "no date"
    vehicle = "" if job.vehicle == job.title else job.vehicle
    done = sum(channel.set_volts_rms is not None for channel in job.channels)
    state = job.state if job.fault else f"{job.state}, {done} of {len(job.channels)} set"
    if job.versions:
        state += ", other versions"
    return f"{day:<10} {' · '.join(part for part in (job.title, vehicle, state) if part)}"


def job_lines(job: JobSummary, width: int) -> list[str]:
    """Return the page of a recorded job: what it is, its channels, and every step."""
    lines = [INVENTED, ""] if job.invented else []
    if job.fault:
        lines += [*wrapped(f"DOES NOT HOLD: {job.fault}", width), ""]
    for label, text in (
        ("vehicle", job.vehicle),
        ("begun", moment(job.created)),
        ("changed", moment(job.changed)),
        ("state", f"{job.state}, {job.readings} readings accepted"),
    ):
        lines += _labelled(label, text, width)
    lines.append("")
    for channel in job.channels:
        text = channel.text().removeprefix(channel.name).strip()
        lines += _labelled(channel.name, text, width, column=13)
    for note in (*job.notes, *job.versions):
        lines += wrapped(note, width)
    if job.steps:
        lines += ["", *step_lines(job.steps, width)]
    return [*lines, "", "record", str(job.path)]


def step_lines(steps: Sequence[StepResult | StepData], width: int) -> list[str]:
    """Return what came of every step: outcome, what it was, and the sentence."""
    lines = []
    for step in steps:
        about = procedure_words(step.procedure)
        if step.channel is not None:
            about = f"{step.channel}: {about}"
        outcome = OUTCOMES.get(step.outcome, step.outcome.upper())
        lines.append(f"{outcome:<14}{about}"[:width])
        lines += [f"{'':14}{part}" for part in wrapped(step.sentence, width - 14)]
    return lines


IN_SHORT = ("gain", "verify")


def in_short(steps: Sequence[StepResult | StepData], width: int) -> list[str]:
    """Return what was set and found, and which steps are to be looked at again; may be nothing."""
    said = [one.sentence for one in steps if one.procedure in IN_SHORT and one.outcome in DONE]
    for one in steps:
        if one.outcome not in DONE:
            where = "" if one.channel is None else f"{one.channel}: "
            outcome = OUTCOMES.get(one.outcome, one.outcome.upper())
            said.append(f"{outcome}: {where}{procedure_words(one.procedure)}. {one.sentence}")
    return [*(line for text in said for line in wrapped(text, width)), ""] if said else []


def agenda_line(entry: Entry, width: int) -> str:
    """Return a step of the job as one line: what became of it, and what it is."""
    if entry.outdated_by is not None:
        state = "DO AGAIN"
    elif entry.step is not None:
        state = OUTCOMES.get(entry.step.outcome, entry.step.outcome.upper())
    else:
        state = "if wanted" if entry.further else "TO DO"
    about = entry_words(entry)
    if entry.outdated_by is not None:
        about += f" (since then: {procedure_words(entry.outdated_by)})"
    return f"{state:<14}{about}"[:width]


def entry_words(entry: Entry) -> str:
    """Return what a step is, in words."""
    words = procedure_words(entry.procedure)
    return words if entry.channel is None else f"{entry.channel}: {words}"


def _labelled(label: str, text: str, width: int, indent: int = 0, column: int = 7) -> list[str]:
    head = f"{'':{indent}}{label:<{column}} "
    parts = wrapped(text, width - len(head))
    return [f"{head}{parts[0]}", *(f"{'':{len(head)}}{part}" for part in parts[1:])]


def key_lines(keys: Sequence[tuple[str, str]], width: int) -> list[str]:
    """Return every key with what it does, in as few lines as they need."""
    return [line[:width] for line in flowed((f"{key} {what}" for key, what in keys), width, "   ")]
