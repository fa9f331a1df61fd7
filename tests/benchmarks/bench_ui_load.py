"""What the terminal screen costs on a live port, and whether it ever stands still.

Needs PulseAudio and Linux. The whole program runs in a terminal of its own (a pseudo-terminal),
plays a tone through the sound server and listens to it; the screen follows at ten updates a
second. Usage::

    python tests/benchmarks/bench_ui_load.py [--seconds 600] [--rate 48000]

Processor time is that of the screen's process (engine, analysis and screen; the audio process is
counted by itself). A stall is how much later than asked the event loop comes back to a task that
sleeps for 10 ms.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import pty
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from fcntl import ioctl
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent.parent / "ports"))

import numpy as np
from live_support import SINKS, SoundServer, cpu_s, memory_mb

ROWS, COLUMNS = 40, 120
TICK_S = 0.01
LEVEL_DBFS = -12.0


class NoRecord:
    """A recorder that keeps nothing."""

    def append(self, kind: str, data: dict[str, Any]) -> int:
        return 0

    def store_capture(self, codes: Any, rate_hz: int) -> str:
        return "0" * 64


class ListeningSession:
    """A session that plays a tone and listens to it until the person leaves."""

    title, levers, hands, notices, invented = "A live screen", None, None, (), False
    job_path = Path("none")

    def __init__(self, rate_hz: int) -> None:
        from levelset.ports.live import open_live
        from levelset.simulation.car_file import load_demo_car
        from levelset.simulation.paperwork import job_plan

        self.plan = job_plan(load_demo_car())
        self.port = open_live("pulse", output="pulse", rate_hz=rate_hz, channels=2)

    def run(self, person: Any, on_step: Any = None) -> list[Any]:
        from levelset.procedures.engine import Engine

        engine = Engine(self.port, NoRecord(), person, self.plan)
        return [engine.run("gain", self.plan.channels[0].name, self._procedure())]

    def run_one(self, person: Any, procedure: str, channel: str | None) -> Any:
        return self.run(person)[0]

    def _procedure(self) -> Any:
        from levelset.probe.reading import ToneSpec
        from levelset.procedures.protocol import Act, Guidance, Listen, Play
        from levelset.signals.tones import set_tone

        yield Play(set_tone("set-bass", "a benchmark", 41.0, LEVEL_DBFS), LEVEL_DBFS)
        spec = ToneSpec(41.0, 0.25, 1.0, "grounded", True)
        while True:
            yield Listen(spec, Guidance("Listening.", Act("wait"), headline="HOLD STILL"))

    def agenda(self) -> tuple[()]:
        return ()

    def close(self) -> None:
        self.port.close()


def screen(rate_hz: int, seconds: float, found_at: Path) -> None:
    """Be the program in the terminal; write what was found to a file."""
    from levelset.tui import app as app_module
    from levelset.tui.app import LevelsetApp
    from levelset.tui.person import Seen

    session = ListeningSession(rate_hz)
    assert session.port.process_id is not None
    processes = (os.getpid(), session.port.process_id)

    class Watched(LevelsetApp):
        # Handlers of both classes are called; the style sheet is looked for beside this file.
        CSS_PATH = Path(app_module.__file__).with_name("levelset.tcss")
        shown = 0

        def on_seen(self, message: Seen) -> None:
            self.shown += 1

        async def measure(self) -> None:
            try:
                await self.measured()
            except OSError as error:
                found_at.write_text(json.dumps({"error": f"the audio process has ended ({error})"}))
            self.exit()

        async def measured(self) -> None:
            await asyncio.sleep(1.0)
            self.begin()
            await asyncio.sleep(4.0)
            before, began_s, shown = [cpu_s(p) for p in processes], time.perf_counter(), self.shown
            memory = [memory_mb(p) for p in processes]
            late_s = []
            while (now_s := time.perf_counter()) - began_s < seconds:
                await asyncio.sleep(TICK_S)
                if not self._engaged:
                    raise OSError("the engine has stopped")
                late_s.append(time.perf_counter() - now_s - TICK_S)
            took_s = time.perf_counter() - began_s
            load = [(cpu_s(p) - b) / took_s for p, b in zip(processes, before, strict=True)]
            text = {
                "seconds": took_s,
                "load_percent": [100 * v for v in load],
                "shown_hz": (self.shown - shown) / took_s,
                "stall_ms": [1000 * float(np.percentile(late_s, q)) for q in (50, 99, 99.9, 100)],
                "stalls_over_100_ms": sum(late > 0.1 for late in late_s),
                "memory_mb": [memory, [memory_mb(p) for p in processes]],
            }
            found_at.write_text(json.dumps(text))

        def on_mount(self) -> None:
            self.measuring = asyncio.create_task(self.measure())

    def unused(*_: Any) -> Any:
        raise AssertionError

    names = ("open_demo", "new_job", "new_job_of_text", "open_live")
    app = Watched(list_jobs=list, start=session, **dict.fromkeys(names, unused))
    try:
        app.run()
    finally:
        session.close()


def measure(rate_hz: int, seconds: float) -> dict[str, Any]:
    server = SoundServer(Path(tempfile.mkdtemp()), dict.fromkeys(SINKS, rate_hz))
    server.start()
    found_at = Path(tempfile.mkdtemp()) / "found.json"
    mine, theirs = pty.openpty()
    ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
    written = [0]

    def read() -> None:
        with contextlib.suppress(OSError):
            while data := os.read(mine, 65536):
                written[0] += len(data)

    threading.Thread(target=read, daemon=True).start()
    try:
        done = subprocess.run(
            [sys.executable, __file__, "--screen", str(found_at),
             "--seconds", str(seconds), "--rate", str(rate_hz)],
            env=os.environ | server.environment(sink=SINKS[0], source=f"{SINKS[0]}.monitor")
            | {"TERM": "xterm-256color", "COLORTERM": "truecolor"},
            stdin=theirs, stdout=theirs, stderr=theirs, check=False, start_new_session=True,
        )  # fmt: skip
        if done.returncode or not found_at.exists():
            raise RuntimeError(f"the screen ended with {done.returncode}")
        found: dict[str, Any] = json.loads(found_at.read_text())
        if "error" in found:
            raise RuntimeError(found["error"])
        return found | {"written_kb_s": written[0] / 1000 / found["seconds"]}
    finally:
        server.stop()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rate", type=int, default=48_000)
    parser.add_argument("--screen", type=Path, help=argparse.SUPPRESS)
    words = parser.parse_args()
    if words.screen is not None:
        screen(words.rate, words.seconds, words.screen)
        return
    found = measure(words.rate, words.seconds)
    load, stall = found["load_percent"], found["stall_ms"]
    sys.stdout.write(
        f"{words.rate} Hz, {found['seconds']:.0f} s, {found['shown_hz']:.1f} views a second, "
        f"{found['written_kb_s']:.1f} kB a second to the terminal\n"
        f"  screen, engine and analysis {load[0]:.1f} % of a core; audio process {load[1]:.1f} %\n"
        f"  event loop late by {stall[0]:.1f} ms median, {stall[1]:.1f} ms 99 %, "
        f"{stall[2]:.1f} ms 99.9 %, {stall[3]:.1f} ms most; "
        f"{found['stalls_over_100_ms']} times over 100 ms\n"
        f"  memory {found['memory_mb'][0]} -> {found['memory_mb'][1]} MB\n"
    )


if __name__ == "__main__":
    main()
