"""Synthetic tips: a known output through a known probe and interface, by closed forms only."""

import numpy as np

from levelset.probe.calibration import Calibration
from levelset.probe.reading import Frames, ToneSpec
from levelset.quantity import Quantity

RATE = 48000


def spec(output="grounded", *, expected_hz=94.0, live=False, limit_percent=1.0):
    return ToneSpec(expected_hz, 0.25, limit_percent, output, live)


def frames(count, rate=RATE):
    return Frames(stream=1, first=4800, count=count, rate_hz=rate)


def calibration(
    scales=(70.7, 70.9), *, coupling_hz=(), max_volts=120.0, frequency_hz=94.0, rate_hz=RATE
):
    return Calibration(
        name="bench",
        port_name="test",
        rate_hz=rate_hz,
        frequency_hz=frequency_hz,
        volts_per_full_scale=tuple(Quantity(s, 0.005 * s, "V") for s in scales),
        match=Quantity(scales[1] / scales[0], 0.0005, "") if len(scales) == 2 else None,
        coupling_hz=coupling_hz,
        max_volts=max_volts,
        meter_volts_rms=10.0,
        evidence=(),
    )


def high_pass(frequency_hz, poles):
    """Gain and phase of the coupling for a steady sine, by the closed form."""
    h = 1.0 + 0.0j
    for pole in poles:
        h *= 1.0 / (1.0 - 1j * pole / frequency_hz)
    return h


def tips(
    a_volts_rms,
    b_volts_rms,
    *,
    scales=(70.7, 70.9),
    frequency_hz=94.0013,
    coupling_hz=(),
    harmonics=(),
    noise_fs=1e-5,
    seconds=0.25,
    rate=RATE,
    seed=1,
    phase=0.7,
):
    """Samples of two tips; volts may be negative for the opposite phase.

    ``harmonics`` are (number, ratio to the fundamental) in phase with it, before the coupling.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate)) / rate
    wave = np.zeros_like(t)
    for number, ratio in ((1, 1.0), *harmonics):
        h = high_pass(number * frequency_hz, coupling_hz)
        angle = number * (2.0 * np.pi * frequency_hz * t + phase)
        wave += ratio * abs(h) * np.sin(angle + np.angle(h))
    legs = [
        v * np.sqrt(2.0) / s * wave for v, s in zip((a_volts_rms, b_volts_rms), scales, strict=True)
    ]
    x = np.stack(legs, axis=1)
    return x + noise_fs * rng.standard_normal(x.shape)
