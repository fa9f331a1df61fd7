"""Car files: TOML, strictly checked."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any, cast

from levelset.errors import UsageError
from levelset.plan.checklist import ITEMS
from levelset.plan.load import net_load_ohm
from levelset.plan.target import Rating
from levelset.simulation.car import (
    AmplifierTruth,
    CarTruth,
    InterfaceTruth,
    MeterTruth,
    ProbeTruth,
    ProcessorTruth,
    SupplyTruth,
)
from levelset.simulation.source_file import MOST_DELAY_MS, source_from
from levelset.tables import Table
from levelset.toml_file import read_checked

MOST_CHANNELS = 16
DEMO = "demo_car.toml"
_TABLES = ("source", "amplifier", "probe", "interface", "meter", "supply")
_MAY_LACK = ("processor", "checklist")
SLOPES_DB_PER_OCTAVE = (6, 12, 18, 24)
CARRIER_HZ = 400_000.0
IDLE_RPM = 800.0
CORNER_HZ = (5.0, 20_000.0)


def load_car(path: Path) -> CarTruth:
    """Read and check a car file.

    Parameters
    ----------
    path : Path
        A TOML file.

    Returns
    -------
    CarTruth
        The car; every number is finite and within its limits.

    Raises
    ------
    InputError
        If the file cannot be read.
    UsageError
        If it is no TOML, or a key is missing, unknown, of the wrong type or out of range.
    """
    return read_checked(path, str(path), "car file", car_from_document)


def load_demo_car() -> CarTruth:
    """Return the invented car that comes with the package."""
    path = resources.files("levelset.simulation") / DEMO
    return read_checked(path, DEMO, "car file", car_from_document)


def car_from_document(document: dict[str, Any]) -> CarTruth:
    """Check a parsed car file; raises UsageError naming the key."""
    for name in document:
        if name not in (*_TABLES, *_MAY_LACK):
            raise UsageError(
                f"table [{name[:40]}] is unknown",
                "a car file has only " + ", ".join((*_TABLES, *_MAY_LACK)),
            )
    for name in _TABLES:
        if name not in document:
            header = "[[amplifier]]" if name == "amplifier" else f"[{name}]"
            raise UsageError(f"{header} is missing", f"add the table {header}")

    def one(name: str) -> Table:
        return Table(f"[{name}]", document[name])

    source = source_from(one("source"))
    processor = _processor(one("processor")) if "processor" in document else None
    amplifiers = _amplifiers(document["amplifier"], {tap.name for tap in source.taps})
    if processor is not None and any(amplifier.tap for amplifier in amplifiers):
        raise UsageError(
            "an [[amplifier]] has a tap of its own beside the [processor]",
            "take out the key tap: the processor feeds every amplifier",
        )
    return CarTruth(
        source=source,
        amplifiers=amplifiers,
        probe=_probe(one("probe")),
        interface=_interface(one("interface")),
        meter=_meter(one("meter")),
        supply=_supply(one("supply")),
        processor=processor,
        checklist=_checklist(one("checklist")) if "checklist" in document else (),
    )


def _amplifiers(values: object, taps: set[str]) -> tuple[AmplifierTruth, ...]:
    if not isinstance(values, list) or not 1 <= len(values) <= MOST_CHANNELS:
        raise UsageError(
            f"[[amplifier]] is not a list of 1 to {MOST_CHANNELS} tables",
            "write [[amplifier]] with two brackets above every channel",
        )
    found: list[AmplifierTruth] = []
    for number, entry in enumerate(values, 1):
        table = Table(f"[amplifier {number}]", entry)
        amplifier = _amplifier(table, taps)
        if any(amplifier.name == other.name for other in found):
            raise table.error(
                "name", f"{amplifier.name!r} is used twice", "give every channel its own name"
            )
        found.append(amplifier)
    return tuple(found)


def _amplifier(table: Table, taps: set[str]) -> AmplifierTruth:
    subsonic_hz, highpass_hz, lowpass_hz = (
        table.off_or_number(key, *CORNER_HZ) for key in ("subsonic_hz", "highpass_hz", "lowpass_hz")
    )
    lowest_hz = max(subsonic_hz or 0.0, highpass_hz or 0.0)
    if lowpass_hz is not None and lowpass_hz <= lowest_hz:
        raise table.error(
            "lowpass_hz", f"is {lowpass_hz:g}", f"give more than the high-pass of {lowest_hz:g} Hz"
        )
    slope = table.off_or_number("slope_db_per_octave", 1.0, 100.0) or SLOPES_DB_PER_OCTAVE[-1]
    if slope not in SLOPES_DB_PER_OCTAVE:
        known = ", ".join(map(str, SLOPES_DB_PER_OCTAVE))
        raise table.error("slope_db_per_octave", f"is {slope:g}", f"give one of {known}")
    alignment = "butterworth"
    if table.has("alignment"):
        alignment = table.word("alignment", "butterworth", "linkwitz_riley")
    if alignment == "linkwitz_riley" and slope not in (12, 24):
        raise table.error(
            "alignment", f"of {slope:g} dB per octave is none", "give 12 or 24 dB per octave"
        )
    tap = table.text("tap", 40) if table.has("tap") else ""
    if tap and tap not in taps:
        raise table.error("tap", f"{tap!r} is no tap", "name one that a [[source.tap]] has")
    output_ohm = table.optional("output_ohm", 0.0, 100.0) or 0.0
    carrier_volts = table.optional("carrier_volts", 0.0, 50.0) or 0.0
    carrier_hz = table.off_or_number("carrier_hz", 20_000.0, 5e6) or CARRIER_HZ
    wired = _load_expression(table, "wired") if table.has("wired") else ""
    to_chassis = table.flag("to_chassis") if table.has("to_chassis") else False
    match = table.text("match", 40) if table.has("match") else ""
    input_range_volts = (
        table.span("input_range_volts", 0.01, 100.0) if table.has("input_range_volts") else None
    )
    has_input_clip = table.has("input_clip_volts_peak")
    has_regulated = table.has("regulated")
    has_polarity = table.has("polarity")
    has_loudspeaker = table.has("loudspeaker_w")
    table.expect(
        "name",
        "output",
        "gain_db",
        "rail_volts_peak",
        "soft_knee",
        "thd_percent",
        "noise_millivolts",
        "output_offset_millivolts",
        "rated",
        "rated_supply",
        "load",
        "band_hz",
    )
    polarity = table.word("polarity", "normal", "reversed") if has_polarity else "normal"
    return AmplifierTruth(
        name=table.text("name", 40),
        output=cast(Any, table.word("output", "grounded", "bridged")),
        gain_db=table.span("gain_db", -60.0, 80.0),
        rail_volts_peak=table.number("rail_volts_peak", 0.1, 1000.0),
        soft_knee=table.number("soft_knee", 0.0, 1.0),
        thd_percent=table.number("thd_percent", 0.0, 5.0),
        noise_millivolts=table.number("noise_millivolts", 0.0, 1000.0),
        output_offset_millivolts=table.number("output_offset_millivolts", -5000.0, 5000.0),
        input_clip_volts_peak=(
            table.number("input_clip_volts_peak", 0.01, 300.0) if has_input_clip else None
        ),
        regulated=table.flag("regulated") if has_regulated else False,
        polarity=cast(Any, polarity),
        subsonic_hz=subsonic_hz,
        highpass_hz=highpass_hz,
        lowpass_hz=lowpass_hz,
        slope_db_per_octave=int(slope),
        alignment=cast(Any, alignment),
        output_ohm=output_ohm,
        carrier_volts=carrier_volts,
        carrier_hz=carrier_hz,
        tap=tap,
        rated=_ratings(table),
        rated_supply=table.number("rated_supply", 5.0, 60.0),
        load=_load_expression(table, "load"),
        wired=wired,
        to_chassis=to_chassis,
        match=match,
        input_range_volts=input_range_volts,
        loudspeaker_w=table.number("loudspeaker_w", 0.1, 50_000.0) if has_loudspeaker else None,
        band_hz=table.span("band_hz", 5.0, 20_000.0),
    )


def _processor(table: Table) -> ProcessorTruth:
    noise_millivolts = table.optional("noise_millivolts", 0.0, 1000.0) or 0.0
    delay_ms = table.optional("delay_ms", 0.0, MOST_DELAY_MS) or 0.0
    polarity, kind = "normal", "line_converter"
    if table.has("polarity"):
        polarity = table.word("polarity", "normal", "reversed")
    if table.has("kind"):
        kind = table.word("kind", "processor", "line_converter")
    most_in, most_out = (
        table.optional(key, 0.01, 100.0) for key in ("max_input_volts", "max_output_volts")
    )
    table.expect("input_clip_volts_peak", "output_clip_volts_peak", "gain_db")
    return ProcessorTruth(
        input_clip_volts_peak=table.number("input_clip_volts_peak", 0.01, 300.0),
        output_clip_volts_peak=table.number("output_clip_volts_peak", 0.01, 300.0),
        gain_db=table.span("gain_db", -60.0, 60.0),
        noise_millivolts=noise_millivolts,
        delay_ms=delay_ms,
        polarity=cast(Any, polarity),
        kind=cast(Any, kind),
        max_input_volts=most_in,
        max_output_volts=most_out,
    )


def _ratings(table: Table) -> tuple[Rating, ...]:
    pairs = table.pairs("rated", 16, (0.1, 1000.0), (0.1, 50_000.0))
    loads = [load for load, _ in pairs]
    if len(set(loads)) != len(loads):
        raise table.error("rated", "names a load twice", "give one power for each load")
    return tuple(Rating(load_ohm=load, power_w=power) for load, power in pairs)


def _checklist(table: Table) -> tuple[tuple[str, str], ...]:
    found = [
        (item.key, table.word(item.key, "yes", "no", "absent"))
        for item in ITEMS
        if table.has(item.key)
    ]
    table.refuse_unknown()
    return tuple(found)


def _load_expression(table: Table, key: str) -> str:
    load = table.text(key, 200)
    try:
        net_load_ohm(load)
    except UsageError as fault:
        raise table.error(key, f"cannot be used: {fault.what}", fault.todo) from None
    return load


def _probe(table: Table) -> ProbeTruth:
    table.expect("divider", "mismatch_percent", "max_volts")
    return ProbeTruth(
        divider=table.number("divider", 1.0, 10_000.0),
        mismatch_percent=table.number("mismatch_percent", -20.0, 20.0),
        max_volts=table.number("max_volts", 1.0, 10_000.0),
    )


def _interface(table: Table) -> InterfaceTruth:
    table.expect(
        "full_scale_volts_peak",
        "rate_hz",
        "bits",
        "coupling_hz",
        "noise_dbfs",
        "clock_ppm",
        "channels",
    )
    return InterfaceTruth(
        full_scale_volts_peak=table.number("full_scale_volts_peak", 0.01, 100.0),
        rate_hz=table.integer("rate_hz", 32_000, 192_000),
        bits=table.integer("bits", 12, 24),
        coupling_hz=tuple(table.numbers("coupling_hz", 0, 2, 0.01, 50.0)),
        noise_dbfs=table.number("noise_dbfs", -160.0, -30.0),
        clock_ppm=table.number("clock_ppm", -1000.0, 1000.0),
        channels=table.integer("channels", 1, 2),
    )


def _meter(table: Table) -> MeterTruth:
    table.expect(
        "ac_percent",
        "ac_counts",
        "ac_resolution_v",
        "dc_percent",
        "dc_counts",
        "dc_resolution_v",
        "error",
    )
    return MeterTruth(
        ac_percent=table.number("ac_percent", 0.0, 20.0),
        ac_counts=table.number("ac_counts", 0.0, 100.0),
        ac_resolution_v=table.number("ac_resolution_v", 1e-6, 1.0),
        dc_percent=table.number("dc_percent", 0.0, 20.0),
        dc_counts=table.number("dc_counts", 0.0, 100.0),
        dc_resolution_v=table.number("dc_resolution_v", 1e-6, 1.0),
        error=table.number("error", -1.0, 1.0),
    )


def _supply(table: Table) -> SupplyTruth:
    ohm = table.optional("ohm", 0.0, 10.0) or 0.0
    idle_rpm = table.optional("idle_rpm", 300.0, 3000.0) or IDLE_RPM
    table.expect("engine_off", "engine_on")
    return SupplyTruth(
        ohm=ohm,
        idle_rpm=idle_rpm,
        engine_off=table.number("engine_off", 5.0, 60.0),
        engine_on=table.number("engine_on", 5.0, 60.0),
    )
