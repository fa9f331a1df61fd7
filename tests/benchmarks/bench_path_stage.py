"""What the look at the path costs, as a part of the complete reading of the same windows.

Usage: ``python -m tests.benchmarks.bench_path_stage [--windows 40] [--rates 48000,96000,192000]
[--tones 94,997] [--amplitude 0.2]``

Two tips, one window after the other without a gap, as a procedure reads them: processor time of
the look of `PathWatch` (take and void) as a part of look and `read_tips` together, medians over the
windows. "quiet" has noise of 0.4 codes, "still" of 0.05 codes, "noisy" 60 dB below the tone,
"clipped" meets a rail 1 dB below its peak. The last column is the look alone at the same samples as
they come for 20 overlapping windows a second, as a part of a core.
"""

from __future__ import annotations

import argparse
import itertools
import os
import statistics
import sys
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from levelset.analysis.path_watch import PathWatch
from levelset.probe.reading import Frames, ToneSpec
from levelset.probe.volts import read_tips

AMPLITUDE_FS = 0.2
KINDS = ("quiet", "still", "noisy", "clipped")


def made(kind, rate_hz, bits, tone_hz, frames, rng, amplitude_fs=AMPLITUDE_FS):
    """Return codes of both tips, shape (frames, 2)."""
    step = 2.0 ** (1 - bits)
    noise_fs = {"still": 0.05 * step, "noisy": 1e-3 * amplitude_fs}.get(kind, 0.4 * step)
    t = np.arange(frames) / rate_hz
    wave = amplitude_fs * np.sin(2.0 * np.pi * tone_hz * (1.0 + 1.3e-5) * t + 0.3)
    if kind == "clipped":
        wave = np.clip(wave, -amplitude_fs / 1.122, amplitude_fs / 1.122)
    tips = np.column_stack((0.5 * wave, -0.5 * wave))
    return np.rint((tips + noise_fs * rng.normal(size=tips.shape)) / step) * step


def cost_ms(kind, rate_hz, bits, tone_hz, windows, amplitude_fs=AMPLITUDE_FS):
    """Return the medians of look and reading, ms, and how many windows were blamed."""
    rng = np.random.default_rng(1)
    window_s = max(0.25, 10.0 / tone_hz)
    count = round(window_s * rate_hz)
    samples = made(kind, rate_hz, bits, tone_hz, count * (windows + 2), rng, amplitude_fs)
    spec = ToneSpec(tone_hz, window_s, 1.0, "bridged", live=True)
    watch, looks, readings, blamed = PathWatch(rate_hz), [], [], 0
    for index in range(windows + 2):
        first = index * count
        part = samples[first : first + count]
        began = time.process_time()
        read_tips(part, Frames(0, first, count, rate_hz), spec, None, start_hz=tone_hz)
        between = time.process_time()
        watch.take(part, 0, first, tone_hz=tone_hz)
        void = watch.void(first, count)
        ended = time.process_time()
        blamed += void is not None
        readings.append(1e3 * (between - began))
        looks.append(1e3 * (ended - between))
    return statistics.median(looks[2:]), statistics.median(readings[2:]), blamed


def live_percent(kind, rate_hz, bits, tone_hz, seconds, amplitude_fs=AMPLITUDE_FS):
    """Return the processor time of looks at 20 stretches a second, % of a core."""
    rng = np.random.default_rng(1)
    count = rate_hz // 20
    samples = made(kind, rate_hz, bits, tone_hz, round(seconds * rate_hz), rng, amplitude_fs)
    watch, times = PathWatch(rate_hz), []
    for first in range(0, len(samples) - count + 1, count):
        began = time.process_time()
        watch.take(samples[first : first + count], 0, first, tone_hz=tone_hz)
        watch.void(first, count)
        times.append(time.process_time() - began)
    return 100.0 * 20.0 * statistics.median(times[20:])


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--windows", type=int, default=40)
    parser.add_argument("--rates", default="48000,96000,192000")
    parser.add_argument("--tones", default="94,997")
    parser.add_argument("--amplitude", type=float, default=AMPLITUDE_FS)
    words = parser.parse_args()
    rates = [int(rate) for rate in words.rates.split(",")]
    tones = [float(tone) for tone in words.tones.split(",")]
    for rate_hz, bits, tone_hz, kind in itertools.product(rates, (16, 24), tones, KINDS):
        case = (kind, rate_hz, bits, tone_hz)
        look_ms, reading_ms, blamed = cost_ms(*case, words.windows, words.amplitude)
        sys.stdout.write(
            f"{rate_hz:6} Hz {bits} bit {tone_hz:5.0f} Hz {kind:8} look {look_ms:6.2f} ms of "
            f"{look_ms + reading_ms:6.2f} ms, {100.0 * look_ms / (look_ms + reading_ms):4.0f} %"
            f"{f', blamed {blamed}' if blamed else ''}; "
            f"20 a second {live_percent(*case, 3.0, words.amplitude):.1f} % of a core\n"
        )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
