"""What the streaming meter costs, and how soon it says clipping.

    python tests/benchmarks/bench_stream.py [--seconds 10] [--trials 300]

Processor time of two channels at 20 overlapping readings a second, beside the complete readings of
the non-overlapping windows of the same samples, and beside one `numpy.fft.rfft` of every
overlapping window: a ratio that holds on any machine. Then clipping at random tones, levels and
noise: when it was said, as part of the time that is allowed (two periods, two blocks and 50 ms
after the block with the first clipped samples), in stream time; the processing comes on top and
is the longest update printed above.
"""

from __future__ import annotations

import argparse
import os
import sys
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from levelset.analysis.stream.meter import StreamMeter, Wanted
from levelset.analysis.tone import read_tone

WANTED = Wanted(20.0, 0.25, 10.0, 1.0)
CHANNELS = 2


def samples(rate_hz: int, hz: float, over_db: float, noise: float, seconds: float) -> np.ndarray:
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    peak = 0.5 * 10.0 ** (over_db / 20.0)
    sine = peak * np.sin(2.0 * np.pi * hz * time_s)[:, None] * np.linspace(1.0, 0.95, CHANNELS)
    rng = np.random.default_rng(1)
    return np.clip(sine, -0.5, 0.5) + 0.5 * noise * rng.standard_normal(sine.shape)


def cost(rate_hz: int, hz: float, over_db: float, noise: float, seconds: float) -> str:
    x = samples(rate_hz, hz, over_db, noise, seconds)
    block = 1024 * max(1, round(rate_hz / 48_000))
    meter = StreamMeter(rate_hz, CHANNELS, WANTED)
    longest_s, count, began_s = 0.0, 0, time.process_time()
    for first in range(0, len(x), block):
        at_s = time.process_time()
        count += len(meter.push(x[first : first + block]))
        if first > rate_hz:
            longest_s = max(longest_s, time.process_time() - at_s)
    meter_s = time.process_time() - began_s
    window = round(0.25 * rate_hz)
    began_s = time.process_time()
    for first in range(0, len(x) - window, round(0.05 * rate_hz)):
        np.fft.rfft(x[first : first + window], axis=0)
    fft_s = time.process_time() - began_s
    began_s = time.process_time()
    for first in range(0, len(x) - window + 1, window):
        for channel in range(CHANNELS):
            part = np.ascontiguousarray(x[first : first + window, channel])
            read_tone(part, rate_hz, limit_percent=1.0, expected_hz=None, start_hz=hz)
    whole_s = time.process_time() - began_s
    return (
        f"{rate_hz:7d} {hz:6.0f} {over_db:5.1f} {20 * np.log10(noise):6.0f} "
        f"{count / seconds:8.1f} {100 * meter_s / seconds:9.2f} {1000 * longest_s:11.1f} "
        f"{100 * fft_s / seconds:8.2f} {meter_s / fft_s:6.2f} {100 * whole_s / seconds:12.2f}"
    )


def said(trial: int) -> tuple[str, float]:
    """Return the kind of trial and when clipping was said, over the time allowed; nan: never."""
    rng = np.random.default_rng([trial, 5])
    rate_hz = int(rng.choice([44_100, 48_000, 96_000, 192_000]))
    block = 1024 * max(1, round(rate_hz / 48_000))
    hz = float(np.exp(rng.uniform(np.log(20.0), np.log(1500.0))))
    noise, peak = 10.0 ** rng.uniform(-5.5, -3.3), 0.3
    time_s = np.arange(2 * rate_hz) / rate_hz
    kind = str(rng.choice(["step", "ramp", "clean", "clean ramp"]))
    onset_s, rail = rng.uniform(0.9, 1.4), peak
    level = np.full(time_s.size, 0.999 * peak)
    if kind == "step":
        level[time_s >= onset_s] *= 10.0 ** (rng.uniform(0.3, 3.0) / 20.0)
    if kind == "ramp":
        level = peak * 10.0 ** (rng.uniform(1.0, 8.0) * (time_s - onset_s) / 20.0)
    if kind == "clean ramp":
        level, rail = 0.1 * 10.0 ** (rng.uniform(-9.0, 9.0) * (time_s - 1.0) / 20.0), 9.0
    x = level * np.sin(2.0 * np.pi * hz * time_s + rng.uniform(0.0, 6.0))
    over = np.flatnonzero(np.abs(x) > rail)
    onset = int(over[0]) if over.size else x.size
    x = np.clip(x, -rail, rail) + peak * noise * rng.standard_normal(x.size)
    meter = StreamMeter(rate_hz, 1, WANTED)
    arrived = (onset // block + 1) * block
    allowed = (2.0 / hz + 0.05) * rate_hz + 2 * block
    for first in range(0, x.size, block):
        for update in meter.push(x[first : first + block, None]):
            clipping = update.tones[0].clipping
            if clipping is not None and clipping.state == "hard_clipping":
                if update.first + update.count <= onset:
                    return kind, -1.0
                return kind, (first + block - arrived) / allowed
    return kind, float("nan")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--trials", type=int, default=300)
    words = parser.parse_args()
    sys.stdout.write(
        "rate Hz tone Hz over dB noise dB updates/s meter % longest ms  FFTs % ratio "
        "whole windows %\n"
    )
    for rate_hz in (48_000, 96_000, 192_000):
        for hz in (94.0, 997.0):
            for over_db, noise in ((-1.0, 1e-5), (-1.0, 1e-4), (1.0, 1e-4)):
                sys.stdout.write(cost(rate_hz, hz, over_db, noise, words.seconds) + "\n")
                sys.stdout.flush()
    found: dict[str, list[float]] = {}
    for trial in range(words.trials):
        kind, part = said(trial)
        found.setdefault(kind, []).append(part)
    for kind, parts in sorted(found.items()):
        late = np.asarray(parts)
        sys.stdout.write(
            f"{kind}: {late.size} trials, before the onset {np.sum(late < 0)}, never said "
            f"{np.sum(np.isnan(late))}, later than allowed {np.sum(late > 1)}; part of the time "
            f"allowed: median {np.nanmedian(late):.2f}, most {np.nanmax(late):.2f}\n"
        )


if __name__ == "__main__":
    main()
