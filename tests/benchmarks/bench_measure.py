"""Speed and memory of ``measure`` on ten minutes of stereo FLAC, beside decoding and sox.

Usage: ``python -m tests.benchmarks.bench_measure [--minutes 10] [--repeats 3]``

Every program runs as a process of its own; the best of the repeats counts, the peak of its
resident memory is that which the system reports. The goal is 150 times real time and 200 MB.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from tests.analysis import closed_forms as forms

DECODE = (
    "import sys, soundfile\n"
    "with soundfile.SoundFile(sys.argv[1]) as file:\n"
    "    while len(file.read(65536, dtype='float64')):\n"
    "        pass\n"
)


def channel(kind, frequency_hz, rate_hz, n, seed):
    """One second more or less of one channel, repeated with other noise by the caller."""
    highest = forms.below_nyquist(frequency_hz, rate_hz)
    series = forms.clipped_cosine(highest, 0.5, 0.5) if kind == "clipped" else [0.0, 1.0]
    x = 0.5 * forms.sampled(series, frequency_hz, rate_hz, n)
    return x + 1e-4 * np.random.default_rng(seed).normal(size=n)


def write(path, rate_hz, subtype, kinds, minutes):
    """Write a stereo file of whole-second blocks: tones of whole hertz run through."""
    with soundfile.SoundFile(path, "w", rate_hz, 2, subtype) as file:
        blocks = [
            np.stack([channel(kind, hz, rate_hz, rate_hz, 2 * k + c) for c, (kind, hz) in kinds], 1)
            for k in range(8)
        ]
        for second in range(60 * minutes):
            file.write(blocks[second % len(blocks)])


def run(arguments, environment, repeats):
    """Return best time, s, its processor time, s, and peak memory, MB, of a process."""
    best, cpu_s, peak_mb = float("inf"), float("inf"), 0.0
    for _ in range(repeats):
        start = time.perf_counter()
        process = subprocess.Popen(
            arguments, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment
        )
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        assert process.returncode == 0, arguments
        best = min(best, time.perf_counter() - start)
        cpu_s = min(cpu_s, usage.ru_utime + usage.ru_stime)
        peak_mb = max(peak_mb, usage.ru_maxrss / 1024.0)
    return best, cpu_s, peak_mb


def main():
    """Measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=10)
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    seconds = 60.0 * options.minutes
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    cases = (
        ("44.1 kHz, 16 bit, one tone", 44100, "PCM_16", ("clean", 997), ("clean", 997)),
        ("48 kHz, 24 bit, one tone", 48000, "PCM_24", ("clean", 97), ("clean", 97)),
        ("48 kHz, 24 bit, two tones", 48000, "PCM_24", ("clean", 43), ("clean", 997)),
        ("48 kHz, 24 bit, clipped", 48000, "PCM_24", ("clipped", 97), ("clipped", 997)),
    )
    for words, rate_hz, subtype, *kinds in cases:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "long.flac"
            write(path, rate_hz, subtype, list(enumerate(kinds)), options.minutes)
            programs = [
                ("measure", [sys.executable, "-m", "levelset", "measure", str(path), "--json"]),
                ("decoding", [sys.executable, "-c", DECODE, str(path)]),
            ]
            if shutil.which("sox"):
                programs.append(("sox stat", ["sox", str(path), "-n", "stat"]))
            print(words)
            for name, arguments in programs:
                taken_s, cpu_s, peak_mb = run(arguments, environment, options.repeats)
                print(
                    f"    {name:10} {taken_s:6.2f} s  {seconds / taken_s:6.0f} times real time  "
                    f"{cpu_s:6.2f} s of processor  {peak_mb:5.0f} MB"
                )


if __name__ == "__main__":
    main()
