"""The plan of a vehicle as one readable file: what is in it, and what it may say.

What is marked (o) may be left out. A plan file is TOML::

    vehicle = "an invented estate"      # text, as it shall stand in the record
    tone_from = "vehicle"               # who plays the tones: "vehicle" or "levelset"
    limit_percent = 1.0                 # THD above which a signal is not clean
    margin_db = 0.5                     # back-off below the onset of clipping
    wake_up_volts = 3.0                 # (o) bias that wakes up the amplifier, by its manual
    unconfirmed = ["channel.bass.load"] # (o) values of a template that nobody has confirmed yet

    [source]                            # [[source]] where there are several: the first one feeds
    name = "factory radio"              # (o)  the amplifiers while levels are set
    kind = "speaker_bridged"            # (o) speaker_grounded, balanced_line, line, fixed_level,
    max_volume = 40                     #     digital; highest number of the display
    start_volume = 10
    player_channels = 2                 # of the player of the tracks: 2, 4 or 6; may be left out

    [processor]                         # (o) between source and amplifiers
    name = "an invented line converter"
    kind = "line_converter"             # or "processor"
    max_input_volts = 20.0              # (o) largest clean voltages, RMS
    max_output_volts = 8.0              # (o)

    [[amplifier]]                       # (o) for channels that name it
    name = "bass amplifier"
    rated = [[4.0, 150.0], [2.0, 250.0]]    # ohm, watts of one channel, from its label
    rated_supply = 14.4
    rated_bridged = [[4.0, 500.0]]      # (o) of two channels bridged
    also_rated = [[4.0, 110.0, 12.6]]   # (o) ohm, watts, supply volts
    lowest_load_ohm = 2.0               # (o) of one channel
    lowest_bridged_ohm = 4.0            # (o) else twice that of one channel
    regulated = false                   # (o) true where the supply makes no difference
    class = "D"                         # (o) or "AB"
    input_range_volts = [0.2, 5.0]      # (o) for full power, between the ends of the gain knob
    fuse = 60                           # (o) by its manual
    feed = { awg = "4", length_m = 5.0, material = "copper", return_m = 0.5, fuse = 100 }
                                        # (o) its cable; return_m, fuse, insulation_c = 60 too

    [[channel]]                         # one for each amplifier channel, in the order of setting
    name = "bass"
    amplifier = "bass amplifier"        # or rated and rated_supply here, as above
    bridged = false                     # (o) two channels of the amplifier on this load
    load = "4||4"                       # 4+4 is in series, 4||4 in parallel; or coil_ohm = 4.0,
                                        # coils = 2, wiring = "parallel"
    band_hz = [25, 80]
    loudspeaker_w = 300                 # (o) all loudspeakers of this channel together
    overlap_db = 0.0                    # (o) gain overlap
    match = "bass"                      # (o) channels with the same word get the same voltage

    [supply]                            # (o)
    rest_volts = 12.5                   # (o)
    running_volts = 14.2                # (o)
    main = { area_mm2 = 35, length_m = 4.5, material = "copper_clad_aluminium", fuse = 100 }

    [probe]
    divider = 100.0
    max_volts = 120.0                   # what its resistors are stated for, peak
    full_scale_volts_peak = 1.5         # of the interface's input, from its data sheet
    coupling_hz = [2.1]                 # its input coupling; [] where it passes DC
    tips = 2
    ground_lead_ratio = 0.009           # (o) from levelset probe

    [meter]                             # AC volts, from the multimeter's manual
    percent = 0.8
    counts = 3
    resolution_v = 0.01
    range_hz = [40, 400]                # (o) where that holds
    true_rms = true                     # (o) false for sines only
    dc_percent = 0.5                    # (o) DC volts, all three
    dc_counts = 2
    dc_resolution_v = 0.01
"""

from __future__ import annotations

from typing import Any, Literal, cast

from levelset.errors import UsageError
from levelset.plan.equipment import AmplifierPlan, SupplyPlan
from levelset.plan.equipment_file import (
    LONGEST_TEXT,
    amplifiers_from,
    input_range_from,
    processor_from,
    ratings_from,
    supply_from,
)
from levelset.plan.job import ChannelPlan, JobPlan, MeterSpec, ProbePlan, SourcePlan, plan_channel
from levelset.plan.load import load_of_coils, net_load_ohm
from levelset.plan.match import matched_targets
from levelset.plan.plan_keys import value_at
from levelset.tables import Table

MOST_CHANNELS = 16
MOST_SOURCES = 4
SOURCE_KINDS = (
    "speaker_bridged",
    "speaker_grounded",
    "balanced_line",
    "line",
    "fixed_level",
    "digital",
)


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
    wake_up_v = top.optional("wake_up_volts", 0.1, 20.0)
    amplifiers = amplifiers_from(document["amplifier"]) if top.has("amplifier") else ()
    processor = processor_from(top.table("processor")) if top.has("processor") else None
    supply = supply_from(top.table("supply")) if top.has("supply") else SupplyPlan()
    unconfirmed = top.texts("unconfirmed", 500, 2 * LONGEST_TEXT) if top.has("unconfirmed") else []
    top.expect(
        "vehicle", "tone_from", "limit_percent", "margin_db", "source", "channel", "probe", "meter"
    )
    tone_from: Literal["vehicle", "levelset"] = (
        "levelset" if top.word("tone_from", "vehicle", "levelset") == "levelset" else "vehicle"
    )
    for key in unconfirmed:
        try:
            value_at(document, key)
        except UsageError:
            raise top.error(
                "unconfirmed", f"names {key!r:.80}, which is not there", "take it out of the list"
            ) from None
    source, *others = _sources(document["source"])
    return JobPlan(
        vehicle=top.text("vehicle", LONGEST_TEXT),
        invented=False,
        source=source,
        channels=_channels(document["channel"], amplifiers, supply.running_v),
        probe=_probe(Table("[probe]", document["probe"]), Table("[meter]", document["meter"])),
        tone_from=tone_from,
        limit_percent=top.number("limit_percent", 0.01, 30.0),
        margin_db=top.number("margin_db", 0.0, 12.0),
        wake_up_volts=wake_up_v,
        amplifiers=amplifiers,
        processor=processor,
        other_sources=tuple(others),
        supply=supply,
        unconfirmed=tuple(unconfirmed),
    )


