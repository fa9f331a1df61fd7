"""What the live port costs: processor time of both sides, delays, memory, lost blocks.

Needs PulseAudio and Linux. Usage::

    python tests/benchmarks/bench_live_load.py [--seconds 20] [--rates 48000 192000]
    python tests/benchmarks/bench_live_load.py --seconds 1800 --rates 192000
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "ports"))

from live_support import SINKS, SoundServer, cpu_s, memory_mb

from levelset.analysis.stream.meter import StreamMeter, Wanted
from levelset.errors import DeviceError
from levelset.ports.live import open_live
from levelset.signals.signal import Component, Signal

TONE = Signal("tone", "a measurement", (Component(997.0, 1.0, 0.0),))


@dataclass
class Interval:
    """What was seen since the last line."""

    began_s: float
    cpu_s: tuple[float, float]
    delays_s: list[float] = field(default_factory=list)
    readings_s: list[float] = field(default_factory=list)
    flags: Counter[str] = field(default_factory=Counter)
    lost: int = 0
    stops: int = 0

    @classmethod
    def now(cls, audio: int) -> Interval:
        return cls(time.perf_counter(), (cpu_s(audio), cpu_s(os.getpid())))

    def line(self, audio: int) -> str:
        took_s = time.perf_counter() - self.began_s
        load = [
            100 * (cpu_s(process) - before) / took_s
            for process, before in zip((audio, os.getpid()), self.cpu_s, strict=True)
        ]
        delays_ms, readings_ms = (1000 * np.asarray(v or [np.nan]) for v in self.times())
        return (
            f"{took_s:4.0f} s  audio process {load[0]:5.2f} % of a core, "
            f"{memory_mb(audio):.1f} MB; reader {load[1]:5.2f} %, {memory_mb(os.getpid()):.1f} MB; "
            f"driver to reader {np.median(delays_ms):.1f} ms, {delays_ms.max():.0f} most; "
            f"to a reading {np.median(readings_ms):.1f} ms, {readings_ms.max():.0f} most; "
            f"lost {self.lost}, tone stopped {self.stops}, flags {dict(self.flags)}\n"
        )

    def times(self) -> tuple[list[float], list[float]]:
        return self.delays_s, self.readings_s


def measure(rate_hz: int, seconds: float, every_s: float, updates_hz: float) -> None:
    server = SoundServer(Path(tempfile.mkdtemp()), dict.fromkeys(SINKS, rate_hz))
    server.start()
    os.environ.update(server.environment(sink=SINKS[0], source=f"{SINKS[0]}.monitor"))
    try:
        port = open_live("pulse", output="pulse", rate_hz=rate_hz, channels=2)
        audio = port.process_id
        assert audio is not None
        meter = StreamMeter(rate_hz, 2, Wanted(updates_hz or 20.0, 0.25, 10.0, 1.0))
        blocks = port.blocks()
        for _ in range(50):
            next(blocks)
        port.play(TONE, -12.0)
        ordered_s = time.perf_counter()
        for block in blocks:
            port.renew()
            if np.any(block.samples):
                break
        sys.stdout.write(
            f"{rate_hz} Hz, 2 channels, blocks of {len(block.samples)}, "
            f"{updates_hz:g} readings a second; order to play until first heard "
            f"{1000 * (time.perf_counter() - ordered_s):.0f} ms\n"
        )
        until_s = time.perf_counter() + seconds
        interval, expected = Interval.now(audio), None
        while time.perf_counter() < until_s:
            block = next(blocks)
            try:
                port.renew()
            except DeviceError:
                interval.stops += 1
                port.play(TONE, -12.0)
            arrived_s = port.gate.last_arrived_s
            interval.delays_s.append(time.perf_counter() - arrived_s)
            interval.flags.update(block.flags)
            if expected not in (None, block.first_frame):
                interval.lost += 1
                meter.restart(block.first_frame)
            expected = block.first_frame + len(block.samples)
            if updates_hz and meter.push(block.samples):
                interval.readings_s.append(time.perf_counter() - arrived_s)
            if time.perf_counter() - interval.began_s >= min(every_s, seconds):
                sys.stdout.write(interval.line(audio))
                sys.stdout.flush()
                interval = Interval.now(audio)
        sys.stdout.write(f"clock {port.gate.rate_ppm} ppm\n")
        port.close()
    finally:
        server.stop()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--every", type=float, default=60.0, help="a line so often, s")
    parser.add_argument("--rates", type=int, nargs="+", default=[48_000, 192_000])
    parser.add_argument("--updates", type=float, default=20.0, help="readings a second; 0: none")
    words = parser.parse_args()
    for rate_hz in words.rates:
        measure(rate_hz, words.seconds, words.every, words.updates)


if __name__ == "__main__":
    main()
