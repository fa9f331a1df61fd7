"""Channels that must match: where one has to stop lower, the others follow it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from levelset.units import db_from_ratio

if TYPE_CHECKING:
    from collections.abc import Mapping

    from levelset.plan.job import ChannelPlan, JobPlan

MATCH_DB = 0.1
"""Channels of a group are set this close to each other, dB."""

AT_ITS_GOAL = ("target", "loudspeaker", "match")
"""What limits a gain that has reached what was planned for it."""


def matched_goal_v(
    channel: ChannelPlan, plan: JobPlan, gains: Mapping[str, dict[str, Any] | None]
) -> float | None:
    """Return the lowest voltage at which another channel of the group had to stop, V RMS.

    Parameters
    ----------
    channel : ChannelPlan
        The channel that is about to be set.
    plan : JobPlan
        The plan, which names the groups.
    gains : mapping of str to dict or None
        Results of the gains that are set, by channel.

    Returns
    -------
    float or None
        None where no other channel of the group stopped below what was planned.
    """
    stopped = [
        _set_v(gain)
        for other in plan.matched_with(channel)
        if (gain := gains.get(other.name)) is not None and gain["limited_by"] not in AT_ITS_GOAL
    ]
    return min(stopped, default=None)


def above_its_group(
    plan: JobPlan, gains: Mapping[str, dict[str, Any] | None]
) -> dict[str, tuple[str, float]]:
    """Return the channels that stand above the lowest one of their group.

    Parameters
    ----------
    plan : JobPlan
        The plan, which names the groups.
    gains : mapping of str to dict or None
        Results of the gains that are set, by channel.

    Returns
    -------
    dict of str to (str, float)
        For each such channel the name of the lowest one and how far it is above it, dB, more than
        `MATCH_DB`.
    """
    above = {}
    for channel in plan.channels:
        gain = gains.get(channel.name)
        if gain is None:
            continue
        others = {
            other.name: _set_v(found)
            for other in plan.matched_with(channel)
            if (found := gains.get(other.name)) is not None
        }
        if not others:
            continue
        lowest = min(others, key=others.__getitem__)
        by_db = db_from_ratio(_set_v(gain) / others[lowest])
        if by_db > MATCH_DB:
            above[channel.name] = lowest, by_db
    return above


def _set_v(gain: dict[str, Any]) -> float:
    return float(gain["set_volts_rms"]["value"])
