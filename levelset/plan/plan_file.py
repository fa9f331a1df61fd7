"""The plan of a vehicle as one readable file: what is in it, and what it may say.

A plan file is TOML::

    vehicle = "an invented estate"      # text, as it shall stand in the record
    tone_from = "vehicle"               # who plays the tones: "vehicle" or "levelset"
    limit_percent = 1.0                 # THD above which a signal is not clean
    margin_db = 0.5                     # back-off below the onset of clipping
    wake_up_volts = 3.0                 # bias that wakes up the amplifier, by its manual; may be
                                        # left out

    [source]
    max_volume = 40                     # highest number of the display
    start_volume = 10

    [[channel]]                         # one for each amplifier channel, in the order of setting
    name = "bass"
    load = "4||4"                       # 4+4 is in series, 4||4 in parallel
    rated = [[4.0, 150.0], [2.0, 250.0]]    # ohm, watts, from the amplifier's label
    rated_supply = 14.4
    band_hz = [25, 80]
    loudspeaker_w = 300                 # may be left out
    overlap_db = 0.0                    # gain overlap, may be left out

    [probe]
    divider = 100.0
    max_volts = 120.0                   # what its resistors are stated for, peak
    full_scale_volts_peak = 1.5         # of the interface's input, from its data sheet
    coupling_hz = [2.1]                 # its input coupling; [] where it passes DC
    tips = 2
    ground_lead_ratio = 0.009           # from levelset probe; left out without that resistor

    [meter]                             # AC volts, from the multimeter's manual
    percent = 0.8
    counts = 3
    resolution_v = 0.01
    range_hz = [40, 400]                # where that holds, may be left out
    true_rms = true                     # false for sines only; may be left out
    dc_percent = 0.5                    # DC volts; all three may be left out
    dc_counts = 2
    dc_resolution_v = 0.01
"""

from __future__ import annotations

from typing import Any, Literal

from levelset.errors import UsageError
from levelset.plan.job import ChannelPlan, JobPlan, MeterSpec, ProbePlan, SourcePlan, plan_channel
from levelset.plan.load import net_load_ohm
from levelset.plan.target import Rating
from levelset.tables import Table

MOST_CHANNELS = 16
LONGEST_TEXT = 80


def plan_from_document(document: dict[str, Any]) -> JobPlan:
    """Check a parsed plan file.

    Parameters
    ----------
    document : dict
        What the TOML file holds.

    Returns
    -------
    JobPlan
        Never marked as invented: that mark belongs to demonstrations.

    Raises
    ------
    UsageError
        Naming the key, if one is missing, unknown, of the wrong type or out of range, or a load
        is below what its amplifier is rated for.
    """
    top = Table("the plan", document)
    has_wake_up = top.has("wake_up_volts")
    top.expect(
        "vehicle", "tone_from", "limit_percent", "margin_db", "source", "channel", "probe", "meter"
    )
    tone_from: Literal["vehicle", "levelset"] = (
        "levelset" if top.word("tone_from", "vehicle", "levelset") == "levelset" else "vehicle"
    )
    return JobPlan(
        vehicle=top.text("vehicle", LONGEST_TEXT),
        invented=False,
        source=_source(Table("[source]", document["source"])),
        channels=_channels(document["channel"]),
        probe=_probe(Table("[probe]", document["probe"]), Table("[meter]", document["meter"])),
        tone_from=tone_from,
        limit_percent=top.number("limit_percent", 0.01, 30.0),
        margin_db=top.number("margin_db", 0.0, 12.0),
        wake_up_volts=top.number("wake_up_volts", 0.1, 20.0) if has_wake_up else None,
    )


def _source(table: Table) -> SourcePlan:
    table.expect("max_volume", "start_volume")
    most = table.integer("max_volume", 1, 1000)
    return SourcePlan(most, table.integer("start_volume", 0, most))


def _channels(values: object) -> tuple[ChannelPlan, ...]:
    if not isinstance(values, list) or not 0 < len(values) <= MOST_CHANNELS:
        raise UsageError(
            "[[channel]] is no list of channels", f"write 1 to {MOST_CHANNELS} tables [[channel]]"
        )
    channels = tuple(_channel(Table(f"[channel {n}]", v)) for n, v in enumerate(values, 1))
    names = [channel.name for channel in channels]
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"two channels are called {name!r}", "give every channel its own name")
    return channels


def _channel(table: Table) -> ChannelPlan:
    loudspeaker_w = (
        table.number("loudspeaker_w", 0.1, 100_000.0) if table.has("loudspeaker_w") else None
    )
    overlap_db = table.number("overlap_db", 0.0, 15.0) if table.has("overlap_db") else 0.0
    table.expect("name", "load", "rated", "rated_supply", "band_hz")
    load = table.text("load", LONGEST_TEXT)
    try:
        net_load_ohm(load)
    except UsageError as fault:
        raise table.error("load", f"cannot be used: {fault.what}", fault.todo) from None
    return plan_channel(
        name=table.text("name", LONGEST_TEXT),
        load=load,
        ratings=tuple(
            Rating(ohm, watts)
            for ohm, watts in table.pairs("rated", 8, (0.1, 1000.0), (0.1, 100_000.0))
        ),
        rated_supply_v=table.number("rated_supply", 5.0, 60.0),
        loudspeaker_w=loudspeaker_w,
        band_hz=table.span("band_hz", 5.0, 40_000.0),
        overlap_db=overlap_db,
    )


def _probe(probe: Table, meter: Table) -> ProbePlan:
    ratio = probe.number("ground_lead_ratio", 0.0, 0.05) if probe.has("ground_lead_ratio") else 0.0
    range_hz = meter.span("range_hz", 1.0, 1e6) if meter.has("range_hz") else None
    true_rms = meter.flag("true_rms") if meter.has("true_rms") else None
    has_dc = meter.has("dc_percent")
    probe.expect("divider", "max_volts", "full_scale_volts_peak", "coupling_hz", "tips")
    dc_keys = ("dc_percent", "dc_counts", "dc_resolution_v") if has_dc else ()
    meter.expect("percent", "counts", "resolution_v", *dc_keys)
    return ProbePlan(
        divider=probe.number("divider", 1.0, 10_000.0),
        max_volts=probe.number("max_volts", 1.0, 1000.0),
        full_scale_volts_peak=probe.number("full_scale_volts_peak", 0.01, 100.0),
        coupling_hz=tuple(probe.numbers("coupling_hz", 0, 2, 0.01, 100.0)),
        tips=probe.integer("tips", 1, 2),
        meter=MeterSpec(
            percent=meter.number("percent", 0.0, 10.0),
            counts=meter.number("counts", 0.0, 100.0),
            resolution_v=meter.number("resolution_v", 1e-6, 10.0),
            frequency_hz=range_hz,
            true_rms=true_rms,
        ),
        ground_lead_ratio=ratio,
        meter_dc=MeterSpec(
            percent=meter.number("dc_percent", 0.0, 10.0),
            counts=meter.number("dc_counts", 0.0, 100.0),
            resolution_v=meter.number("dc_resolution_v", 1e-6, 10.0),
        )
        if has_dc
        else None,
    )
