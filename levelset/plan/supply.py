"""Supply of the amplifiers: current, drop along the cables, and whether the fuses protect them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from levelset.plan.equipment import CableRun, OutputStage
from levelset.plan.job import ChannelPlan, JobPlan
from levelset.plan.wire import ampacity_a, cable_text, ohm_per_m, protecting_fuse_a

EFFICIENCY: dict[OutputStage | None, float] = {"AB": 0.55, "D": 0.80, None: 0.55}
"""Of an amplifier at full power, with a sine (common practice, no source). No class B stage gets
beyond pi/4 = 79 % (any textbook on power amplifiers). Where the class is not known the lower one
counts, which gives the larger current."""

MUSIC_PART = 1.0 / 3.0
"""Mean current on loud music over that of a sine at full power (common practice, no source)."""

DROP_PART = 0.03
"""Usual limit of the drop along a feed, as a part of the supply voltage (common practice)."""

CONDUCTOR_C = 60.0
"""Temperature of a loaded conductor that the drop is computed for, degrees Celsius."""

USUAL_RUNNING_V = 13.8
"""Supply with the engine running, where the plan names none (common practice, no source), V."""

CAUTIONS = (
    "Take battery negative off while you work on the supply. A fuse as close to the battery as "
    "possible protects the cable, not the amplifier.",
    "Bundled cable, cable in hot places and vehicle cable with less copper than its gauge bear "
    "less. Local electrical and vehicle codes, the manuals and licensed practice come first.",
)


@dataclass(frozen=True, slots=True)
class Feed:
    """One supply cable and what it carries.

    Parameters
    ----------
    name : str
        What it feeds.
    cable : CableRun
        The cable.
    full_a, music_a : float
        Current with a sine at full power on all channels it feeds, and the mean on music, A.
    ohm : float
        Its resistance, warm, there and as far as it is known back, ohm.
    way_back : bool
        Whether the ground cable is counted.
    drop_v, music_drop_v : float
        Voltage lost along it at these currents, V.
    limit_v : float
        Usual limit of the drop, V.
    bears_a : float or None
        What the cable bears, A; None below the table.
    protecting_fuse_a : float or None
        Largest usual fuse that protects it, A.
    findings : tuple of str
        What is wrong with it, in full sentences.
    """

    name: str
    cable: CableRun
    full_a: float
    music_a: float
    ohm: float
    way_back: bool
    drop_v: float
    music_drop_v: float
    limit_v: float
    bears_a: float | None
    protecting_fuse_a: float | None
    findings: tuple[str, ...]

    def text(self) -> str:
        """Return the feed in one sentence."""
        back = "both ways" if self.way_back else "one way, ground not noted"
        fuse = self.protecting_fuse_a
        protects = "no usual fuse protects it" if fuse is None else f"fuse up to {fuse:g} A"
        bears = "" if self.bears_a is None else f"bears {self.bears_a:.0f} A, "
        return (
            f"{self.name}: {cable_text(self.cable)}, {bears}{protects}; {self.full_a:.0f} A at "
            f"full power, {self.music_a:.0f} A on music; drop {self.drop_v:.2f} V and "
            f"{self.music_drop_v:.2f} V ({back}, {1000.0 * self.ohm:.1f} mohm)"
        )


def current_a(power_w: float, efficiency: float, supply_v: float) -> float:
    """Return the supply current: P / (efficiency * V)."""
    return power_w / (efficiency * supply_v)


def feeds(plan: JobPlan) -> tuple[Feed, ...]:
    """Return every supply cable of the plan with its current, drop and fuse.

    The power is that of the targets, all channels at once. Amplifiers without a cable of their own
    count for the shared one.
    """
    supply_v = plan.supply.running_v or USUAL_RUNNING_V
    found, total_a = [], 0.0
    for amplifier in plan.amplifiers:
        fed = [one for one in plan.channels if one.amplifier == amplifier.name]
        full_a = current_a(_power_w(fed), EFFICIENCY[amplifier.stage], supply_v)
        total_a += full_a
        if amplifier.feed is not None:
            found.append(feed(amplifier.name, amplifier.feed, full_a, supply_v, amplifier.fuse_a))
    if plan.supply.main is not None:
        loose = [one for one in plan.channels if one.amplifier is None]
        total_a += current_a(_power_w(loose), EFFICIENCY[None], supply_v)
        found.append(feed("shared cable", plan.supply.main, total_a, supply_v, None))
    return tuple(found)


def feed(
    name: str, cable: CableRun, full_a: float, supply_v: float, device_fuse_a: float | None
) -> Feed:
    """Return what a cable does at a current.

    Parameters
    ----------
    name : str
        What it feeds.
    cable : CableRun
        The cable.
    full_a : float
        Current at full power, A.
    supply_v : float
        Supply voltage, V.
    device_fuse_a : float or None
        Fuse that the amplifier's manual names, A.
    """
    length_m = cable.length_m + (cable.return_m or 0.0)
    ohm = ohm_per_m(cable, CONDUCTOR_C) * length_m
    fuse = protecting_fuse_a(cable)
    one = Feed(
        name=name,
        cable=cable,
        full_a=full_a,
        music_a=full_a * MUSIC_PART,
        ohm=ohm,
        way_back=cable.return_m is not None,
        drop_v=ohm * full_a,
        music_drop_v=ohm * full_a * MUSIC_PART,
        limit_v=DROP_PART * supply_v,
        bears_a=ampacity_a(cable),
        protecting_fuse_a=fuse,
        findings=(),
    )
    return _with_findings(one, device_fuse_a)


def _with_findings(one: Feed, device_fuse_a: float | None) -> Feed:
    cable, bears_a, found = one.cable, one.bears_a, []
    if bears_a is None:
        found.append(f"{one.name}: the cable is thinner than any in the table of currents.")
    else:
        if cable.fuse_a is not None and cable.fuse_a > bears_a:
            found.append(
                f"{one.name}: a fuse of {cable.fuse_a:g} A does not protect a cable that bears "
                f"{bears_a:.0f} A: take {one.protecting_fuse_a:g} A or a thicker cable."
            )
        if one.music_a > bears_a:
            found.append(
                f"{one.name}: {one.music_a:.0f} A on music is more than the cable bears, "
                f"{bears_a:.0f} A: take a thicker cable."
            )
        if device_fuse_a is not None and device_fuse_a > bears_a:
            found.append(
                f"{one.name}: its manual's fuse of {device_fuse_a:g} A is more than the cable "
                f"bears, {bears_a:.0f} A: take a thicker cable."
            )
    if cable.fuse_a is not None and one.music_a > cable.fuse_a:
        found.append(
            f"{one.name}: {one.music_a:.0f} A on music will blow a fuse of {cable.fuse_a:g} A."
        )
    if one.drop_v > one.limit_v:
        found.append(
            f"{one.name}: {one.drop_v:.2f} V are lost at full power, more than the usual "
            f"{one.limit_v:.2f} V: the amplifier clips {_loss_db(one):.1f} dB earlier."
        )
    return replace(one, findings=tuple(found))


def _loss_db(one: Feed) -> float:
    supply_v = one.limit_v / DROP_PART
    left = max(1.0 - one.drop_v / supply_v, 0.01)
    return -20.0 * math.log10(left)


def _power_w(channels: list[ChannelPlan]) -> float:
    return sum(one.target.power_w for one in channels)
