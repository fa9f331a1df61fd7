"""A stretch that is recorded and analysed as a whole: how far it is, and what was found."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from levelset.analysis.noise import NoiseReading
from levelset.analysis.response import Curve, ResponseReading
from levelset.analysis.which_wire import WireReading
from levelset.probe.stretch import KindReading, TwoTapsReading
from levelset.tui.renderables.plots import Raster
from levelset.tui.renderables.wording import frequency, plus_minus, volts, volts_parts

if TYPE_CHECKING:
    from levelset.analysis.noise import NoiseLevel
    from levelset.probe.stretch_reading import StretchReading
    from levelset.quantity import Quantity
    from levelset.tui.renderables.charset import Charset

POLARITY = {
    "normal": "NORMAL POLARITY",
    "reversed": "REVERSED POLARITY",
    "cannot_tell": "POLARITY CANNOT BE TOLD",
}
DECADES = ((20.0, "20"), (50.0, "50"), (100.0, "100"), (200.0, "200"), (500.0, "500"))
DECADES_UP = ((1e3, "1k"), (2e3, "2k"), (5e3, "5k"), (1e4, "10k"), (2e4, "20k"))
MARKS_HZ = DECADES + DECADES_UP
LEAST_SPAN_DB = 12.0
DEEPEST_DB = 48.0
"""What lies deeper below the top of a response is not drawn."""


def stretch_word(reading: StretchReading) -> str:
    """Return how far it is, or what was found, in capitals."""
    if reading.state != "done":
        return f"RECORDING, {_seconds(reading)} of {reading.spec.seconds:.0f} s"
    match reading.found:
        case WireReading(channel=None):
            return "TWO CHANNELS ALIKE" if len(reading.found.parts) > 1 else "CHANNEL NOT CLEAR"
        case WireReading(channel=channel, polarity=polarity):
            return f"{str(channel).upper()}, {POLARITY[polarity]}"
        case TwoTapsReading(compared=compared) if compared is not None:
            return f"AGAINST EACH OTHER: {POLARITY[compared.polarity]}"
        case ResponseReading():
            return "RESPONSE READ"
        case NoiseReading():
            return "NOISE READ"
        case KindReading(kind=kind):
            return kind.replace("_", " ").upper()
    return "READ"


def stretch_number(reading: StretchReading) -> tuple[str, str, str]:
    """Return number, unit and uncertainty: seconds while it records, volts of noise after."""
    found, scale = reading.found, reading.volts_per_fs
    if isinstance(found, NoiseReading) and found.unweighted is not None and scale is not None:
        number, unit = volts_parts(found.unweighted.rms_fs.value * scale.value)
        return number, unit, "own noise of the input included"
    if reading.void is not None:
        return "--.--", "V", ""
    return _seconds(reading), "s", f"of {reading.spec.seconds:.0f} s"


def stretch_bar(reading: StretchReading, width: int) -> str:
    """Draw how much of the stretch is recorded."""
    cells = max(width - 2, 4)
    filled = round(min(reading.progress, 1.0) * cells)
    return f"├{'▇' * filled}{'▁' * (cells - filled)}┤"[:width]


def stretch_lines(reading: StretchReading, width: int, height: int, charset: Charset) -> list[str]:
    """Draw what was found.

    Parameters
    ----------
    reading : StretchReading
        Any; before it is done, and where it is void, nothing is drawn.
    width, height : int
        Size in characters.
    charset : {"braille", "ascii"}
        Character set.

    Returns
    -------
    list of str
        At most ``height`` lines of at most ``width`` characters.
    """
    draw = _DRAWN.get(type(reading.found))
    if draw is None or height < 3:
        return []
    return [line[:width] for line in draw(reading, width, height, charset)[:height]]


def _wire(reading: StretchReading, width: int, height: int, charset: Charset) -> list[str]:  # noqa: ARG001
    found = reading.found
    assert isinstance(found, WireReading)
    lines = ["heard on this wire"]
    for part in found.parts:
        polarity = POLARITY[part.polarity].lower().replace(" polarity", "")
        lines.append(f"  {part.channel:<16} {part.level_dbfs.value:7.1f} dBFS   {polarity}")
    if found.lead_db is not None and found.channel is not None:
        lines.append(f"  ahead of every other channel by {found.lead_db:.0f} dB")
    return lines


def _two_taps(reading: StretchReading, width: int, height: int, charset: Charset) -> list[str]:
    found = reading.found
    assert isinstance(found, TwoTapsReading)
    two, a, b = found.compared, found.a, found.b
    if two is None or a is None or b is None:
        return []
    lines = [
        f"tip A {a.channel}, tip B {b.channel}",
        f"level  {two.level_db.text(signed=True, finest=2)} (B less A)",
        f"delay  {two.delay_s.scaled(1e3, 'ms').text(signed=True, finest=3)} (B after A)",
    ]
    if two.bass_db is not None and two.bass_if_reversed_db is not None:
        lines.append(
            f"sum in the bass  {two.bass_db:+.1f} dB, with one reversed "
            f"{two.bass_if_reversed_db:+.1f} dB"
        )
    hz, summed = two.frequency_hz, two.sum_db
    if hz.size < 2 or height - len(lines) < 4:
        return lines
    room = height - len(lines) - 1
    lines.append("sum of both over the louder one, -24 to +6 dB")
    levels = np.clip((summed + 24.0) / 30.0, 0.0, 1.0) * 2.0 - 1.0
    return [*lines, *_over_frequency(hz, levels, width, room, charset)]


def _response(reading: StretchReading, width: int, height: int, charset: Charset) -> list[str]:
    found = reading.found
    assert isinstance(found, ResponseReading)
    if found.bands is None:
        return []
    return response_plot(found.bands, width, height, charset)


def response_plot(curve: Curve, width: int, height: int, charset: Charset) -> list[str]:
    """Draw level over frequency, 20 Hz to 20 kHz, the highest place at the top.

    Parameters
    ----------
    curve : Curve
        At least one place that is clear of noise.
    width, height : int
        Size in characters, a line for the scale and one for the axis included.
    charset : {"braille", "ascii"}
        Character set.

    Returns
    -------
    list of str
        ``height`` lines.
    """
    clear = ~curve.below
    if height < 3 or not bool(clear.any()):
        return ["no part of the response is clear of the noise"]
    level = curve.level_db[clear]
    top = math.ceil(float(level.max()) / 3.0) * 3.0
    deepest = max(float(level.min()), top - DEEPEST_DB)
    span = max(LEAST_SPAN_DB, math.ceil((top - deepest) / 6.0) * 6.0)
    scaled = np.clip(1.0 + 2.0 * (level - top) / span, -1.0, 1.0)
    said = f"level over frequency, top to bottom {span:.0f} dB"
    return [said, *_over_frequency(curve.frequency_hz[clear], scaled, width, height - 1, charset)]


def _over_frequency(
    hz: np.ndarray, scaled: np.ndarray, width: int, height: int, charset: Charset
) -> list[str]:
    """Draw values of -1 to 1 over the logarithm of frequency, with marks below."""
    low, high = math.log(20.0), math.log(20_000.0)
    raster = Raster(width, height - 1, charset)
    raster.line(2.0 * (np.log(hz) - low) / (high - low) - 1.0, scaled)
    axis = [" "] * width
    for mark_hz, text in MARKS_HZ:
        place = round((math.log(mark_hz) - low) / (high - low) * (width - 1))
        place = min(max(place - len(text) // 2, 0), width - len(text))
        if all(cell == " " for cell in axis[max(place - 1, 0) : place + len(text) + 1]):
            axis[place : place + len(text)] = text
    return [*raster.text(), "".join(axis)]


def _noise(reading: StretchReading, width: int, height: int, charset: Charset) -> list[str]:  # noqa: ARG001
    found = reading.found
    assert isinstance(found, NoiseReading)
    lines = ["with the input's own noise in it"]
    for name, level in (("unweighted", found.unweighted), ("A-weighted", found.a_weighted)):
        if level is not None:
            lines.append(f"  {name:<12} {noise_text(level, reading.volts_per_fs)}")
    if found.hum is None:
        lines.append("  no mains hum stands out")
    else:
        multiples = ", ".join(frequency(line.frequency_hz) for line in found.hum.lines[:5])
        lines.append(f"  mains hum at {multiples}")
    return lines


def noise_text(level: NoiseLevel, volts_per_fs: Quantity | None) -> str:
    """Return a level of noise in volts, or in full scale without a calibration."""
    if volts_per_fs is None:
        return f"{20.0 * math.log10(level.rms_fs.value * math.sqrt(2.0)):.1f} dBFS"
    value = level.rms_fs.scaled(volts_per_fs.value, "V")
    if level.below:
        return f"below {volts(value.value)}"
    number, unit = volts_parts(value.value)
    return f"{number} {unit} {plus_minus(value, unit)}"


def _seconds(reading: StretchReading) -> str:
    return f"{reading.frames.count / reading.frames.rate_hz:.0f}"


_DRAWN: dict[type, Callable[[StretchReading, int, int, Charset], list[str]]] = {
    WireReading: _wire,
    TwoTapsReading: _two_taps,
    ResponseReading: _response,
    NoiseReading: _noise,
}
