"""The words of a page: procedures, outcomes, times, volts."""

from __future__ import annotations

from datetime import UTC, datetime

from levelset.quantity import Quantity

PROCEDURES = {
    "battery_touch": "DC scale from a touch of the battery",
    "calibrate": "Calibration of the probe",
    "checklist": "Checklist",
    "clean_volume": "Clean volume of the source",
    "dc_offset": "DC at the output",
    "gain": "Gain",
    "input_level": "Level at the input",
    "input_match": "Source against the amplifiers' inputs",
    "noise": "Noise",
    "output_kind": "Kind of output",
    "path_check": "Way of the samples through the computer",
    "probe_check": "Probe, checked again",
    "processor": "Output level of the processor or line converter",
    "response": "Frequency response",
    "supply_voltage": "Supply voltage",
    "tap_check": "Bias and offset at the source",
    "two_taps": "Two taps against each other",
    "verify": "Everything once more",
    "which_wire": "Which wire it is",
    "who_clipped": "Which stage clips",
}

OUTCOMES = {
    "accepted": "done",
    "limited": "done, limited",
    "failed": "failed",
    "skipped": "skipped",
    "aborted": "stopped",
}

LIMITED_BY = {
    "target": "the target was reached",
    "clipping": "the amplifier clips before the target",
    "loudspeaker": "the loudspeaker's rating",
    "match": "the channel that it has to match",
    "range": "the gain has no more range",
}

MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)

INVENTED = "INVENTED: a demonstration. Nothing on this page is a real vehicle, person or product."

NOT_WHO = (
    "The chain of hashes shows every edit, and compared with a hash kept elsewhere also a "
    "replacement. It does not prove who wrote the record."
)


def procedure_words(name: str) -> str:
    """Return what a procedure is, as a heading; of an unknown one its own name."""
    return PROCEDURES.get(name, name.replace("_", " ").capitalize())


def lower_first(text: str) -> str:
    """Return a heading as part of a sentence; one that begins with capitals, as DC, stays."""
    return text if text[1:2].isupper() else f"{text[:1].lower()}{text[1:]}"


def about_words(procedure: str, channel: str | None) -> str:
    """Return what a procedure is, and of which channel."""
    words = procedure_words(procedure)
    return words if channel is None else f"{channel}: {lower_first(words)}"


def day_text(time: str) -> str:
    """Return the day of a time of the record, such as ``26 November 2031``."""
    when = _when(time)
    return time if when is None else f"{when.day} {MONTHS[when.month - 1]} {when.year}"


def time_text(time: str) -> str:
    """Return a time of the record to the minute, UTC."""
    when = _when(time)
    return time if when is None else f"{day_text(time)}, {when:%H:%M} UTC"


def hash_rows(sha256: str) -> tuple[tuple[str, ...], ...]:
    """Return a hash as four rows of four groups of four digits, to be read out."""
    groups = [sha256[n : n + 4] for n in range(0, len(sha256), 4)]
    return tuple(tuple(groups[n : n + 4]) for n in range(0, len(groups), 4))


def split_quantity(quantity: Quantity) -> tuple[str, str, str]:
    """Return value, uncertainty and unit of a quantity as `Quantity.text` writes them."""
    value, _, rest = quantity.text().partition(" ± ")
    u, _, unit = rest.partition(" ")
    return value, u, unit


def volts_text(volts: float) -> str:
    """Return a planned voltage, which has no uncertainty, with four digits."""
    return f"{volts:.2f} V" if volts >= 10.0 else f"{volts:.3f} V"


def share_text(percent: float) -> str:
    """Return a share such as THD with two digits; what is next to nothing as an upper limit."""
    return f"{percent:.2g} %" if percent >= 0.001 else "< 0.001 %"


def joined(parts: list[str]) -> str:
    """Return words as a list of a sentence."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def _when(time: str) -> datetime | None:
    try:
        return datetime.fromisoformat(time).astimezone(UTC)
    except ValueError:
        return None
