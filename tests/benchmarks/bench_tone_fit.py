"""Time of the tone fit beside a Hann FFT analysis and dense least squares, in one run.

Usage: ``python -m tests.benchmarks.bench_tone_fit [--repeats 200]``

Windows of 0.25 s at 48 kHz, 50.013 Hz, noise 75 dB below: a limiter whose harmonics end in the
noise before the 40th, so that 40 are fitted, and a sine clipped by 0.2 dB up to half the rate,
where the order rule adds more. The error of THD against the closed form stands beside each time.
"""

from __future__ import annotations

import argparse
import math
import os
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from levelset.analysis.fit import fit_tone, strongest_line
from levelset.analysis.projection import fold
from levelset.analysis.tone import read_tone
from tests.analysis import closed_forms as forms

RATE_HZ, N, FREQUENCY_HZ, ORDER = 48000.0, 12000, 50.013, 40


def median_ms(work, repeats):
    """Median time of one call, ms."""
    work()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1e3 * float(np.median(times))


def hann_thd(samples):
    """THD from a Hann spectrum: the power of three bins about each multiple of the peak."""
    power = np.square(np.abs(np.fft.rfft(samples * np.hanning(samples.size))))
    power[:3] = 0.0
    peak = int(power.argmax())
    a, b, c = np.sqrt(power[peak - 1 : peak + 2])
    bins = peak + 2.0 * (c - a) / (a + 2.0 * b + c)
    sums = [
        power[round(k * bins) - 1 : round(k * bins) + 2].sum()
        for k in range(1, ORDER + 1)
        if round(k * bins) + 2 < power.size
    ]
    return 100.0 * math.sqrt(sum(sums[1:]) / sums[0])


def dense_thd(samples):
    """THD from dense least squares: Gauss-Newton on the frequency with the whole matrix."""
    t = np.arange(N) - 0.5 * (N - 1)
    k = np.arange(1, ORDER + 1)
    w = strongest_line(samples)
    solution = np.zeros(2 * ORDER + 1)
    for iteration in range(3):
        angle = np.outer(t, k * w)
        cosines, sines = np.cos(angle), np.sin(angle)
        matrix = np.column_stack((np.ones(N), cosines, sines))
        if iteration:
            slope = t * (sines @ (-k * solution[1 : ORDER + 1]))
            slope += t * (cosines @ (k * solution[ORDER + 1 : 2 * ORDER + 1]))
            matrix = np.column_stack((matrix, slope))
        solution = np.linalg.lstsq(matrix, samples, rcond=None)[0]
        w += solution[-1] if iteration else 0.0
    sizes = np.hypot(solution[1 : ORDER + 1], solution[ORDER + 1 : 2 * ORDER + 1])
    return 100.0 * math.sqrt(float(np.square(sizes[1:]).sum())) / sizes[0]


def fit_thd(fit):
    """THD straight from a fit."""
    sizes = np.abs(fit.phasors[:ORDER])
    return 100.0 * math.sqrt(float(np.square(sizes[1:]).sum())) / sizes[0]


def main():
    """Compare on both signals."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=200)
    repeats = parser.parse_args().repeats
    count = forms.below_nyquist(FREQUENCY_HZ, RATE_HZ)
    compare("limiter", forms.harmonics_of(lambda x: np.tanh(0.8 * x), ORDER), repeats)
    compare("clipped by 0.2 dB", forms.clipped_cosine(count, 0.2, 0.2), repeats)


def compare(name, harmonics, repeats):
    """Print one line for each method."""
    samples = 0.5 * forms.sampled(harmonics, FREQUENCY_HZ, RATE_HZ, N)
    samples += forms.white_noise(np.random.default_rng(1), N, 0.5, 75.0)
    truth = forms.thd_percent(harmonics, ORDER)
    last_w = fit_tone(fold(samples), strongest_line(samples), refit=False).w * (1.0 + 1e-6)

    def cold():
        return fit_tone(fold(samples), strongest_line(samples), refit=False)

    def warm():
        return fit_tone(fold(samples), last_w, refit=True)

    def reading(start_hz):
        return read_tone(
            samples, RATE_HZ, limit_percent=1.0, expected_hz=50.0, start_hz=start_hz
        ).thd_percent.value

    rows = [
        ("fit from nothing", lambda: fit_thd(cold()), repeats),
        ("fit from the last frequency", lambda: fit_thd(warm()), repeats),
        ("whole reading from nothing", lambda: reading(None), repeats),
        ("whole reading from the last frequency", lambda: reading(FREQUENCY_HZ), repeats),
        ("Hann FFT, three bins a harmonic", lambda: hann_thd(samples), repeats),
        ("dense least squares, 3 iterations", lambda: dense_thd(samples), max(3, repeats // 40)),
    ]
    times = [(name, median_ms(work, count), work()) for name, work, count in rows]
    unit = times[0][1]
    print(f"{name}: order fitted {cold().order}, THD of the closed form {truth:.5f} %")  # noqa: T201
    for name, spent_ms, thd in times:
        error = 100.0 * (thd / truth - 1.0)
        print(  # noqa: T201
            f"{name:40} {spent_ms:8.3f} ms  {spent_ms / unit:7.2f} x the fit   THD {error:+8.3f} %"
        )


if __name__ == "__main__":
    main()
