"""Sources for the simulated car, and what must be found on them, by closed forms from the file.

Butterworth high-pass of second order, bell and shelf of the published cookbook formulas (R.
Bristow-Johnson, "Cookbook formulae for audio EQ biquad filter coefficients"), shelves of first
order, the first-order part that is withdrawn, and the peak of a sine against limiter and clip
point.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from levelset.signals.which_wire import which_wire_track

BASE: dict[str, Any] = {
    "max_volume": 32,
    "db_per_step": 1.5,
    "volts_rms_at_max": 9.0,
    "clip_volts_peak": 9.1,
    "output": "bridged",
    "bias_volts": 6.1,
    "offset_millivolts": 18,
    "thd_percent": 0.05,
    "polarity": "normal",
    "start_volume": 12,
}
"""An invented source."""

REST = """
[[amplifier]]
name = "bass"
output = "grounded"
gain_db = [4.0, 32.0]
rail_volts_peak = 34.0
soft_knee = 0.0
thd_percent = 0.03
noise_millivolts = 2.0
output_offset_millivolts = 8
rated = [[4.0, 150.0], [2.0, 250.0]]
rated_supply = 14.4
load = "4||4"
band_hz = [25, 80]

[probe]
divider = 100.0
mismatch_percent = 0.3
max_volts = 120.0

[interface]
full_scale_volts_peak = 1.5
rate_hz = 48000
bits = 24
coupling_hz = [2.1, 0.9]
noise_dbfs = -100
clock_ppm = 35
channels = 2

[meter]
ac_percent = 0.8
ac_counts = 3
ac_resolution_v = 0.01
dc_percent = 0.5
dc_counts = 2
dc_resolution_v = 0.01
error = 0.3

