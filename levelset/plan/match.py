"""Channels that must have the same voltage."""

from __future__ import annotations

from dataclasses import replace

from levelset.plan.job import ChannelPlan


def matched_targets(channels: tuple[ChannelPlan, ...]) -> tuple[ChannelPlan, ...]:
    """Return the channels; those that must match have the lowest target among them."""
    lowest: dict[str, ChannelPlan] = {}
    for channel in channels:
        if channel.match is None:
            continue
        known = lowest.get(channel.match, channel)
        if channel.target.volts_rms <= known.target.volts_rms:
            lowest[channel.match] = channel
    found = []
    for channel in channels:
        target = channel.target
        limit = lowest.get(channel.match or "", channel).target
        if limit.volts_rms < target.volts_rms * (1.0 - 1e-9):
            power_w = limit.volts_rms**2 / channel.net_load_ohm
            goal = replace(target, volts_rms=limit.volts_rms, power_w=power_w, limited_by="match")
            channel = replace(channel, target=goal)
        found.append(channel)
    return tuple(found)
