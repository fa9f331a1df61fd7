"""What the live port costs: processor time of both sides, delays, memory, lost blocks.

Needs PulseAudio and Linux. Usage::

    python tests/benchmarks/bench_live_load.py [--seconds 20] [--rates 48000 192000]
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "ports"))

from live_support import SINKS, SoundServer

from levelset.ports.live import open_live
from levelset.signals.signal import Component, Signal

TONE = Signal("tone", "a measurement", (Component(997.0, 1.0, 0.0),))


def cpu_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(process: int) -> float:
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def measure(rate_hz: int, seconds: float) -> None:
    server = SoundServer(Path(tempfile.mkdtemp()), dict.fromkeys(SINKS, rate_hz))
    server.start()
    os.environ.update(server.environment(sink=SINKS[0], source=f"{SINKS[0]}.monitor"))
    try:
        port = open_live("pulse", output="pulse", rate_hz=rate_hz, channels=2)
        audio = port.process_id
        assert audio is not None
        blocks = port.blocks()
        for _ in range(50):
            next(blocks)
        port.play(TONE, -12.0)
        ordered_s = time.perf_counter()
        heard_after_s = None
        before = cpu_s(audio), cpu_s(os.getpid()), memory_mb(audio), memory_mb(os.getpid())
        began_s = time.perf_counter()
        delays, expected, lost = [], None, 0
        flags: Counter[str] = Counter()
        while time.perf_counter() - began_s < seconds:
            block = next(blocks)
            port.renew()
            delays.append(time.perf_counter() - port.gate.last_arrived_s)
            flags.update(block.flags)
            lost += expected is not None and block.first_frame != expected
            expected = block.first_frame + len(block.samples)
            if heard_after_s is None and np.any(block.samples):
                heard_after_s = time.perf_counter() - ordered_s
        took_s = time.perf_counter() - began_s
        after = cpu_s(audio), cpu_s(os.getpid()), memory_mb(audio), memory_mb(os.getpid())
        sys.stdout.write(
            f"{rate_hz} Hz, 2 channels, {took_s:.0f} s, blocks of {len(block.samples)}\n"
            f"  audio process  {100 * (after[0] - before[0]) / took_s:5.2f} % of a core, "
            f"memory {before[2]:.1f} -> {after[2]:.1f} MB\n"
            f"  reader         {100 * (after[1] - before[1]) / took_s:5.2f} % of a core, "
            f"memory {before[3]:.1f} -> {after[3]:.1f} MB\n"
            f"  driver to reader {1000 * np.median(delays):.1f} ms median, "
            f"{1000 * np.max(delays):.1f} ms most\n"
            f"  order to play until first heard {1000 * (heard_after_s or np.nan):.0f} ms\n"
            f"  clock {port.gate.rate_ppm} ppm, flags of blocks {dict(flags)}, gaps {lost}\n"
        )
        port.close()
    finally:
        server.stop()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--rates", type=int, nargs="+", default=[48_000, 192_000])
    words = parser.parse_args()
    for rate_hz in words.rates:
        measure(rate_hz, words.seconds)


if __name__ == "__main__":
    main()
