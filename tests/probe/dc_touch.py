"""Synthetic touches: a voltage, bounce and hum behind a high-pass, by scipy's own filters.

The high-pass is made at the input's own rate by scipy.signal.bilinear, independently of the
package; volts, poles, bounce and noise are known exactly.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import bilinear, lfilter

RATE = 48_000
DIVIDER, FULL_SCALE_V = 100.0, 1.5
SCALE_V = DIVIDER * FULL_SCALE_V


def high_pass(x, poles_hz=(), section=None, rate=RATE):
    """First-order high-passes s / (s + 2 pi f) in a row, or s**2 / (s**2 + a s + b)."""
    filters = [([1.0, 0.0], [1.0, 2.0 * np.pi * f]) for f in poles_hz]
    if section is not None:
        filters.append(([1.0, 0.0, 0.0], [1.0, *section]))
    for b, a in filters:
        x = lfilter(*bilinear(b, a, rate), x)
    return x


def contact(rng, frames, first, bounce_s, rate=RATE):
    """1 where the tip touches: a random telegraph from ``first`` on, firm after the bounce."""
    on = np.zeros(frames)
    at, state = first, 1.0
    while at < first + round(bounce_s * rate):
        spell = 1 + round(rng.exponential(0.004) * rate)
        on[at : at + spell] = state
        at, state = at + spell, 1.0 - state
    on[first + round(bounce_s * rate) :] = 1.0
    return on


def one_touch(
    rng,
    volts,
    *,
    poles_hz=(2.1,),
    section=None,
    noise_dbfs=-90.0,
    bounce_s=0.02,
    hum_v=0.005,
    tip_hum_v=None,
    tone=None,
    before_s=1.2,
    after_s=1.3,
    late_s=0.0,
    lost_s=None,
    extra=None,
    bits=24,
    slow_hz=0.0,
):
    """Return codes of one channel: an old touch that decays, quiet, then the touch.

    ``tone`` is (V RMS, Hz) on the tap; ``lost_s`` takes the tip off again so long after the
    touch; ``extra`` is added to the tap's voltage, shape (frames,). Below ``slow_hz`` the power of
    the input's noise grows with 1/f.
    """
    frames = round((before_s + after_s) * RATE)
    t = np.arange(frames) / RATE
    mains = rng.choice([50.0, 60.0]) + rng.uniform(-0.1, 0.1)

    def hum(size):
        parts = [
            size / k * rng.uniform(0.1, 1.0) * np.sin(2 * np.pi * k * mains * t + rng.uniform(0, 6))
            for k in (1, 2, 3, 5, 7)
        ]
        return np.sum(parts, axis=0)

    first = round((before_s + late_s) * RATE)
    on = contact(rng, frames, first, bounce_s)
    if lost_s is not None:
        on[first + round(lost_s * RATE) :] = 0.0
    tap = volts + hum(hum_v if tip_hum_v is None else tip_hum_v)
    if tone is not None:
        tap = tap + tone[0] * np.sqrt(2.0) * np.sin(2 * np.pi * tone[1] * t + 1.0)
    if extra is not None:
        tap = tap + extra
    tip = on * tap + (1.0 - on) * hum(hum_v)
    old = np.zeros(RATE // 2)
    old[: RATE // 4] = rng.uniform(-6.0, 6.0)
    x = high_pass(np.concatenate((old, tip)) / SCALE_V, poles_hz, section)[len(old) :]
    x = x + 10.0 ** (noise_dbfs / 20.0) / np.sqrt(2.0) * noise(rng, frames, slow_hz)
    codes = 2.0 ** (bits - 1)
    return np.rint(x * codes) / codes


def noise(rng, frames, slow_hz=0.0):
    """Noise of unit power density, 1 + slow_hz / f times as much at f."""
    white = rng.standard_normal(frames)
    if slow_hz == 0.0:
        return white
    # Twice as long as needed, so that its end does not join its beginning.
    spectrum = np.fft.rfft(np.concatenate((white, rng.standard_normal(frames))))
    hz = np.fft.rfftfreq(2 * frames, 1.0 / RATE)
    spectrum[1:] *= np.sqrt(1.0 + slow_hz / hz[1:])
    spectrum[0] = 0.0
    return np.fft.irfft(spectrum)[:frames]
