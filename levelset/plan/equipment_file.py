"""The tables of a plan file that describe equipment: amplifiers, processor, supply, cables."""

from __future__ import annotations

from typing import Any, cast

from levelset.errors import UsageError
from levelset.plan.equipment import (
    AmplifierPlan,
    CableRun,
    ProcessorPlan,
    SupplyPlan,
    SupplyRating,
)
from levelset.plan.target import POWER_W, SUPPLY_V, Rating
from levelset.plan.wire import LARGEST_AREA_MM2, gauge
from levelset.tables import Table

MOST_AMPLIFIERS = 16
LONGEST_TEXT = 80
INPUT_V_RMS = (0.01, 100.0)
FUSE_A = (0.5, 1000.0)
_LOADS_OHM = (0.1, 1000.0)


def amplifiers_from(values: object) -> tuple[AmplifierPlan, ...]:
    """Check the tables [[amplifier]]; raises UsageError naming the key."""
    if not isinstance(values, list) or len(values) > MOST_AMPLIFIERS:
        raise UsageError(
            "[[amplifier]] is no list of amplifiers",
            f"write up to {MOST_AMPLIFIERS} tables [[amplifier]]",
        )
    found = tuple(_amplifier(Table(f"[amplifier {n}]", v)) for n, v in enumerate(values, 1))
    names = [one.name for one in found]
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"two amplifiers are called {name!r}", "give each its own name")
    return found


def ratings_from(table: Table, key: str) -> tuple[Rating, ...]:
    """Return rated powers per load."""
    return tuple(Rating(*pair) for pair in table.pairs(key, 8, _LOADS_OHM, POWER_W))


def input_range_from(table: Table) -> tuple[float, float] | None:
    """Return the optional input range, V RMS."""
    if not table.has("input_range_volts"):
        return None
    return table.span("input_range_volts", *INPUT_V_RMS)


def _amplifier(table: Table) -> AmplifierPlan:
    bridged = ratings_from(table, "rated_bridged") if table.has("rated_bridged") else ()
    lowest = table.optional("lowest_load_ohm", *_LOADS_OHM)
    lowest_bridged = table.optional("lowest_bridged_ohm", *_LOADS_OHM)
    regulated = table.flag("regulated") if table.has("regulated") else False
    stage = table.word("class", "AB", "D") if table.has("class") else None
    fuse_a = table.optional("fuse", *FUSE_A)
    feed = cable_from(table.table("feed")) if table.has("feed") else None
    also = _also_rated(table) if table.has("also_rated") else ()
    input_range = input_range_from(table)
    table.expect("name", "rated", "rated_supply")
    return AmplifierPlan(
        name=table.text("name", LONGEST_TEXT),
        rated=ratings_from(table, "rated"),
        rated_supply_v=table.number("rated_supply", *SUPPLY_V),
        rated_bridged=bridged,
        also_rated=also,
        lowest_load_ohm=lowest,
        lowest_bridged_ohm=lowest_bridged,
        regulated=regulated,
        stage=cast(Any, stage),
        input_range_v_rms=input_range,
        fuse_a=fuse_a,
        feed=feed,
    )


def _also_rated(table: Table) -> tuple[SupplyRating, ...]:
    rows = table.rows("also_rated", 8, (_LOADS_OHM, POWER_W, SUPPLY_V))
    return tuple(SupplyRating(*row) for row in rows)


def cable_from(table: Table) -> CableRun:
    """Check a supply cable; raises UsageError naming the key."""
    has_gauge, has_area = table.has("awg"), table.has("area_mm2")
    back_m = table.optional("return_m", 0.05, 30.0)
    insulation = table.integer("insulation_c", 60, 105) if table.has("insulation_c") else 60
    if insulation not in (60, 75, 90, 105):
        raise table.error("insulation_c", f"is {insulation}", "give 60, 75, 90 or 105")
    fuse_a = table.optional("fuse", *FUSE_A)
    table.expect("length_m", "material")
    if has_gauge == has_area:
        raise table.error("awg or area_mm2", "must be one of both", "give the size that is printed")
    return CableRun(
        length_m=table.number("length_m", 0.05, 30.0),
        material=cast(Any, table.word("material", "copper", "copper_clad_aluminium")),
        awg=gauge(table.text("awg", 4)) if has_gauge else None,
        area_mm2=table.number("area_mm2", 0.3, LARGEST_AREA_MM2) if has_area else None,
        return_m=back_m,
        insulation_c=insulation,
        fuse_a=fuse_a,
    )


def processor_from(table: Table) -> ProcessorPlan:
    """Check the table [processor]; raises UsageError naming the key."""
    most_in = table.optional("max_input_volts", *INPUT_V_RMS)
    most_out = table.optional("max_output_volts", *INPUT_V_RMS)
    table.expect("name", "kind")
    return ProcessorPlan(
        table.text("name", LONGEST_TEXT),
        cast(Any, table.word("kind", "processor", "line_converter")),
        most_in,
        most_out,
    )


def supply_from(table: Table) -> SupplyPlan:
    """Check the table [supply]; raises UsageError naming the key."""
    rest_v = table.optional("rest_volts", *SUPPLY_V)
    running_v = table.optional("running_volts", *SUPPLY_V)
    main = cable_from(table.table("main")) if table.has("main") else None
    table.refuse_unknown()
    return SupplyPlan(rest_v, running_v, main)
