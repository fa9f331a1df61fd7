"""The level bar: where the level is, and where it must go."""

from __future__ import annotations

HEADROOM = 1.25
"""The bar ends at this multiple of the target, so that too much is seen as such."""

INPUT_FLOOR_DBFS = -60.0


def level_bar(level_v: float | None, target_v: float, width: int) -> str:
    """Draw the level against its target on a linear scale from 0 V.

    Parameters
    ----------
    level_v : float or None
        Level, V; None draws the scale only.
    target_v : float
        Target, V, above 0.
    width : int
        Length of the line.

    Returns
    -------
    str
        ``▇`` for the level, ``│`` for the target, ``█`` for what exceeds it.
    """
    cells = max(width - 3, 4)
    target = round(cells / HEADROOM)
    share = 0.0 if level_v is None else max(level_v, 0.0) / (target_v * HEADROOM)
    filled = min(round(share * cells), cells)
    # Short of the target never looks like reached, however near.
    if level_v is not None and level_v < target_v:
        filled = min(filled, target)
    drawn = ["▇" if i < filled else "▁" for i in range(cells)]
    for i in range(target, filled):
        drawn[i] = "█"
    drawn.insert(target, "│")
    return f"├{''.join(drawn)}┤"[:width]


def input_bar(peak_dbfs: float | None, width: int) -> str:
    """Draw the peak at the sound card's input from -60 dBFS to full scale."""
    label = "input peak: none" if peak_dbfs is None else f"input peak {peak_dbfs:6.1f} dBFS"
    cells = max(width - len(label) - 3, 4)
    share = 0.0 if peak_dbfs is None else 1.0 - min(peak_dbfs, 0.0) / INPUT_FLOOR_DBFS
    filled = min(max(round(share * cells), 0), cells)
    return f"├{'▇' * filled}{'▁' * (cells - filled)}┤ {label}"[:width]
