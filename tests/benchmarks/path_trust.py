"""How surely faults of the path are recognised and named, and how often a clean one is blamed.

Usage: ``python -m tests.benchmarks.path_trust [--trials 200] [--clean 1000] [--seed 1]
[--part windows|programme]``

Each fault is injected between a generator and the analysis, at random places, levels, rates, word
lengths and frequencies: into windows of a steady tone, and into the whole self-test. A trial counts
as named where the fault is the first thing found and nothing else grave is. Exit status 1 where a
fault is named in less than 95 %, or a clean window or path is blamed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter

import numpy as np

from levelset.analysis.path_trust import inspect_tone
from levelset.analysis.path_verdict import Stretches, judge_path
from tests.analysis import path_faults as faults

ENOUGH = 0.95


def window_codes(fault, rng):
    """Return what is found in one window."""
    case = faults.draw(rng)
    samples = case.clean() if fault is None else fault(case, rng)
    seen = inspect_tone(samples, case.rate_hz, case.frequency_hz, same_clock=True)
    return tuple(finding.code for finding in faults.all_findings(seen))


def programme_codes(fault, rng):
    """Return what is found in one self-test."""
    case = faults.draw_path(rng)
    wave, stretches = faults.programme(case)
    if fault is not None:
        wave = fault(case, wave, rng)
    samples = faults.heard(case, wave)
    parts = Stretches(*(samples[part] for part in stretches))
    trust = judge_path(parts, case.rate_hz, faults.TONE_HZ, same_clock=True)
    return tuple(finding.code for finding in trust.findings)


PARTS = {
    "windows": (window_codes, faults.WINDOW_FAULTS),
    "programme": (programme_codes, faults.PROGRAMME_FAULTS),
}


def run(part, trials, clean, seed, say=lambda *words: None):
    """Return the rate at which each fault was named, and what clean ones were blamed for."""
    find, kinds = PARTS[part]
    rates = {}
    for name, fault in kinds.items():
        began = time.perf_counter()
        rng = np.random.default_rng(seed)
        found = Counter(find(fault, rng) for _ in range(trials))
        rates[name] = found[name,] / trials
        say(f"{part} {name:16} named in {100 * rates[name]:5.1f} % of {trials}  ", found, began)
    began = time.perf_counter()
    rng = np.random.default_rng(seed)
    found = Counter(find(None, rng) for _ in range(clean))
    say(f"{part} {'clean':16} blamed in {clean - found[()]} of {clean}  ", found, began)
    return rates, {codes: count for codes, count in found.items() if codes}


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--clean", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--part", choices=[*PARTS])
    words = parser.parse_args()

    def say(line, found, began):
        seconds = time.perf_counter() - began
        sys.stdout.write(f"{line}{dict(found)}  {seconds:.0f} s\n")
        sys.stdout.flush()

    good = True
    for part in PARTS if words.part is None else (words.part,):
        rates, alarms = run(part, words.trials, words.clean, words.seed, say)
        good = good and min(rates.values()) >= ENOUGH and not alarms
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
