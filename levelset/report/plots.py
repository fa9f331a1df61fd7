"""The plots of a report, each a function from stored or computed values to SVG text."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from levelset.quantity import Quantity
from levelset.record.comparison import is_number
from levelset.report.svg import Axis, Plot, decades, linear

if TYPE_CHECKING:
    from levelset.report.captures import Curves

SPECTRUM_LOW_DB, SPECTRUM_HIGH_DB = -120.0, 5.0
PHASE_TICKS = ((0.0, "0°"), (0.25, "90°"), (0.5, "180°"), (0.75, "270°"), (1.0, "360°"))


def waveform(curves: Curves) -> str:
    """Return one period of the signal against the fitted sine."""
    measured, sine = curves.period_measured_v, curves.period_sine_v
    peak = float(max(abs(measured).max(), abs(sine).max()))
    plot = Plot(
        Axis(0.0, 1.0, PHASE_TICKS, "one period"),
        linear(-1.1 * peak, 1.1 * peak, "V"),
    )
    at = [n / measured.size for n in range(measured.size)]
    return plot.drawing(
        "one period of the signal in volts against the fitted sine",
        plot.curve(at, measured, "measured"),
        plot.curve(at, sine, "ideal"),
    )


def transfer(curves: Curves) -> str:
    """Return the signal against the fitted sine: straight where nothing clips."""
    sine, signal = curves.transfer_in_v, curves.transfer_out_v
    peak = float(max(abs(sine).max(), abs(signal).max()))
    axis = linear(-1.1 * peak, 1.1 * peak, "signal, V")
    plot = Plot(Axis(axis.low, axis.high, axis.ticks, "fitted sine, V"), axis)
    return plot.drawing(
        "signal against the fitted sine in volts, with the straight line",
        plot.curve(sine, signal, "measured"),
        plot.curve((axis.low, axis.high), (axis.low, axis.high), "ideal"),
    )


def spectrum(curves: Curves) -> str:
    """Return the spectrum relative to the fundamental."""
    hz, level_db = curves.spectrum_hz, curves.spectrum_db
    plot = Plot(
        decades(float(hz[0]), float(hz[-1]), "frequency, Hz", _hertz),
        Axis(
            SPECTRUM_LOW_DB,
            SPECTRUM_HIGH_DB,
            tuple((db, f"{db:.0f}") for db in range(-120, 1, 20)),
            "dB re fundamental",
        ),
    )
    return plot.drawing(
        "spectrum in decibels relative to the fundamental",
        plot.curve(hz, level_db, "measured"),
    )


def volume_curve(result: dict[str, Any], limit_percent: float) -> tuple[str, str] | None:
    """Return volts and THD against the volume, or None without a curve.

    Parameters
    ----------
    result : dict
        Of a clean-volume step.
    limit_percent : float
        THD above which a signal is not clean, %.
    """
    rows = _levels(result.get("curve"))
    if len(rows) < 2:
        return None
    second = _levels(result.get("second_curve"))
    volumes = [row[0] for row in rows]
    levels = [row[1] for row in rows]
    x = linear(volumes[0] - 0.5, volumes[-1] + 0.5, "volume on the display")
    chosen = result.get("volume")
    found = float(chosen) if is_number(chosen) else None
    where = "" if found is None else f"clean up to {found:.0f}"
    levels += [row[1] for row in second]
    volts = Plot(x, decades(min(levels) / 1.3, max(levels) * 1.6, "V RMS", _short))

    def marked(plot: Plot, points: list[tuple[float, float, bool]]) -> list[str]:
        clean = [point for point in points if point[2]]
        over = [point for point in points if not point[2]]
        return [
            "" if found is None else plot.place(found, where),
            plot.curve([p[0] for p in points], [p[1] for p in points], "measured"),
            plot.marks([p[0] for p in clean], [p[1] for p in clean], "dot"),
            plot.marks([p[0] for p in over], [p[1] for p in over], "cross"),
        ]

    def clean(volume: float) -> bool:
        return found is None or volume <= found

    volts_drawing = volts.drawing(
        "volts against the volume on the display",
        volts.curve([row[0] for row in second], [row[1] for row in second], "ideal"),
        *marked(volts, [(v, level, clean(v)) for v, level, _ in rows]),
    )
    known = [(v, max(thd, 0.002), clean(v)) for v, _, thd in rows if thd is not None]
    if len(known) < 2:
        return volts_drawing, ""
    highest = max(2.0 * limit_percent, 1.5 * max(p[1] for p in known))
    thd_plot = Plot(x, decades(0.002, highest, "THD, %", _short))
    thd_drawing = thd_plot.drawing(
        "THD in percent against the volume on the display",
        thd_plot.level(limit_percent, f"limit {limit_percent:g} %"),
        *marked(thd_plot, known)[1:],
    )
    return volts_drawing, thd_drawing


def response_curve(hz: Sequence[float], levels: Sequence[Quantity]) -> str:
    """Return a response over frequency with its uncertainty as a band.

    Parameters
    ----------
    hz : sequence of float
        Ascending, Hz, above 0.
    levels : sequence of Quantity
        dB, equally many.
    """
    values = [level.value for level in levels]
    middle = sorted(values)[len(values) // 2]
    low = min(min(level.low for level in levels), middle - 6.0) - 1.0
    high = max(max(level.high for level in levels), middle + 6.0) + 1.0
    plot = Plot(decades(hz[0], hz[-1], "frequency, Hz", _hertz), linear(low, high, "level, dB"))
    return plot.drawing(
        "response in decibels over frequency",
        plot.band(hz, [level.low for level in levels], [level.high for level in levels]),
        plot.curve(hz, values, "measured"),
    )


def gauge(set_v: float, target_v: float, clip_v: float | None) -> str:
    """Return a bar: how far the set voltage goes towards target and onset of clipping.

    Parameters
    ----------
    set_v, target_v : float
        V RMS, above 0.
    clip_v : float or None
        Onset of clipping, V RMS, where it was found.
    """
    full = 1.12 * max(set_v, target_v, clip_v or 0.0)

    def at(volts: float) -> float:
        return 4.0 + 292.0 * volts / full

    name = f"set {set_v:.3g} V of {target_v:.3g} V"
    rows = [
        f'<svg class="gauge" viewBox="0 0 300 46" role="img" aria-label="{name}">',
        '<path class="frame" d="M4 16H296V28H4Z"/>',
        f'<path class="fill" d="M4 16H{at(set_v):.1f}V28H4Z"/>',
        f'<path class="tick" d="M{at(target_v):.1f} 12V33"/>',
        _named(at(target_v), 44, target_v / full, "target"),
    ]
    if clip_v is not None:
        rows += [
            f'<path class="tick" d="M{at(clip_v):.1f} 12V33"/>',
            _named(at(clip_v), 10, clip_v / full, "clips"),
        ]
    return "".join((*rows, "</svg>"))


def _named(x: float, y: float, part: float, name: str) -> str:
    anchor = "end" if part > 0.8 else "middle" if part > 0.1 else "start"
    return f'<text x="{x:.1f}" y="{y:.0f}" text-anchor="{anchor}">{name}</text>'


def _levels(rows: object) -> list[tuple[float, float, float | None]]:
    """Return volume, volts and THD of each level that has volts, by volume."""
    found = []
    for row in rows if isinstance(rows, list) else ():
        level = _value(row.get("volts_rms"))
        if is_number(row.get("volume")) and level is not None and level > 0.0:
            found.append((float(row["volume"]), level, _value(row.get("thd_percent"))))
    return sorted(found, key=lambda row: row[0])


def _value(value: object) -> float | None:
    """Return a number or the value of a stored quantity."""
    if isinstance(value, dict):
        value = value.get("value")
    return float(value) if is_number(value) and math.isfinite(float(value)) else None


def _hertz(hz: float) -> str:
    return f"{hz / 1000:g} k" if hz >= 1000.0 else f"{hz:g}"


def _short(value: float) -> str:
    return f"{value:g}"
