"""Plays a tone with the noise of an input into a sink, and spoils the stream as it is told.

A line ``drop N``, ``double N`` or ``zero N`` on standard input spoils N frames of what is written
next: left out, written twice, or replaced by zeros. It stands for whatever loses samples between
the converter and levelset. The samples are whole 24-bit codes.
"""

from __future__ import annotations

import queue
import sys
import threading

import numpy as np

RATE_HZ = 48_000
FRAMES = 1024
TONE_HZ = 227.3
AMPLITUDE_FS, NOISE_FS = 0.1, 1e-5


def codes(first: int, rng: np.random.Generator) -> np.ndarray:
    t = (first + np.arange(FRAMES)) / RATE_HZ
    tone = AMPLITUDE_FS * np.sin(2 * np.pi * TONE_HZ * t)
    noise = NOISE_FS * rng.normal(size=(FRAMES, 2))
    return (np.rint((np.column_stack((tone, -tone)) + noise) * 2**23) / 2**23).astype(np.float32)


def main() -> None:
    import sounddevice

    orders: queue.SimpleQueue[str] = queue.SimpleQueue()
    threading.Thread(target=lambda: [orders.put(line) for line in sys.stdin], daemon=True).start()
    rng = np.random.default_rng(1)
    stream = sounddevice.OutputStream(
        device="pulse", samplerate=RATE_HZ, channels=2, dtype="float32", latency=0.1
    )
    first = 0
    with stream:
        while True:
            block = codes(first, rng)
            first += FRAMES
            if not orders.empty():
                word, frames = orders.get().split()
                count = int(frames)
                if word == "drop":
                    block = block[count:]
                elif word == "double":
                    block = np.concatenate((block[:count], block))
                elif word == "zero":
                    block[200 : 200 + count] = 0.0
                sys.stdout.write(f"{word}\n")
                sys.stdout.flush()
            stream.write(np.ascontiguousarray(block))


if __name__ == "__main__":
    main()
