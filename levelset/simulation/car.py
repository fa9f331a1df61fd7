"""The simulated car: what a car file says, as checked values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from levelset.plan.target import Rating


@dataclass(frozen=True, slots=True)
class SourceTruth:
    """The radio.

    Parameters
    ----------
    max_volume, start_volume : int
        Highest number of the display, and the one at the start.
    db_per_step : float
        Change of level with one step, dB.
    volts_rms_at_max : float
        Across the pair, for a 0 dBFS sine at maximum volume if it did not clip, V.
    clip_volts_peak : float
        Where the pair clips hard, V.
    output : {"bridged", "grounded", "line"}
        Kind of output.
    bias_volts : float
        Steady voltage of each leg of a bridged output with the engine running, V.
    offset_millivolts : float
        Steady voltage across the pair, mV.
    thd_percent : float
        Low-order distortion of a sine that just does not clip, %.
    polarity : {"normal", "reversed"}
        Sign of the output.
    """

    max_volume: int
    db_per_step: float
    volts_rms_at_max: float
    clip_volts_peak: float
    output: Literal["bridged", "grounded", "line"]
    bias_volts: float
    offset_millivolts: float
    thd_percent: float
    polarity: Literal["normal", "reversed"]
    start_volume: int


@dataclass(frozen=True, slots=True)
class AmplifierTruth:
    """One amplifier channel.

    Parameters
    ----------
    name : str
        Name of the channel, unique.
    output : {"grounded", "bridged"}
        Whether the negative terminal is chassis or driven.
    gain_db : tuple of float
        Gain at both ends of the knob, dB.
    rail_volts_peak : float
        Largest voltage across the pair with the engine running, V.
    soft_knee : float
        Part of the rail over which the output saturates softly; 0 clips hard.
    thd_percent : float
        Low-order distortion of a sine that just does not clip, %.
    noise_millivolts : float
        RMS noise of the output up to half the sample rate, mV.
    output_offset_millivolts : float
        Steady voltage across the pair, mV.
    input_clip_volts_peak : float or None
        Where the input stage clips, V.
    regulated : bool
        True where the rail does not follow the supply.
    polarity : {"normal", "reversed"}
        Sign of the output.
    rated : tuple of Rating
        Label: power per load.
    rated_supply : float
        Label: supply voltage of the ratings, V.
    load : str
        Wiring of the loudspeakers, such as ``4||4``.
    loudspeaker_w : float or None
        Label of the loudspeakers, W.
    band_hz : tuple of float
        Pass band that is planned, Hz.
    """

    name: str
    output: Literal["grounded", "bridged"]
    gain_db: tuple[float, float]
    rail_volts_peak: float
    soft_knee: float
    thd_percent: float
    noise_millivolts: float
    output_offset_millivolts: float
    input_clip_volts_peak: float | None
    regulated: bool
    polarity: Literal["normal", "reversed"]
    rated: tuple[Rating, ...]
    rated_supply: float
    load: str
    loudspeaker_w: float | None
    band_hz: tuple[float, float]


@dataclass(frozen=True, slots=True)
class ProbeTruth:
    """The resistor probe.

    Parameters
    ----------
    divider : float
        Volts at tip A per volt at the input.
    mismatch_percent : float
        How much more tip B passes than tip A, %.
    max_volts : float
        Largest voltage that the resistors are stated for, V peak.
    """

    divider: float
    mismatch_percent: float
    max_volts: float


@dataclass(frozen=True, slots=True)
class InterfaceTruth:
    """The sound card.

    Parameters
    ----------
    full_scale_volts_peak : float
        Volts at the input per full scale.
    rate_hz : int
        Sample rate by its own clock, Hz.
    bits : int
        Word length.
    coupling_hz : tuple of float
        First-order high-pass poles of the input, Hz; none where it is DC coupled.
    noise_dbfs : float
        RMS noise relative to the RMS of a full-scale sine (AES17 level), dBFS.
    clock_ppm : float
        How much slower its clock runs than the source's, parts per million: a tone reads
        higher by this.
    channels : int
        1 (tip A) or 2.
    """

    full_scale_volts_peak: float
    rate_hz: int
    bits: int
    coupling_hz: tuple[float, ...]
    noise_dbfs: float
    clock_ppm: float
    channels: int


@dataclass(frozen=True, slots=True)
class MeterTruth:
    """The multimeter: limits of error by its manual, and its error as a part of them (-1 to 1)."""

    ac_percent: float
    ac_counts: float
    ac_resolution_v: float
    dc_percent: float
    dc_counts: float
    dc_resolution_v: float
    error: float


@dataclass(frozen=True, slots=True)
class SupplyTruth:
    """Supply voltage with the engine off and running, V."""

    engine_off: float
    engine_on: float


@dataclass(frozen=True, slots=True)
class CarTruth:
    """Everything that is true of a simulated car; only ports and tests may see it."""

    source: SourceTruth
    amplifiers: tuple[AmplifierTruth, ...]
    probe: ProbeTruth
    interface: InterfaceTruth
    meter: MeterTruth
    supply: SupplyTruth
