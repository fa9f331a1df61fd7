"""The simulated car: what a car file says, as checked values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from levelset.plan.target import Rating


@dataclass(frozen=True, slots=True)
class TapTruth:
    """Another pair of wires of the same source.

    Parameters
    ----------
    name : str
        Name by which it is touched, unique.
    channels : tuple of (str, float)
        Channels of the player that it carries, with their ratios.
    level_db : float
        Level against the main tap, dB.
    delay_ms : float
        Delay of its own, ms, in place of the source's.
    polarity : {"normal", "reversed"}
        Sign of the output.
    """

    name: str
    channels: tuple[tuple[str, float], ...]
    level_db: float
    delay_ms: float
    polarity: Literal["normal", "reversed"]


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
    highpass_hz : float or None
        Corner of its high-pass, Butterworth of second order, Hz.
    equaliser : tuple of (float, float, float)
        Bells: centre in Hz, gain in dB, Q.
    bass_controls, treble_controls : tuple of (float, float, int)
        Shelves: centre in Hz, gain in dB, order.
    bass_withdrawn_db_at_max : float
        By how much bass is lower at maximum volume, dB; see `source.withdrawn_db`.
    limiter_volts_rms : float or None
        Voltage of a sine from which on the level no longer follows the volume, V.
    noise_millivolts : float
        White noise at the output, RMS in 20 Hz to 20 kHz, mV.
    hum_millivolts : float
        Mains hum across the output, RMS of all lines, mV.
    hum_hz : float
        Mains frequency, Hz.
    alternator_millivolts : float
        Whine that follows engine speed, RMS of all lines, mV.
    alternator_hz_per_rpm : float
        Alternator's frequency for each turn a minute of the engine, Hz.
    delay_ms : float
        From the player to the output, ms.
    channels : tuple of (str, float)
        Channels of the player that the tap carries, with ratios whose magnitudes add up to 1.
    taps : tuple of TapTruth
        Further pairs of wires.
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
    highpass_hz: float | None
    equaliser: tuple[tuple[float, float, float], ...]
    bass_controls: tuple[tuple[float, float, int], ...]
    treble_controls: tuple[tuple[float, float, int], ...]
    bass_withdrawn_db_at_max: float
    limiter_volts_rms: float | None
    noise_millivolts: float
    hum_millivolts: float
    hum_hz: float
    alternator_millivolts: float
    alternator_hz_per_rpm: float
    delay_ms: float
    channels: tuple[tuple[str, float], ...]
    taps: tuple[TapTruth, ...]


@dataclass(frozen=True, slots=True)
class ProcessorTruth:
    """A processor or line converter between the main tap and every amplifier.

    Parameters
    ----------
    input_clip_volts_peak, output_clip_volts_peak : float
        Where its input stage and its output stage clip, V.
    gain_db : tuple of float
        Gain at both ends of its level control, dB.
    noise_millivolts : float
        White noise at its output, RMS in 20 Hz to 20 kHz, mV.
    delay_ms : float
        From its input to its output, ms.
    polarity : {"normal", "reversed"}
        Sign of the output.
    kind : {"processor", "line_converter"}
        Label: which of both.
    max_input_volts, max_output_volts : float or None
        Label: largest clean voltages, RMS in V.
    """

    input_clip_volts_peak: float
    output_clip_volts_peak: float
    gain_db: tuple[float, float]
    noise_millivolts: float = 0.0
    delay_ms: float = 0.0
    polarity: Literal["normal", "reversed"] = "normal"
    kind: Literal["processor", "line_converter"] = "line_converter"
    max_input_volts: float | None = None
    max_output_volts: float | None = None


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
    subsonic_hz, highpass_hz, lowpass_hz : float or None
        Corners of its filters, Hz.
    slope_db_per_octave : int
        Of all of them: 6, 12, 18 or 24.
    alignment : {"butterworth", "linkwitz_riley"}
        Of high-pass and low-pass; the subsonic filter is a Butterworth one.
    output_ohm : float
        Resistance between its output stage and the load, ohm.
    carrier_volts, carrier_hz : float
        What is left of a switching output stage's carrier, RMS in V, and its frequency, Hz.
    tap : str
        Tap that feeds it; empty for the main one.
    rated : tuple of Rating
        Label: power per load.
    rated_supply : float
        Label: supply voltage of the ratings, V.
    load : str
        Wiring of the loudspeakers that is planned, such as ``4||4``.
    wired : str
        How they are wired in truth; empty where it is as planned.
    to_chassis : bool
        True where a loudspeaker wire touches chassis while it is loose.
    input_range_volts : tuple of float or None
        Label: lowest and highest input voltage for rated power, V.
    match : str
        Group of channels that must have the same voltage; empty for none.
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
    subsonic_hz: float | None
    highpass_hz: float | None
    lowpass_hz: float | None
    slope_db_per_octave: int
    alignment: Literal["butterworth", "linkwitz_riley"]
    output_ohm: float
    carrier_volts: float
    carrier_hz: float
    tap: str
    rated: tuple[Rating, ...]
    rated_supply: float
    load: str
    wired: str
    to_chassis: bool
    input_range_volts: tuple[float, float] | None
    match: str
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
    """Supply and engine.

    Parameters
    ----------
    engine_off, engine_on : float
        Voltage with the engine off and running, nothing drawn, V.
    ohm : float
        Resistance on the way to the amplifiers, ohm.
    idle_rpm : float
        Engine speed nobody asks more of.
    """

    engine_off: float
    engine_on: float
    ohm: float
    idle_rpm: float


@dataclass(frozen=True, slots=True)
class CarTruth:
    """Everything that is true of a simulated car; only ports and tests may see it.

    ``checklist`` holds what is not "yes" of the checklist, by its keys.
    """

    source: SourceTruth
    amplifiers: tuple[AmplifierTruth, ...]
    probe: ProbeTruth
    interface: InterfaceTruth
    meter: MeterTruth
    supply: SupplyTruth
    processor: ProcessorTruth | None = None
    checklist: tuple[tuple[str, str], ...] = ()
