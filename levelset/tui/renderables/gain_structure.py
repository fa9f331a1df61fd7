"""The gain structure of a channel as a table of text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from levelset.tui.renderables.wording import db, volts, wrapped

if TYPE_CHECKING:
    from collections.abc import Sequence

    from levelset.plan.gain_structure import GainStructure, StageLevel

STAGE_WIDTH = 22
NUMBER_WIDTH = 11


def gain_structure_lines(chain: GainStructure, width: int) -> list[str]:
    """Return the stages in the order of the signal, what limits first, and what to do.

    Parameters
    ----------
    chain : GainStructure
        The channel.
    width : int
        Longest line, 60 or more.
    """
    gain = "" if chain.gain_db is None else f"   amplification {db(chain.gain_db)}"
    lines = [
        f"{chain.channel.upper()}   set tone {chain.tone_dbfs:.0f} dBFS{gain}"[:width],
        _row("stage", "full scale", "takes", "headroom"),
        _row("recording", "0 dBFS", "0 dBFS", "0 dB"),
    ]
    for one in chain.stages:
        lines.append(_stage(one))
        lines += [f"  {part}" for part in wrapped(one.note, width - 2)] if one.note else []
    if chain.limits_first is not None:
        lines += wrapped(f"Limits first: {chain.limits_first}.", width)
    return [*lines, *wrapped(chain.advice, width)]


def levels_page(chains: Sequence[GainStructure], width: int) -> list[str]:
    """Return every channel's table with an empty line between."""
    lines: list[str] = []
    for chain in chains:
        lines += (
            ["", *gain_structure_lines(chain, width)]
            if lines
            else gain_structure_lines(chain, width)
        )
    return lines


def _stage(one: StageLevel) -> str:
    level = "not known" if one.level_v_rms is None else volts(one.level_v_rms)
    mark = "" if one.measured or one.level_v_rms is None else " *"
    limit = "not known" if one.limit_v_rms is None else volts(one.limit_v_rms)
    headroom = "" if one.headroom_db is None else f"{one.headroom_db:+.1f} dB"
    return _row(one.stage, level + mark, limit, headroom)


def _row(stage: str, level: str, limit: str, headroom: str) -> str:
    name = stage if len(stage) <= STAGE_WIDTH else f"{stage[: STAGE_WIDTH - 1]}…"
    return (
        f"{name:<{STAGE_WIDTH}}{level:>{NUMBER_WIDTH}}{limit:>{NUMBER_WIDTH}}"
        f"{headroom:>{NUMBER_WIDTH}}"
    )
