"""Kills, stops and unplugs at random moments while a tone plays, and measures the silence.

Needs PulseAudio. Usage::

    python tests/benchmarks/bench_live_kills.py [--moments 100] [--seed 1]
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "ports"))

from live_support import ENOUGH_S, SCENARIOS, SINKS, SoundServer, run_scenario


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--moments", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    words = parser.parse_args()
    chance = random.Random(words.seed)
    server = SoundServer(Path(tempfile.mkdtemp()))
    server.start()
    longest: dict[str, float] = dict.fromkeys(SCENARIOS, 0.0)
    counts = dict.fromkeys(SCENARIOS, 0)
    bad = 0
    try:
        for moment in range(words.moments):
            name = SCENARIOS[moment % len(SCENARIOS)]
            counts[name] += 1
            try:
                found = run_scenario(server, name, chance.uniform(0.0, 1.5))
                longest[name] = max(longest[name], found["silent_after_s"])
                told = name == "kill_reader" or found["error"].startswith("levelset: error: ")
                good = found["silent_after_s"] < ENOUGH_S and told
            except AssertionError as error:
                good, found = False, {"scenario": name, "failed": str(error)}
            if not good:
                bad += 1
                sys.stdout.write(f"{moment}: {found}\n")
            if server.process is None:
                server.start()
            if SINKS[0] not in server.ask("list", "short", "sinks"):
                server.add_sink(SINKS[0])
    finally:
        server.stop()
    for name in SCENARIOS:
        sys.stdout.write(
            f"{name:15} {counts[name]:3} times, silent after at most {longest[name]:6.3f} s\n"
        )
    sys.stdout.write(f"{bad} of {words.moments} not as they must be\n")


if __name__ == "__main__":
    main()
