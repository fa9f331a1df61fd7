"""The plan of a job: what is known from labels, manuals and the person before measuring."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from levelset.plan.target import Rating, Target


@dataclass(frozen=True, slots=True)
class SourcePlan:
    """The radio or other source.

    Parameters
    ----------
    max_volume : int
        Highest number its display can show.
    start_volume : int
        Number to begin with.
    """

    max_volume: int
    start_volume: int


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


@dataclass(frozen=True, slots=True)
class MeterSpec:
    """Specification of the multimeter on AC volts.

    Parameters
    ----------
    percent, counts : float
        Limits of error: +-(percent of reading + counts of the last digit).
    resolution_v : float
        Last digit on the range in use, V.
    """

    percent: float
    counts: float
    resolution_v: float


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
    """

    divider: float
    max_volts: float
    full_scale_volts_peak: float
    coupling_hz: tuple[float, ...]
    tips: int
    meter: MeterSpec


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
    """

    vehicle: str
    invented: bool
    source: SourcePlan
    channels: tuple[ChannelPlan, ...]
    probe: ProbePlan
    tone_from: Literal["vehicle", "levelset"]
    limit_percent: float
    margin_db: float
