"""The values of a plan in words: what each is called, what it says, how to type it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any

from levelset.plan.plan_text import shown_value
from levelset.tui.renderables.wording import number

LABELS = {
    "vehicle": "vehicle",
    "tone_from": "tones come from",
    "limit_percent": "clean up to (THD)",
    "margin_db": "back-off below clipping",
    "wake_up_volts": "bias that wakes it up",
    "name": "name",
    "kind": "kind",
    "max_volume": "highest volume",
    "start_volume": "volume to begin with",
    "player_channels": "channels of its player",
    "max_input_volts": "largest clean input",
    "max_output_volts": "largest clean output",
    "rated": "rated power",
    "rated_supply": "rated at",
    "rated_bridged": "rated power, bridged",
    "also_rated": "rated power at another supply",
    "lowest_load_ohm": "lowest load",
    "lowest_bridged_ohm": "lowest load, bridged",
    "regulated": "regulated supply",
    "class": "class",
    "input_range_volts": "input range",
    "fuse": "fuse",
    "feed": "cable",
    "main": "main cable",
    "amplifier": "amplifier",
    "bridged": "bridged",
    "load": "loudspeakers, as wired",
    "coil_ohm": "one voice coil",
    "coils": "voice coils",
    "wiring": "wiring of the coils",
    "band_hz": "plays",
    "loudspeaker_w": "loudspeakers take",
    "overlap_db": "gain overlap",
    "match": "set alike with",
    "rest_volts": "voltage at rest",
    "running_volts": "voltage, engine running",
    "divider": "divides by",
    "max_volts": "resistors stand",
    "full_scale_volts_peak": "full scale of the input",
    "coupling_hz": "input coupling",
    "tips": "tips",
    "ground_lead_ratio": "share of the ground lead",
    "percent": "AC volts within",
    "counts": "AC volts, and counts",
    "resolution_v": "AC volts, last digit",
    "range_hz": "AC volts hold over",
    "true_rms": "reads true RMS",
    "dc_percent": "DC volts within",
    "dc_counts": "DC volts, and counts",
    "dc_resolution_v": "DC volts, last digit",
}

UNITS = {
    "limit_percent": "%",
    "margin_db": "dB",
    "overlap_db": "dB",
    "wake_up_volts": "V",
    "max_input_volts": "V RMS",
    "max_output_volts": "V RMS",
    "rated_supply": "V",
    "lowest_load_ohm": "ohm",
    "lowest_bridged_ohm": "ohm",
    "fuse": "A",
    "load": "ohm",
    "coil_ohm": "ohm",
    "loudspeaker_w": "W",
    "rest_volts": "V",
    "running_volts": "V",
    "max_volts": "V peak",
    "full_scale_volts_peak": "V peak",
    "percent": "%",
    "resolution_v": "V",
    "dc_percent": "%",
    "dc_resolution_v": "V",
    "band_hz": "Hz",
    "range_hz": "Hz",
    "input_range_volts": "V",
}

WORDS = {
    "vehicle": "the vehicle's own player",
    "speaker_bridged": "loudspeaker wires, bridged",
    "speaker_grounded": "loudspeaker wires, one grounded",
    "balanced_line": "balanced line",
    "line": "line output",
    "fixed_level": "fixed level",
    "digital": "digital only",
    "line_converter": "line converter",
    "copper_clad_aluminium": "copper-clad aluminium",
}

HOW = {
    "tone_from": "Type vehicle or levelset.",
    "kind": "Type speaker_bridged, speaker_grounded, balanced_line, line, fixed_level or digital; "
    "of a processor line_converter or processor.",
    "rated": "Type ohm and watt of one channel in pairs, such as [[4, 150], [2, 250]].",
    "rated_bridged": "Type ohm and watt of two channels bridged, such as [[4, 500]].",
    "also_rated": "Type ohm, watt and supply volts, such as [[4, 110, 12.6]].",
    "load": "Type the coils in ohm: 4||4 in parallel, 4+4 in series.",
    "band_hz": "Type the lowest and highest frequency in Hz, such as [25, 80].",
    "range_hz": "Type the lowest and highest frequency in Hz, such as [40, 400].",
    "input_range_volts": "Type the volts at both ends of the gain knob, such as [0.2, 5].",
    "coupling_hz": "Type its corner in Hz, such as [2.1]; [] where the input passes DC.",
    "class": "Type AB or D.",
    "wiring": "Type series or parallel.",
    "bridged": "Type true or false.",
    "regulated": "Type true where the supply makes no difference, else false.",
    "true_rms": "Type true, or false where it reads sines only.",
}


def key_words(key: str) -> str:
    """Return what a value is called, such as ``bass: rated power`` of ``channel.bass.rated``."""
    table, _, rest = key.partition(".")
    name, _, last = rest.rpartition(".")
    last = last or table
    label = LABELS.get(last, last.replace("_", " "))
    return f"{name or table}: {label}" if rest else label


def listed(keys: Iterable[str]) -> str:
    """Return the names of values as one text, those of one thing together."""
    words = (key_words(key) for key in keys)
    groups = groupby(words, lambda text: text.rpartition(": ")[0])
    return "; ".join(
        (f"{owner}: " if owner else "")
        # A comma inside of a name would look like one between two.
        + ", ".join(text.rpartition(": ")[2].replace(",", "") for text in texts)
        for owner, texts in groups
    )


def value_words(key: str, value: Any) -> str:
    """Return a value of a plan in words, with its unit."""
    last = key.rpartition(".")[2]
    unit = UNITS.get(last, "")
    match value:
        case bool():
            return "yes" if value else "no"
        case Mapping():
            return _cable(value)
        case str():
            words = WORDS.get(value, value) if last in ("tone_from", "kind") else value
            return f"{words} {unit}".strip()
        case int() | float():
            return f"{number(value)} {unit}".strip()
        case [] if last == "coupling_hz":
            return "passes DC"
        case [*rows] if rows and all(isinstance(row, Sequence) for row in rows):
            return ", ".join(_rating(row) for row in rows)
        case [low, high] if last != "coupling_hz":
            return f"{number(low)} to {number(high)} {unit}".strip()
        case [*corners] if last == "coupling_hz":
            return " and ".join(f"{number(one)} Hz" for one in corners)
        case _:
            return shown_value(value)


def how_to_type(key: str) -> str:
    """Return what is asked for and how it is typed."""
    last = key.rpartition(".")[2]
    unit = UNITS.get(last)
    how = HOW.get(last) or (f"Type it in {unit}." if unit else "Type it.")
    return f"{key_words(key)[:1].upper()}{key_words(key)[1:]}. {how}"


def _rating(row: Sequence[float]) -> str:
    ohm, watt, *supply = row
    at = "".join(f" at {number(one)} V" for one in supply)
    return f"{number(watt)} W into {number(ohm)} ohm{at}"


def _cable(cable: Mapping[str, Any]) -> str:
    shown = {key: one if isinstance(one, str) else number(one) for key, one in cable.items()}
    size = f"{shown['awg']} AWG" if "awg" in shown else f"{shown.get('area_mm2', '?')} mm²"
    material = WORDS.get(shown.get("material", ""), shown.get("material", ""))
    back = f" + {shown['return_m']}" if "return_m" in shown else ""
    parts = [f"{size} {material}".strip(), f"{shown.get('length_m', '?')}{back} m"]
    parts += [f"insulation {shown['insulation_c']} °C"] if "insulation_c" in shown else []
    parts += [f"fuse {shown['fuse']} A"] if "fuse" in shown else []
    return ", ".join(parts)
