"""What a simulated car must lead to, by closed forms from its file, not by the package.

The level of a volume step, the peak of a sine against a clip point, Ohm's law, and for a soft knee
the harmonic content of its documented curve by a long FFT.
"""

from __future__ import annotations

import math

import numpy as np

SQRT2 = math.sqrt(2.0)


def ideal_v_rms(car, volume):
    source = car["source"]
    down_db = (source["max_volume"] - volume) * source["db_per_step"]
    return source["volts_rms_at_max"] * 10.0 ** (-down_db / 20.0)


def source_v_rms(car, volume):
    source = car["source"]
    ideal = ideal_v_rms(car, volume)
    # The documented low-order curve u - b (u^3 - u^5) also takes a little of the fundamental.
    thd = source["thd_percent"] / 100.0
    b = thd / (math.sqrt(2.0) / 16.0 + thd / 8.0)
    part = min(SQRT2 * ideal / source["clip_volts_peak"], 1.0)
    return ideal * (1.0 - b * (0.75 * part**2 - 0.625 * part**4))


def true_clean_volume(car):
    source = car["source"]
    fits = [
        volume
        for volume in range(1, source["max_volume"] + 1)
        if SQRT2 * ideal_v_rms(car, volume) <= source["clip_volts_peak"]
    ]
    return max(fits)


def soft_limit_1_percent_v_rms(amplifier):
    """Fundamental of the soft knee's output where its THD is 1 %, by a long FFT."""
    knee, rail = amplifier["soft_knee"], amplifier["rail_volts_peak"]
    angle = 2.0 * np.pi * np.arange(4096) / 4096

    def at(drive):
        u = drive * np.sin(angle)
        over = np.abs(u) - (1.0 - knee)
        y = np.where(over > 0, np.sign(u) * (1.0 - knee + knee * np.tanh(over / knee)), u)
        thd = amplifier["thd_percent"] / 100.0
        y = y - thd / (math.sqrt(2.0) / 16.0 + thd / 8.0) * (y**3 - y**5)
        lines = np.abs(np.fft.rfft(y)) / 2048
        return math.sqrt(float(np.sum(lines[2:41] ** 2))) / lines[1], lines[1]

    low, high = 0.3, 1.5
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if at(middle)[0] < 0.01 else (low, middle)
    return at(low)[1] * rail / SQRT2


def true_onset_v_rms(amplifier):
    if amplifier["soft_knee"] > 0.0:
        return soft_limit_1_percent_v_rms(amplifier)
    return amplifier["rail_volts_peak"] / SQRT2


def net_load_ohm(text):
    """Evaluate the few loads of these car files by hand."""
    known = {"4||4": 2.0, "4": 4.0, "8||8": 4.0, "2+2": 4.0, "(8||8)": 4.0}
    return known[text]


def true_target_v_rms(amplifier):
    load = net_load_ohm(amplifier["load"])
    power = dict(map(tuple, amplifier["rated"]))[load]
    return math.sqrt(min(power, amplifier.get("loudspeaker_w", math.inf)) * load)


def expected_gain(car, amplifier):
    """Which limit comes first, and at which voltage."""
    target, onset = true_target_v_rms(amplifier), true_onset_v_rms(amplifier)
    most = source_v_rms(car, true_clean_volume(car)) * 10.0 ** (amplifier["gain_db"][1] / 20.0)
    by_target = "loudspeaker" if "loudspeaker_w" in amplifier else "target"
    if most < min(target, onset):
        return "range", most
    if onset < target:
        return "clipping", onset * 10.0 ** (-0.5 / 20.0)
    return by_target, target
