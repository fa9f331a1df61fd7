"""The clean-volume search: the curve that grows, and its table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from levelset.tui.renderables.plots import Raster
from levelset.tui.renderables.wording import percent, volts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from levelset.procedures.protocol import CurvePoint
    from levelset.tui.renderables.charset import Charset

LEAST_THD_PERCENT = 0.1
STATES = {
    "clean": "clean",
    "hard_clipping": "TOPS FLAT",
    "soft_clipping": "TOPS ROUNDED",
    "distorted": "DISTORTED",
}


def curve_plot(
    points: Sequence[CurvePoint], width: int, height: int, charset: Charset
) -> list[str]:
    """Draw volts (from 0) over the volume number, with both ends of the axis named.

    Parameters
    ----------
    points : sequence of CurvePoint
        Levels in the order they were captured.
    width, height : int
        Size in characters, the line for the axis included.
    charset : {"braille", "ascii"}
        Character set.

    Returns
    -------
    list of str
        ``height`` lines.
    """
    known = sorted((p.volume, p.volts_rms) for p in points if p.volts_rms is not None)
    if height < 2 or not known:
        return [""] * height
    x = np.array([volume for volume, _ in known], dtype=float)
    y = np.array([v for _, v in known], dtype=float)
    raster = Raster(width, height - 1, charset)
    top, span = float(np.max(y)) or 1.0, float(x[-1] - x[0])
    at = (x - x[0]) / span * 2.0 - 1.0 if span else np.zeros_like(x)
    levels = y / top * 2.0 - 1.0
    raster.line(at, levels)
    for one_x, one_y in zip(at, levels, strict=True):
        raster.dot(float(one_x), float(one_y))
    first, last = f"{known[0][0]}", f"{known[-1][0]}"
    middle = "volume"
    gap = max(width - len(first) - len(last), 0)
    return [*raster.text(), f"{first}{middle.center(gap)[:gap]}{last}"]


def curve_table(points: Sequence[CurvePoint], width: int, height: int) -> list[str]:
    """Return the newest levels, newest last: volume, volts, THD, state."""
    if height < 1:
        return []
    lines = [f"{'vol':>3} {'level':>8} {'THD':>8}  shape"]
    for point in points[max(len(points) - height + 1, 0) :]:
        level = "-" if point.volts_rms is None else volts(point.volts_rms)
        thd = "-" if point.thd_percent is None else _thd(point.thd_percent)
        state = STATES.get(point.state, point.state.replace("_", " "))
        lines.append(f"{point.volume:>3} {level:>8} {thd:>8}  {state}")
    return [line[:width] for line in lines]


def _thd(value_percent: float) -> str:
    """Return a distortion; what noise may make of it at a low volume is only bounded."""
    return percent(value_percent) if value_percent >= LEAST_THD_PERCENT else "<0.1 %"