def _sources(values: object) -> list[SourcePlan]:
    if isinstance(values, dict):
        return [_source(Table("[source]", values))]
    if not isinstance(values, list) or not 0 < len(values) <= MOST_SOURCES:
        raise UsageError("[source] is no table", f"write one [source] or up to {MOST_SOURCES}")
    return [_source(Table(f"[source {n}]", v)) for n, v in enumerate(values, 1)]


def _source(table: Table) -> SourcePlan:
    name = table.text("name", LONGEST_TEXT) if table.has("name") else "source"
    kind = table.word("kind", *SOURCE_KINDS) if table.has("kind") else None
    player_channels = 2
    if table.has("player_channels"):
        player_channels = table.integer("player_channels", 2, 6)
        if player_channels % 2:
            raise table.error("player_channels", "is odd", "give 2, 4 or 6")
    table.expect("max_volume", "start_volume")
    most = table.integer("max_volume", 1, 1000)
    start = table.integer("start_volume", 0, most)
    return SourcePlan(most, start, name, cast(Any, kind), player_channels)


def _channels(
    values: object, amplifiers: tuple[AmplifierPlan, ...], supply_v: float | None
) -> tuple[ChannelPlan, ...]:
    if not isinstance(values, list) or not 0 < len(values) <= MOST_CHANNELS:
        raise UsageError(
            "[[channel]] is no list of channels", f"write 1 to {MOST_CHANNELS} tables [[channel]]"
        )
    channels = tuple(
        _channel(Table(f"[channel {n}]", v), amplifiers, supply_v) for n, v in enumerate(values, 1)
    )
    names = [channel.name for channel in channels]
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"two channels are called {name!r}", "give every channel its own name")
    return matched_targets(channels)


def _channel(
    table: Table, amplifiers: tuple[AmplifierPlan, ...], supply_v: float | None
) -> ChannelPlan:
    loudspeaker_w = table.optional("loudspeaker_w", 0.1, 100_000.0)
    overlap_db = table.optional("overlap_db", 0.0, 15.0)
    match = table.text("match", LONGEST_TEXT) if table.has("match") else None
    bridged = table.flag("bridged") if table.has("bridged") else False
    input_range = input_range_from(table)
    amplifier = _amplifier_of(table, amplifiers) if table.has("amplifier") else None
    load = _load(table)
    own = () if amplifier is not None else ("rated", "rated_supply")
    table.expect("name", "band_hz", *own)
    name = table.text("name", LONGEST_TEXT)
    try:
        return plan_channel(
            name=name,
            load=load,
            ratings=(
                ratings_from(table, "rated")
                if amplifier is None
                else amplifier.ratings(bridged=bridged)
            ),
            rated_supply_v=(
                table.number("rated_supply", 5.0, 60.0)
                if amplifier is None
                else amplifier.rated_supply_v
            ),
            loudspeaker_w=loudspeaker_w,
            band_hz=table.span("band_hz", 5.0, 40_000.0),
            overlap_db=overlap_db or 0.0,
            supply_v=supply_v,
            amplifier=amplifier,
            bridged=bridged,
            input_range_v_rms=input_range,
            match=match,
        )
    except UsageError as fault:
        if table.name in fault.what or name in fault.what:
            raise
        raise UsageError(f"channel {name}: {fault.what}", fault.todo) from None


def _amplifier_of(table: Table, amplifiers: tuple[AmplifierPlan, ...]) -> AmplifierPlan:
    name = table.text("amplifier", LONGEST_TEXT)
    for one in amplifiers:
        if one.name == name:
            return one
    known = ", ".join(one.name for one in amplifiers) or "none"
    raise table.error("amplifier", f"{name!r} is not in the plan", f"the amplifiers are: {known}")


def _load(table: Table) -> str:
    """Return the wiring in textbook notation, from the notation itself or from the coils."""
    if table.has("coil_ohm") or table.has("coils") or table.has("wiring"):
        if table.has("load"):
            raise table.error("load", "stands beside coil_ohm", "give the load or the coils")
        return load_of_coils(
            table.number("coil_ohm", 0.1, 1000.0),
            table.integer("coils", 1, 16),
            table.word("wiring", "single", "parallel", "series", "series_parallel"),
        )
    load = table.text("load", LONGEST_TEXT)
    try:
        net_load_ohm(load)
    except UsageError as fault:
        raise table.error("load", f"cannot be used: {fault.what}", fault.todo) from None
    return load


def _probe(probe: Table, meter: Table) -> ProbePlan:
    ratio = probe.number("ground_lead_ratio", 0.0, 0.05) if probe.has("ground_lead_ratio") else 0.0
    range_hz = meter.span("range_hz", 1.0, 1e6) if meter.has("range_hz") else None
    true_rms = meter.flag("true_rms") if meter.has("true_rms") else None
    dc_names = ("dc_percent", "dc_counts", "dc_resolution_v")
    has_dc = bool([name for name in dc_names if meter.has(name)])
    probe.expect("divider", "max_volts", "full_scale_volts_peak", "coupling_hz", "tips")
    meter.expect("percent", "counts", "resolution_v", *(dc_names if has_dc else ()))
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
