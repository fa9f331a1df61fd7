"""The table [source] of a car file."""

from __future__ import annotations

from typing import Any, cast

from levelset.signals.channels import CHANNELS
from levelset.simulation.car import SourceTruth, TapTruth
from levelset.simulation.player import LEFT, Mix
from levelset.tables import Table

MOST_TAPS = 8
MOST_BELLS, MOST_CONTROLS = 16, 2
MOST_DELAY_MS = 1000.0
HUM_HZ = 50.0
ALTERNATOR_HZ_PER_RPM = 0.27
"""Six pole pairs that turn 2.7 times as fast as the engine (invented, plausible)."""


def source_from(table: Table) -> SourceTruth:
    """Check the table; raises UsageError naming the key."""
    has_equaliser, has_taps = table.has("equaliser"), table.has("tap")
    has_bass, has_treble = table.has("bass_controls"), table.has("treble_controls")
    channels = _channels(table)
    optional = {
        "highpass_hz": table.off_or_number("highpass_hz", 1.0, 1000.0),
        "bass_withdrawn_db_at_max": table.optional("bass_withdrawn_db_at_max", 0.0, 40.0) or 0.0,
        "limiter_volts_rms": table.off_or_number("limiter_volts_rms", 0.01, 200.0),
        "noise_millivolts": table.optional("noise_millivolts", 0.0, 1000.0) or 0.0,
        "hum_millivolts": table.optional("hum_millivolts", 0.0, 5000.0) or 0.0,
        "hum_hz": table.optional("hum_hz", 40.0, 70.0) or HUM_HZ,
        "alternator_millivolts": table.optional("alternator_millivolts", 0.0, 5000.0) or 0.0,
        "alternator_hz_per_rpm": table.optional("alternator_hz_per_rpm", 0.01, 2.0)
        or ALTERNATOR_HZ_PER_RPM,
        "delay_ms": table.optional("delay_ms", 0.0, MOST_DELAY_MS) or 0.0,
    }
    table.expect(
        "max_volume",
        "db_per_step",
        "volts_rms_at_max",
        "clip_volts_peak",
        "output",
        "bias_volts",
        "offset_millivolts",
        "thd_percent",
        "polarity",
        "start_volume",
    )
    max_volume = table.integer("max_volume", 1, 200)
    return SourceTruth(
        max_volume=max_volume,
        db_per_step=table.number("db_per_step", 0.1, 10.0),
        volts_rms_at_max=table.number("volts_rms_at_max", 0.05, 200.0),
        clip_volts_peak=table.number("clip_volts_peak", 0.05, 300.0),
        output=cast(Any, table.word("output", "bridged", "grounded", "line")),
        bias_volts=table.number("bias_volts", 0.0, 60.0),
        offset_millivolts=table.number("offset_millivolts", -5000.0, 5000.0),
        thd_percent=table.number("thd_percent", 0.0, 5.0),
        polarity=cast(Any, table.word("polarity", "normal", "reversed")),
        start_volume=table.integer("start_volume", 0, max_volume),
        equaliser=_bells(table) if has_equaliser else (),
        bass_controls=_shelves(table, "bass_controls") if has_bass else (),
        treble_controls=_shelves(table, "treble_controls") if has_treble else (),
        channels=channels,
        taps=_taps(table) if has_taps else (),
        **cast(Any, optional),
    )


def _bells(table: Table) -> tuple[tuple[float, float, float], ...]:
    limits = ((5.0, 20_000.0), (-40.0, 40.0), (0.1, 30.0))
    return tuple((hz, db, q) for hz, db, q in table.rows("equaliser", MOST_BELLS, limits, fewest=0))


def _shelves(table: Table, key: str) -> tuple[tuple[float, float, int], ...]:
    limits = ((5.0, 20_000.0), (-40.0, 40.0), (1.0, 2.0))
    rows = table.rows(key, MOST_CONTROLS, limits, fewest=0)
    for n, (_, _, order) in enumerate(rows, 1):
        if not order.is_integer():
            raise table.error(f"{key}[{n}][3]", f"is {order:g}, no order", "give 1 or 2")
    return tuple((hz, db, int(order)) for hz, db, order in rows)


def _taps(table: Table) -> tuple[TapTruth, ...]:
    found: list[TapTruth] = []
    for one in table.tables("tap", MOST_TAPS):
        channels = _channels(one)
        level_db = one.optional("level_db", -60.0, 40.0) or 0.0
        delay_ms = one.optional("delay_ms", 0.0, MOST_DELAY_MS) or 0.0
        has_polarity = one.has("polarity")
        one.expect("name")
        polarity = one.word("polarity", "normal", "reversed") if has_polarity else "normal"
        name = one.text("name", 40)
        if any(name == other.name for other in found):
            raise one.error("name", f"{name!r} is used twice", "give every tap its own name")
        found.append(TapTruth(name, channels, level_db, delay_ms, cast(Any, polarity)))
    return tuple(found)


def _channels(table: Table) -> Mix:
    """Return the player's channels of a tap: one by ``channel`` or several by ``channels``."""
    has_one, has_several = table.has("channel"), table.has("channels")
    if has_one and has_several:
        raise table.error("channels", "stands beside channel", "give one of the two")
    if has_one:
        return ((table.word("channel", *CHANNELS), 1.0),)
    if not has_several:
        return LEFT
    ratios = table.table("channels")
    for name in CHANNELS:
        ratios.has(name)
    ratios.refuse_unknown()
    found = [(n, ratios.number(n, -10.0, 10.0)) for n in CHANNELS if ratios.has(n)]
    total = sum(abs(ratio) for _, ratio in found)
    if total == 0.0:
        raise table.error("channels", "add up to nothing", "give a channel a ratio, such as 1.0")
    return tuple((name, ratio / total) for name, ratio in found if ratio != 0.0)