[supply]
engine_off = 12.5
engine_on = 14.2
"""
BASS_TONE_HZ, UPPER_TONE_HZ = 43.0, 997.0
"""The set tone of the bass channel of `REST`, and the second tone."""
MIDDLE_BAND_HZ, SECOND_BASS_HZ = (300, 6000), 41.0
"""Band of a channel whose set tone is the upper one, and its second tone."""


def source_with(**changes: Any) -> dict[str, Any]:
    """Return the invented source with other values."""
    return {**BASE, **changes}


def car_with_source(source: dict[str, Any], band_hz: tuple[int, int] = (25, 80)) -> str:
    """Return the text of a car file with one channel."""
    lines = ["# An invented car.", "[source]"]
    for key, value in source.items():
        if isinstance(value, dict):
            text = "{" + ", ".join(f"{k} = {v}" for k, v in value.items()) + "}"
        elif isinstance(value, str):
            text = f'"{value}"'
        else:
            text = str(value)
        lines.append(f"{key} = {text}")
    return "\n".join(lines) + "\n" + REST.replace("[25, 80]", str(list(band_hz)))


def random_source(seed: int, *, tone_controls: bool = False) -> dict[str, Any]:
    """Draw a source: equalised, limited, reversed, summed, noisy, delayed, bass withdrawn."""
    draw = np.random.default_rng([seed, 9])
    most = int(draw.integers(28, 42))
    source = source_with(
        max_volume=most,
        db_per_step=round(float(draw.uniform(1.0, 2.2)), 2),
        volts_rms_at_max=round(float(draw.uniform(4.0, 12.0)), 2),
        output=str(draw.choice(["bridged", "bridged", "grounded", "line"])),
        polarity=str(draw.choice(["normal", "reversed"])),
        start_volume=int(draw.integers(8, 14)),
        thd_percent=round(float(draw.uniform(0.02, 0.2)), 3),
    )
    peak_v = source["volts_rms_at_max"] * math.sqrt(2.0)
    source["clip_volts_peak"] = round(peak_v * float(draw.uniform(0.35, 1.1)), 3)
    if source["output"] != "bridged":
        source["bias_volts"] = 0.0
    if draw.random() < 0.5:
        source["equaliser"] = [
            [
                round(float(np.exp(draw.uniform(np.log(35.0), np.log(12_000.0)))), 1),
                round(float(draw.uniform(-8.0, 8.0)), 2),
                round(float(draw.uniform(0.6, 3.0)), 2),
            ]
            for _ in range(int(draw.integers(1, 4)))
        ]
    if draw.random() < 0.3:
        source["highpass_hz"] = round(float(draw.uniform(18.0, 90.0)), 1)
    if draw.random() < 0.3:
        source["bass_withdrawn_db_at_max"] = round(float(draw.uniform(4.0, 14.0)), 1)
    if draw.random() < 0.3:
        clip_rms = source["clip_volts_peak"] / math.sqrt(2.0)
        source["limiter_volts_rms"] = round(clip_rms * float(draw.uniform(0.5, 0.9)), 3)
    if draw.random() < 0.5:
        source["noise_millivolts"] = round(float(10.0 ** draw.uniform(-0.5, 1.0)), 3)
    if draw.random() < 0.3:
        source["hum_millivolts"] = round(float(10.0 ** draw.uniform(0.0, 1.3)), 3)
    if draw.random() < 0.3:
        source["alternator_millivolts"] = round(float(10.0 ** draw.uniform(0.0, 1.0)), 3)
    if draw.random() < 0.5:
        source["delay_ms"] = round(float(draw.uniform(0.0, 200.0)), 3)
    kind = draw.random()
    if kind < 0.3:
        source["channel"] = "right"
    elif kind < 0.5:
        source["channels"] = {"left": 1.0, "right": round(float(draw.uniform(0.05, 0.6)), 2)}
    elif kind < 0.55:
        source["channels"] = {"left": 1.0, "right": 1.0}
    for key, low_hz, high_hz in (
        ("bass_controls", 60.0, 300.0),
        ("treble_controls", 2000.0, 8000.0),
    ):
        if tone_controls and draw.random() < 0.5:
            centre_hz = float(np.exp(draw.uniform(np.log(low_hz), np.log(high_hz))))
            gain_db = round(float(draw.uniform(-8.0, 8.0)), 2)
            source[key] = [[round(centre_hz, 1), gain_db, int(draw.integers(1, 3))]]
    return source


def true_wire(source: dict[str, Any]) -> tuple[str | None, str]:
    """Return channel (None where two are alike) and polarity."""
    mix = source.get("channels", {source.get("channel", "left"): 1.0})
    names = sorted(mix, key=lambda name: -abs(mix[name]))
    if len(names) > 1 and 20.0 * math.log10(abs(mix[names[0]] / mix[names[1]])) < 3.0:
        return None, "cannot_tell"
    turned = (mix[names[0]] < 0.0) != (source["polarity"] == "reversed")
    return names[0], "reversed" if turned else "normal"


def withdrawn_db(source: dict[str, Any], volume: int) -> float:
    """Nothing up to half of the largest volume, then in proportion."""
    half = 0.5 * source["max_volume"]
    return source.get("bass_withdrawn_db_at_max", 0.0) * max(0.0, volume - half) / half


def response_db(source: dict[str, Any], hz: np.ndarray, volume: int) -> np.ndarray:
    """Return the closed-form magnitude at frequencies, dB."""
    h = np.ones(len(hz), dtype=complex)
    for centre, gain_db, q in source.get("equaliser", []):
        a = 10.0 ** (gain_db / 40.0)
        u = 1j * np.asarray(hz) / centre
        h *= (u * u + u * a / q + 1.0) / (u * u + u / (a * q) + 1.0)
    for key, sign in (("bass_controls", 1.0), ("treble_controls", -1.0)):
        for centre, gain_db, order in source.get(key, []):
            power = (np.asarray(hz) / centre) ** (sign * 2 * order)
            g = 10.0 ** (gain_db / 20.0)
            # Only magnitudes count.
            h *= np.sqrt((power + g) / (power + 1.0 / g))
    if source.get("highpass_hz"):
        u = 1j * np.asarray(hz) / source["highpass_hz"]
        h *= u * u / (u * u + math.sqrt(2.0) * u + 1.0)
    g = 10.0 ** (-withdrawn_db(source, volume) / 20.0)
    h *= 1.0 + (g - 1.0) / (1.0 + 1j * np.asarray(hz) / 150.0)
    return 20.0 * np.log10(np.abs(h))


def peak_v(source: dict[str, Any], tone_hz: float, volume: int) -> float:
    """Return the peak of a full-scale sine before the clip point, V."""
    below_db = (source["max_volume"] - volume) * source["db_per_step"]
    level_db = float(response_db(source, np.array([tone_hz]), volume)[0]) - below_db
    peak = source["volts_rms_at_max"] * math.sqrt(2.0) * 10.0 ** (level_db / 20.0)
    mix = source.get("channels")
    if mix is not None:
        peak *= abs(sum(mix.values())) / sum(abs(ratio) for ratio in mix.values())
    limiter = source.get("limiter_volts_rms")
    return peak if limiter is None else min(peak, limiter * math.sqrt(2.0))


def true_clean(source: dict[str, Any], bass_hz: float = BASS_TONE_HZ) -> int:
    """Return the highest volume at which neither tone reaches the clip point."""
    for volume in range(source["max_volume"], 0, -1):
        tones = (bass_hz, UPPER_TONE_HZ)
        if all(peak_v(source, hz, volume) <= source["clip_volts_peak"] for hz in tones):
            return volume
    return 0


UNSEEN_DB = 0.07
"""A tone that reaches the clip point by less has tops flat by 0.8 % of their height and some 0.2 %
more distortion, a fifth of the limit: such a volume may be called clean. Where the next number
shows flat tops it takes half of that."""


def clean_answers(source: dict[str, Any], bass_hz: float = BASS_TONE_HZ) -> set[int]:
    """Return the volumes that are right: one, two where a tone only just reaches the clip point."""
    higher = {**source, "clip_volts_peak": source["clip_volts_peak"] * 10.0 ** (UNSEEN_DB / 20.0)}
    return {true_clean(source, bass_hz), true_clean(higher, bass_hz)}


OWN_NOISE_V = 100.0 * 1.5 * 1e-5
"""Noise of the pair by the car file: two inputs of -100 dBFS behind dividers of 100, V RMS."""


def wire_snr_db(source: dict[str, Any], volume: int) -> float:
    """Return the level of the coded track of the strongest channel over all that is no signal, dB.

    Noise, hum, whine and the input's own noise together; other channels are signal.
    """
    track = which_wire_track(2)
    mix = source.get("channels", {source.get("channel", "left"): 1.0})
    name = max(mix, key=lambda name: abs(mix[name]))
    hz, amplitude_fs, _ = np.array(track.parts[track.channels.index(name)].sines).T
    gain = 10.0 ** (response_db(source, hz, volume) / 20.0)
    fs = math.sqrt(0.5 * float(np.square(amplitude_fs * gain).sum()))
    fs *= abs(mix[name]) / sum(abs(ratio) for ratio in mix.values())
    below_db = (source["max_volume"] - volume) * source["db_per_step"]
    volts = fs * source["volts_rms_at_max"] * math.sqrt(2.0) * 10.0 ** (-below_db / 20.0)
    return 20.0 * math.log10(volts / math.hypot(noise_v_rms(source), OWN_NOISE_V))


def noise_v_rms(source: dict[str, Any]) -> float:
    """Return noise, hum and whine together, V."""
    parts = ("noise_millivolts", "hum_millivolts", "alternator_millivolts")
    return max(1e-3 * math.hypot(*(source.get(key, 0.0) for key in parts)), 1e-9)
