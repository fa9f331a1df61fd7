"""Time of a whole reading of two tips beside the tone analysis alone.

Run ``python tests/benchmarks/bench_read_tips.py``: prints medians and their ratio.
"""

import statistics
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "probe"))

from probe_chain import RATE, calibration, frames, spec, tips

from levelset.analysis.tone import read_tone
from levelset.probe.volts import read_tips


def median_ms(call, repeats=200):
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        times.append(1e3 * (time.perf_counter() - start))
    return statistics.median(times)


def main():
    x = tips(5.0, -5.0)
    cal = calibration(coupling_hz=(2.1, 0.9))
    leg = x[:, 0].copy()

    def tone(start_hz):
        read_tone(leg, RATE, limit_percent=1.0, expected_hz=94.0, start_hz=start_hz)

    for words, start_hz in (("from nothing", None), ("from the last frequency", 94.0013)):
        one = median_ms(lambda start_hz=start_hz: tone(start_hz))
        whole = median_ms(
            lambda start_hz=start_hz: read_tips(
                x, frames(len(x)), spec("bridged"), cal, start_hz=start_hz
            )
        )
        print(  # noqa: T201
            f"0.25 s at {RATE} Hz, {words}: tone {one:.2f} ms, two legs and pair in volts "
            f"{whole:.2f} ms, {whole / one:.1f} times"
        )


if __name__ == "__main__":
    main()
