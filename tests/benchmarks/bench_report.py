"""How long the report of a large job takes, and how large it is.

    python -m tests.benchmarks.bench_report [channels]

Runs the command as a person does, in a process of its own, and beside it a process that only
imports numpy and scipy.signal. Processor time is what it takes on a machine that does nothing else.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).parent.parent
sys.path[:0] = [str(TESTS / "report"), str(TESTS / "record")]

from report_jobs import whole_job  # noqa: E402

REPEATS = 5
LONGEST_S, LARGEST_BYTES = 3.0, 5_000_000


def fastest_s(command: list[str]) -> tuple[float, float]:
    """Return the shortest of some runs: wall clock and processor time, s."""
    times = []
    for _ in range(REPEATS):
        begin, before = time.perf_counter(), os.times()
        subprocess.run(command, check=True, capture_output=True)
        after = os.times()
        busy = after.children_user + after.children_system
        busy -= before.children_user + before.children_system
        times.append((time.perf_counter() - begin, busy))
    return min(wall for wall, _ in times), min(busy for _, busy in times)


def main() -> None:
    """Print time and size of both pages."""
    channels = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    wall, beside = fastest_s([sys.executable, "-c", "import numpy, scipy.signal"])
    print(f"importing numpy and scipy.signal: {wall:.2f} s, {beside:.2f} s of processor")
    with tempfile.TemporaryDirectory() as folder:
        path = whole_job(Path(folder), channels=channels)
        for page in ([], ["--short"]):
            out = Path(folder) / "page.html"
            command = [sys.executable, "-m", "levelset", "job", "report", str(path)]
            wall, busy = fastest_s([*command, *page, "--out", str(out)])
            size = out.stat().st_size
            held = busy < LONGEST_S and size < LARGEST_BYTES
            times = f"{busy / beside:.1f} times the import"
            print(
                f"{channels} channels, {'short' if page else 'full'} page: {wall:.2f} s, "
                f"{busy:.2f} s of processor ({times}), {size / 1e6:.2f} MB: "
                f"{'held' if held else 'NOT HELD'} (3 s, 5 MB)"
            )


if __name__ == "__main__":
    main()
