"""The plan of a job: what is known from labels, manuals and the person before measuring."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from levelset.errors import UsageError
from levelset.limits import require_between
from levelset.plan.equipment import AmplifierPlan, ProcessorPlan, SourceKind, SupplyPlan
from levelset.plan.load import net_load_ohm
from levelset.plan.set_tone import choose_set_tone
from levelset.plan.target import POWER_W, Rating, Target, rated_power_w, target


@dataclass(frozen=True, slots=True)
class SourcePlan:
    """The radio or other source.

    Parameters
    ----------
    max_volume : int
        Highest number its display can show.
    start_volume : int
        Number to begin with.
    name : str
        What it is called.
    kind : SourceKind or None
        How it gives out its signal, as far as it is known before it is measured.
    player_channels : {2, 4, 6}
        Channels of the player that plays the tracks.
    """

    max_volume: int
    start_volume: int
    name: str = "source"
    kind: SourceKind | None = None
    player_channels: int = 2


@dataclass(frozen=True, slots=True)
class ChannelPlan:
    """One amplifier channel and its load.

    Parameters
    ----------
    name : str
        Name of the channel, unique in the job.
    load : str
        Load as it was written, such as ``4||4``.
    net_load_ohm : float
        The same as one resistance, ohm.
    ratings : tuple of Rating
        Rated power per load, from the amplifier's label.
    rated_supply_v : float
        Supply voltage of the ratings, V.
    loudspeaker_w : float or None
        Continuous rating of the loudspeakers on this channel together, W.
    band_hz : tuple of float
        Pass band, Hz.
    set_tone_hz : float
        Frequency of the set tone, Hz.
    target : Target
        Where the gain goes.
    amplifier : str or None
        Name of its amplifier in the plan; None where the channel carries its own ratings.
    bridged : bool
        True where two channels of the amplifier drive this load together.
    input_range_v_rms : tuple of float or None
        Lowest and highest input voltage for full power between the ends of the gain knob, V.
    match : str or None
        Channels with the same word here are set to the same voltage.
    """

    name: str
    load: str
    net_load_ohm: float
    ratings: tuple[Rating, ...]
    rated_supply_v: float
    loudspeaker_w: float | None
    band_hz: tuple[float, float]
    set_tone_hz: float
    target: Target
    amplifier: str | None = None
    bridged: bool = False
    input_range_v_rms: tuple[float, float] | None = None
    match: str | None = None

    @property
    def output_load_ohm(self) -> float:
        """Load that each driven output of the amplifier sees: half of the net load when bridged."""
        return self.net_load_ohm / 2.0 if self.bridged else self.net_load_ohm


@dataclass(frozen=True, slots=True)
class MeterSpec:
    """Specification of the multimeter on AC or DC volts.

    Parameters
    ----------
    percent, counts : float
        Limits of error: +-(percent of reading + counts of the last digit).
    resolution_v : float
        Last digit on the range in use, V.
    frequency_hz : tuple of float or None
        Lowest and highest frequency for which that holds, Hz; None where not known.
    true_rms : bool or None
        True for true RMS, False for a meter that averages and is right for sines only; None where
        not known.
    """

    percent: float
    counts: float
    resolution_v: float
    frequency_hz: tuple[float, float] | None = None
    true_rms: bool | None = None


@dataclass(frozen=True, slots=True)
class ProbePlan:
    """The probe and the interface input as they are labelled.

    Parameters
    ----------
    divider : float
        Volts at the tip per volt at the input.
    max_volts : float
        Largest voltage the resistors are stated for, V peak.
    full_scale_volts_peak : float
        Peak volts at the input per full scale, by the interface's data sheet.
    coupling_hz : tuple of float
        Poles of the input's AC coupling, Hz; empty where it is DC coupled.
    tips : {1, 2}
        Number of tips.
    meter : MeterSpec
        The multimeter.
    ground_lead_ratio : float
        Resistor in the ground lead over the whole resistance of one tip; 0 without one.
    meter_dc : MeterSpec or None
        The multimeter on DC volts; None where its manual was not looked up.
    """

    divider: float
    max_volts: float
    full_scale_volts_peak: float
    coupling_hz: tuple[float, ...]
    tips: int
    meter: MeterSpec
    ground_lead_ratio: float = 0.0
    meter_dc: MeterSpec | None = None


@dataclass(frozen=True, slots=True)
class JobPlan:
    """Everything that is planned for one vehicle.

    Parameters
    ----------
    vehicle : str
        Short description of the vehicle.
    invented : bool
        True for a demonstration: nothing in it is real.
    source : SourcePlan
        The source.
    channels : tuple of ChannelPlan
        Amplifier channels in the order in which they are set.
    probe : ProbePlan
        Probe, interface and meter.
    tone_from : {"vehicle", "levelset"}
        Whether the vehicle's own player or levelset's output plays the tones.
    limit_percent : float
        THD above which a signal is not clean, %.
    margin_db : float
        Back-off below the onset of clipping, dB.
    wake_up_volts : float or None
        Bias from which an amplifier wakes up, by its manual, V; None where it is not known.
    amplifiers : tuple of AmplifierPlan
        Amplifiers that the channels name.
    processor : ProcessorPlan or None
        What stands between source and amplifiers.
    other_sources : tuple of SourcePlan
        Sources besides the one with which levels are set.
    supply : SupplyPlan
        Supply voltages and shared cable.
    unconfirmed : tuple of str
        Values that came from a template and were never confirmed, such as ``channel.bass.load``.
    """

    vehicle: str
    invented: bool
    source: SourcePlan
    channels: tuple[ChannelPlan, ...]
    probe: ProbePlan
    tone_from: Literal["vehicle", "levelset"]
    limit_percent: float
    margin_db: float
    wake_up_volts: float | None = None
    amplifiers: tuple[AmplifierPlan, ...] = ()
    processor: ProcessorPlan | None = None
    other_sources: tuple[SourcePlan, ...] = ()
    supply: SupplyPlan = SupplyPlan()
    unconfirmed: tuple[str, ...] = ()

    def amplifier_of(self, channel: ChannelPlan) -> AmplifierPlan | None:
        """Return the amplifier of a channel, None where the plan names none."""
        return next((one for one in self.amplifiers if one.name == channel.amplifier), None)

    def matched_with(self, channel: ChannelPlan) -> tuple[ChannelPlan, ...]:
        """Return the other channels that must have the same voltage."""
        if channel.match is None:
            return ()
        return tuple(
            other
            for other in self.channels
            if other.match == channel.match and other.name != channel.name
        )


def plan_channel(
    *,
    name: str,
    load: str,
    ratings: Sequence[Rating],
    rated_supply_v: float,
    loudspeaker_w: float | None,
    band_hz: tuple[float, float],
    overlap_db: float,
    supply_v: float | None = None,
    amplifier: AmplifierPlan | None = None,
    bridged: bool = False,
    input_range_v_rms: tuple[float, float] | None = None,
    match: str | None = None,
) -> ChannelPlan:
    """Plan one amplifier channel: net load, target, set tone.

    Parameters
    ----------
    name : str
        Name of the channel, not empty, one line.
    load : str
        Wiring in textbook notation, such as ``4||4``.
    ratings : sequence of Rating
        Rated power per load, from the amplifier's label.
    rated_supply_v : float
        Supply voltage of the ratings, V.
    loudspeaker_w : float or None
        Continuous rating of the loudspeakers on this channel together, W.
    band_hz : tuple of float
        Pass band, Hz.
    overlap_db : float
        Gain overlap, 0 to 15 dB.
    supply_v : float or None
        Supply voltage at the vehicle, V, where it is known.
    amplifier : AmplifierPlan or None
        The amplifier, where the plan describes it; its lowest load is held.
    bridged : bool
        True where two channels of the amplifier drive this load together.
    input_range_v_rms : tuple of float or None
        Lowest and highest input voltage for full power, V; None takes the amplifier's.
    match : str or None
        Group of channels that are set to the same voltage.

    Returns
    -------
    ChannelPlan
        Its target is the lower of the amplifier's and the loudspeaker's rating.

    Raises
    ------
    UsageError
        If a field is out of range or the amplifier cannot bear the load.
    """
    if not isinstance(name, str) or not name.strip() or not name.isprintable():
        raise UsageError(f"channel name {name!r:.40} is not usable", "give a name in one line")
    if len(band_hz) != 2:
        raise UsageError(
            f"pass band of channel {name} has {len(band_hz)} edges", "give two: [low, high] in Hz"
        )
    resistance_ohm = net_load_ohm(load)
    if amplifier is not None:
        amplifier.refuse_load(resistance_ohm, name, bridged=bridged)
        input_range_v_rms = input_range_v_rms or amplifier.input_range_v_rms
    rated = target(
        rated_power_w(ratings, resistance_ohm),
        resistance_ohm,
        supply_v=supply_v,
        rated_supply_v=rated_supply_v,
        overlap_db=overlap_db,
    )
    if amplifier is not None and supply_v is not None:
        clip_ratio = amplifier.clip_ratio(resistance_ohm, supply_v, bridged=bridged)
        rated = replace(rated, expected_clip_volts_rms=rated.clean_volts_rms * clip_ratio)
    goal = rated
    if loudspeaker_w is not None:
        loudspeaker_w = require_between(loudspeaker_w, "loudspeaker rating", *POWER_W, "W")
        if loudspeaker_w < rated.power_w:
            goal = replace(
                rated,
                power_w=loudspeaker_w,
                volts_rms=math.sqrt(loudspeaker_w * resistance_ohm),
                limited_by="loudspeaker",
            )
    tone = choose_set_tone(*band_hz)
    return ChannelPlan(
        name=name,
        load=load,
        net_load_ohm=resistance_ohm,
        ratings=tuple(ratings),
        rated_supply_v=float(rated_supply_v),
        loudspeaker_w=loudspeaker_w,
        band_hz=(float(band_hz[0]), float(band_hz[1])),
        set_tone_hz=tone.frequency_hz,
        target=goal,
        amplifier=None if amplifier is None else amplifier.name,
        bridged=bridged,
        input_range_v_rms=input_range_v_rms,
        match=match,
    )
