"""How surely a live reading names what spoils the path, and how often a good one is blamed.

Usage: ``python -m tests.benchmarks.live_trust [--trials 200] [--clean 1000] [--seed 1]
[--integers] [--only NAME] [--seen-in readings|glimpses|updates]``

Samples go through the port's conversion, its gate, an engine and the reading of the tips. Each
trial is three seconds of a tone of 40 Hz to 5 kHz at 44.1 to 96 kHz, 16 or 24 bits, with one fault
at a random place. A trial counts as named where a reading is void with the fault's word and none
with another word of the path. Clean windows are tones, clipped and not, with hum, turned up and
down by a hand, beginning, ending, and with contacts that open. ``--integers``: what rides the gain,
gates, resamples or mixes hands on whole codes in the converter's own word length. ``--seen-in``
takes the overlapping windows as well: what the screen shows between two readings, or the updates of
``levelset watch`` with the tone not known. Exit status 1
where a fault is named in less than 95 %, or a clean window is blamed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter

import numpy as np

from tests.procedures import live_windows as live

ENOUGH = 0.95


def path_codes(voids):
    return {void.code for void in voids if void is not None and void.code in live.PATH_CODES}


def tampered(name, trials, seed, integers=False, seen_in="readings"):
    """Return how often a fault was named, and what was said instead."""
    rng = np.random.default_rng(seed)
    said = Counter()
    for _ in range(trials):
        voids = live.tampered_voids(name, rng, integers, seen_in)
        said[tuple(sorted(path_codes(voids)))] += 1
    return said[(live.TAMPERED[name][1],)] / max(trials, 1), said


def clean(name, windows, seed, seen_in="readings"):
    """Return the number of windows that were read, and every reason a clean one was blamed for."""
    rng = np.random.default_rng(seed)
    count, blamed = 0, []
    while count < windows:
        voids = live.clean_voids(name, rng, seen_in)
        count += len(voids)
        blamed += [v.reason for v in voids if v is not None and v.code in live.PATH_CODES]
    return count, blamed


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--clean", type=int, default=1000, help="windows in all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--integers", action="store_true")
    parser.add_argument("--only")
    parser.add_argument("--seen-in", choices=[*live.SEEN_IN], default="readings")
    words = parser.parse_args()
    good = True

    def say(line, began):
        sys.stdout.write(f"{line}  {time.perf_counter() - began:.0f} s\n")
        sys.stdout.flush()

    for name in live.TAMPERED:
        if words.only in (None, name) and words.trials:
            began = time.perf_counter()
            rate, said = tampered(name, words.trials, words.seed, words.integers, words.seen_in)
            good = good and rate >= ENOUGH
            say(f"{name:20} named in {100 * rate:5.1f} % of {words.trials}  {dict(said)}", began)
    each = -(-words.clean // len(live.CLEAN))
    for name in live.CLEAN:
        if words.only in (None, name) and each:
            began = time.perf_counter()
            count, blamed = clean(name, each, words.seed, words.seen_in)
            good = good and not blamed
            say(f"{name:20} blamed in {len(blamed)} of {count} windows  {blamed[:2]}", began)
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
