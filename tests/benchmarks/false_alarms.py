"""Search for false alarms of the clip test: tones without a flat top, in great number.

Usage: ``python -m tests.benchmarks.false_alarms [--count 10000] [--seed 1]``

Prints every alarm, every void, and the share of each kind; the exit status is 1 after an alarm.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import Counter

import numpy as np

from levelset.analysis.tone import read_tone
from tests.analysis import closed_forms as forms

KINDS = ("clean", "tanh", "crossover", "square_cube", "fifth", "seventh")
MOST_THD_PERCENT = 3.0


def curve(kind, rng):
    """A transfer curve without a flat top."""
    size = rng.uniform(0.0, 1.0)
    if kind == "tanh":
        drive = 0.05 + 0.6 * size
        return lambda x: np.tanh(drive * x) / drive
    if kind == "crossover":
        dead = 0.06 * size
        return lambda x: np.sign(x) * np.maximum(np.abs(x) - dead, 0.0)
    if kind == "square_cube":
        b, c = rng.uniform(-0.04, 0.04), rng.uniform(0.0, 0.11)
        return lambda x: x + b * x**2 - c * x**3
    if kind == "fifth":
        return lambda x: x - 0.095 * size * x**5
    if kind == "seventh":
        return lambda x: x - 0.095 * size * x**7
    return lambda x: x


def draw(rng):
    """One random case: samples, rate, frequency, response, and words to describe it."""
    while True:
        kind = KINDS[rng.integers(len(KINDS))]
        rate_hz = float(rng.choice([44100, 48000, 96000]))
        frequency_hz = math.exp(rng.uniform(math.log(20.0), math.log(6000.0)))
        full = forms.harmonics_of(curve(kind, rng), 400)
        harmonics = full[: forms.below_nyquist(frequency_hz, rate_hz) + 1]
        if forms.thd_percent(full, 400) <= MOST_THD_PERCENT:
            break
    # A pole is known to 20 %; below 40 Hz a tone is read only behind slower couplings.
    pole_hz = math.exp(rng.uniform(math.log(0.3), math.log(min(8.0, frequency_hz / 8.0))))
    known_hz = pole_hz * rng.uniform(0.8, 1.2)
    snr_db = rng.uniform(20.0, 95.0)
    seconds = max(rng.uniform(0.06, 0.5), 3.1 / frequency_hz)
    n = int(seconds * rate_hz)
    level = 10.0 ** (-rng.uniform(2.0, 40.0) / 20.0)
    samples = level * forms.sampled(
        forms.coupled(harmonics, frequency_hz, [pole_hz]),
        frequency_hz,
        rate_hz,
        n,
        rng.uniform(0.0, 6.28),
    )
    samples += forms.white_noise(rng, n, level * harmonics[1], snr_db)
    words = (
        f"{kind} {frequency_hz:.2f} Hz at {rate_hz:.0f} Hz, {snr_db:.0f} dB, {n} samples, "
        f"pole {pole_hz:.2f} Hz taken as {known_hz:.2f} Hz"
    )
    return samples, rate_hz, frequency_hz, forms.coupling([known_hz]), kind, words


def run(count, seed, say=lambda line: None):
    """Return the alarms, the voids and the count of states of `count` random tones."""
    rng = np.random.default_rng(seed)
    alarms, voids, states = [], [], Counter()
    for _ in range(count):
        samples, rate_hz, frequency_hz, response, kind, words = draw(rng)
        result = read_tone(
            samples, rate_hz, limit_percent=1.0, expected_hz=frequency_hz, response=response
        )
        if result.void is not None:
            voids.append(f"{words}: {result.void.code}")
            say(f"void   {voids[-1]}")
            continue
        states[kind, result.clipping.state] += 1
        if result.clipping.state == "hard_clipping":
            alarms.append(words)
            say(f"ALARM  {words} {result.clipping}")
    return alarms, voids, states


def main():
    """Run the campaign from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    alarms, voids, states = run(options.count, options.seed, say=print)  # noqa: T201
    for (kind, state), number in sorted(states.items()):
        print(f"{kind:12} {state:14} {number}")  # noqa: T201
    bound = 100.0 * 3.0 / options.count
    print(  # noqa: T201
        f"{options.count} tones, {len(alarms)} alarms, {len(voids)} voids"
        + (f" (with none, below {bound:.3f} % at 95 %)" if not alarms else "")
    )
    return 1 if alarms else 0


if __name__ == "__main__":
    sys.exit(main())
