"""Numbers and states in words: as many digits as are worth reading, never more."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from levelset.ports.base import Point
    from levelset.procedures.protocol import Act, View
    from levelset.quantity import Quantity

PROCEDURES = {
    "checklist": "go through the checklist",
    "path_check": "check the way through the computer",
    "input_level": "set the sound card's input",
    "calibrate": "calibrate the probe",
    "battery_touch": "learn the input from the battery",
    "supply_voltage": "supply voltage",
    "output_kind": "what kind of output is it",
    "tap_check": "look at the tap",
    "which_wire": "which wire is it",
    "two_taps": "two taps at once",
    "clean_volume": "find the clean volume",
    "processor": "set the processor's output level",
    "response": "response of the source",
    "noise": "noise of an output",
    "input_match": "does the source suit the input",
    "gain": "set the gain",
    "who_clipped": "find out which stage clips",
    "verify": "verify everything",
    "probe_check": "check the probe again",
    "dc_offset": "look for DC at the output",
}

OUTCOMES = {
    "accepted": "DONE",
    "limited": "DONE, LIMITED",
    "failed": "FAILED",
    "skipped": "SKIPPED",
    "aborted": "STOPPED",
}


def procedure_words(name: str) -> str:
    """Return what a procedure does, in words."""
    return PROCEDURES.get(name, name.replace("_", " "))


def volts_parts(volts: float) -> tuple[str, str]:
    """Return number and unit of a voltage; millivolts below one volt.

    Four digits show a change of 0.1 dB (1.2 %) at every value.
    """
    size = abs(volts)
    scale, unit = (1000.0, "mV") if size < 0.9995 else (1.0, "V")
    shown = size * scale
    places = 3 if shown < 9.9995 else 2 if shown < 99.995 else 1 if shown < 999.95 else 0
    if unit == "mV":
        places = min(places, 2)
    return f"{volts * scale:.{places}f}", unit


def volts(value_v: float) -> str:
    """Return a voltage with its unit."""
    number, unit = volts_parts(value_v)
    return f"{number} {unit}"


def plus_minus(quantity: Quantity, unit: str) -> str:
    """Return the uncertainty, rounded up, in V or mV as the value is shown.

    It has two digits, but none beyond the last one of the value.
    """
    u = quantity.u * (1000.0 if unit == "mV" else 1.0)
    number, shown = volts_parts(quantity.value)
    finest = len(number.partition(".")[2]) if shown == unit else None
    return f"± {two_digits_up(u, finest)} {unit}"


def two_digits_up(u: float, finest: int | None = None) -> str:
    """Return an uncertainty in two significant digits, never rounded down.

    Parameters
    ----------
    u : float
        The uncertainty.
    finest : int or None
        Most decimals, which may leave one digit.
    """
    if u == 0.0:
        return "0"
    places = 1 - math.floor(math.log10(u))
    places = places if finest is None else min(places, finest)
    step = 10.0**-places
    # A hair below the next step is the step itself: 0.27 must not become 0.28.
    rounded = math.ceil(u / step - 1e-9) * step
    return f"{rounded:.{max(places, 0)}f}"


def db(value_db: float) -> str:
    """Return a level difference: two decimals below 3 dB, where the hand works finely."""
    return f"{value_db:.{2 if abs(value_db) < 3.0 else 1}f} dB"


def percent(value: float) -> str:
    """Return a percentage with two significant digits above 0.01 %."""
    if 0.0 <= value < 0.0005:
        return "<0.001 %"
    places = 3 if value < 0.0995 else 2 if value < 9.995 else 1
    return f"{value:.{places}f} %"


def thd(quantity: Quantity) -> str:
    """Return a distortion; what does not stand out of its uncertainty is only bounded."""
    if quantity.value > quantity.u:
        return percent(quantity.value)
    return f"under {two_digits_up(quantity.high)} %"


def number(value: float) -> str:
    """Return a plain number without useless zeros."""
    return f"{value:.6g}"


def watts(value_w: float) -> str:
    """Return a power in three significant digits, W."""
    return f"{float(f'{value_w:.3g}'):.6g} W"


def frequency(value_hz: float) -> str:
    """Return a frequency, Hz."""
    return f"{value_hz:.4g} Hz" if value_hz < 1000.0 else f"{value_hz / 1000.0:.4g} kHz"


def tone_line(view: View) -> str:
    """Return whose tone is on, at what level, and where to turn it down."""
    if view.tone_from == "nobody":
        return "no tone"
    name = view.tone_name or "a tone"
    if view.tone_from == "vehicle":
        return "tone from the vehicle: turn it down there"
    if view.tone_level_dbfs is None:
        return f"levelset plays {name}"
    return f"levelset plays {name} at {view.tone_level_dbfs:.0f} dBFS"


def point_words(point: Point | None) -> str:
    """Return where a tip or lead is, in words."""
    if point is None or point.place == "open":
        return "nothing"
    if point.place == "battery":
        return f"battery, {'plus' if point.leg == 'positive' else 'minus'}"
    if point.place == "source":
        where = "the tap" if point.channel is None else "the other tap"
    elif point.place == "processor":
        where = "the processor's output"
    else:
        where = f"{point.channel} output"
    return f"{where}, {point.leg}"


def point_mark(point: Point | None) -> str:
    """Return where a tip is in a word or two, such as ``bass +``."""
    if point is None or point.place == "open":
        return "nothing"
    where = {
        "battery": "battery",
        "source": "tap" if point.channel is None else "other tap",
        "processor": "processor",
    }
    sign = "+" if point.leg == "positive" else "-"
    return f"{where.get(point.place, point.channel)} {sign}"


def act_lines(act: Act) -> list[str]:
    """Return where tips and meter leads go, one line each; empty where none is moved."""
    if act.verb == "place_tips":
        tips = (("tip A", act.tip_a), ("tip B", act.tip_b))
        places = [(name, point) for name, point in tips if point is not None]
        # Tips that are taken off, or touch each other, go to no place that could be named.
        if all(point.place == "open" for _, point in places):
            return []
        return [f"{name} → {point_words(point)}" for name, point in places]
    if act.verb == "read_meter" and act.red is not None:
        black = "chassis" if act.black is None else point_words(act.black)
        meter = "meter, AC volts: "
        return [f"{meter}red → {point_words(act.red)}", f"{'':{len(meter)}}black → {black}"]
    return []


def moment(stamp: str) -> str:
    """Return a time of RFC 3339 in UTC to the minute; anything else as it stands."""
    if len(stamp) < len("2026-01-01T00:00Z") or stamp[10] != "T" or stamp[-1] != "Z":
        return stamp
    return f"{stamp[:10]} {stamp[11:16]} UTC"


def wrapped(text: str, width: int, indent: int = 0) -> list[str]:
    """Return the text in lines of at most ``width`` characters, all but the first one indented."""
    return textwrap.wrap(text, max(width, 8), subsequent_indent=" " * indent) or [""]


def hanging(line: str, width: int) -> list[str]:
    """Return a line in lines of at most ``width`` characters; its last column stays a column."""
    found = re.match(r"  +\S.*?  +(?=\S)", line)
    return wrapped(line, width, 0 if found is None else found.end())


def flowed(parts: Iterable[str], width: int, between: str = "  ") -> list[str]:
    """Return short texts side by side in as few lines as they need, none of them broken."""
    lines = [""]
    for part in parts:
        longer = f"{lines[-1]}{between}{part}" if lines[-1] else part
        if len(longer) <= width or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(part)
    return lines


def both_ends(left: str, right: str, width: int) -> str:
    """Return one line with a text at each end; the left one gives way, the right one stays."""
    room = width - len(right) - 2
    if len(left) > room:
        left = left[: max(room - 1, 0)] + "…"
    return f"{left}{' ' * max(width - len(left) - len(right), 1)}{right}"[:width]


def head_lines(left: str, right: str, width: int) -> list[str]:
    """Return both texts on one line, or on two where one is too short for them."""
    if len(left) + len(right) + 2 <= width:
        return [both_ends(left, right, width)]
    return [left[:width], f"{right[:width]:>{width}}"]
