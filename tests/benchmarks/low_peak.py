"""Search of the phases that give the response tones a low peak.

    python -m tests.benchmarks.low_peak [SECONDS]

Descends on the p-norm of one period for rising p from many starts (P. Guillaume, J. Schoukens,
R. Pintelon and I. Kollar, "Crest-factor minimization using nonlinear Chebyshev approximation
methods", IEEE Trans. Instrum. Meas. 40(6), 1991). Prints each better crest factor and the phases as
cosines in 256th turns, the table of `levelset/signals/multitone.py`.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from scipy.optimize import minimize

from levelset.signals.multitone import response_frequencies

POINTS = 1 << 16


def crest_db(number, phase, points):
    lines = np.zeros(points // 2 + 1, dtype=complex)
    lines[number] = np.exp(1j * phase)
    x = np.fft.irfft(lines, points)
    return 20.0 * np.log10(np.abs(x).max() / np.std(x))


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    number = np.array(response_frequencies())
    scale = 1.0 / np.sqrt(number.size / 2.0)

    def norm(phase, power):
        turned = np.exp(1j * phase)
        lines = np.zeros(POINTS // 2 + 1, dtype=complex)
        lines[number] = turned * POINTS / 2.0
        x = np.fft.irfft(lines, POINTS) * scale
        peak = np.abs(x).max()
        share = np.abs(x) / peak
        mean = np.mean(share**power)
        back = np.fft.rfft(share ** (power - 1) * np.sign(x))[number]
        slope = -np.imag(np.conj(back) * turned) * scale / (POINTS * peak * mean)
        return np.log(peak) + np.log(mean) / power, slope

    best, seed, end = np.inf, 0, time.monotonic() + seconds
    while time.monotonic() < end:
        phase = np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi, number.size)
        for power in (4, 8, 16, 32):
            phase = minimize(norm, phase, (power,), "L-BFGS-B", True, options={"maxiter": 60}).x
        codes = np.rint(phase / (2.0 * np.pi) * 256.0).astype(int) % 256
        found = crest_db(number, codes * (2.0 * np.pi / 256.0), 1 << 19)
        if found < best:
            best = found
            print(f"seed {seed}: {best:.2f} dB {bytes(codes.tolist()).hex()}", flush=True)
        seed += 1


if __name__ == "__main__":
    main()
