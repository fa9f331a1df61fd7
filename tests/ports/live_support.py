"""A sound server of our own, a recorder in another process, and a player that can be killed."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
SINKS = ("to_car", "from_car")
RATE_HZ = 48_000
ENOUGH_S = 0.5
"""A tone must be silent within this time after whatever happened."""


def cpu_s(process: int) -> float:
    """Return the processor time that a process has used, s."""
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(process: int) -> float:
    """Return the memory that a process holds, MB."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


class SoundServer:
    """PulseAudio with null sinks in a folder of its own; what it plays can be recorded exactly."""

    def __init__(self, folder: Path, rates_hz: dict[str, int] | None = None) -> None:
        self.folder = folder
        self.rates_hz = rates_hz or dict.fromkeys(SINKS, RATE_HZ)
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o700)
        self.socket = f"unix:{folder}/native"
        self.process: subprocess.Popen[bytes] | None = None
        self._keepers: dict[str, subprocess.Popen[bytes]] = {}

    def environment(self, *, sink: str, source: str) -> dict[str, str]:
        """Return the variables that lead a program to this server."""
        return {
            "XDG_RUNTIME_DIR": str(self.folder),
            "HOME": str(self.folder),
            "PULSE_SERVER": self.socket,
            "PULSE_SINK": sink,
            "PULSE_SOURCE": source,
        }

    def start(self) -> None:
        sinks = [
            word
            for name, rate_hz in self.rates_hz.items()
            for word in ("-L", sink_module(name, rate_hz))
        ]
        self.process = subprocess.Popen(
            [
                "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
                "--disable-shm=yes", f"--log-target=file:{self.folder}/log",
                "-L", f"module-native-protocol-unix socket={self.folder}/native auth-anonymous=1",
                *sinks,
            ],
            env=os.environ | self.environment(sink=SINKS[0], source=f"{SINKS[0]}.monitor"),
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        until = time.monotonic() + 10.0
        while SINKS[0] not in self.ask("list", "short", "sinks"):
            if time.monotonic() > until or self.process.poll() is not None:
                log = (self.folder / "log").read_text(errors="replace")
                raise RuntimeError(f"the sound server does not start: {log[-2000:]}")
            time.sleep(0.05)
        for name in self.rates_hz:
            self._keep(name)

    def _keep(self, name: str) -> None:
        """Keep a sink awake: an idle one renders two seconds ahead, which a start waits for."""
        self._keepers[name] = subprocess.Popen(
            ["parec", f"--device={name}.monitor", "--latency-msec=10"],
            env=os.environ | self.environment(sink=name, source=f"{name}.monitor"),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def _let(self, name: str) -> None:
        keeper = self._keepers.pop(name)
        keeper.kill()
        keeper.wait()

    def stop(self) -> None:
        for name in list(self._keepers):
            self._let(name)
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None
        with contextlib.suppress(OSError):
            os.unlink(self.folder / "native")

    def ask(self, *words: str) -> str:
        done = subprocess.run(
            ["pactl", *words],
            env=os.environ | self.environment(sink=SINKS[0], source=f"{SINKS[0]}.monitor"),
            capture_output=True, text=True, check=False, timeout=10,
        )  # fmt: skip
        return done.stdout

    def remove_sink(self, name: str) -> None:
        for line in self.ask("list", "short", "modules").splitlines():
            if f"sink_name={name} " in line:
                self.ask("unload-module", line.split("\t")[0])
                self._let(name)

    def add_sink(self, name: str) -> None:
        self.ask("load-module", *sink_module(name, self.rates_hz[name]).split())
        self._keep(name)


def sink_module(name: str, rate_hz: int) -> str:
    return f"module-null-sink sink_name={name} format=float32le channels=2 rate={rate_hz}"


class Recorder:
    """What a sink plays, recorded by the server's own tool in a process of its own."""

    def __init__(self, server: SoundServer, sink: str) -> None:
        self.heard: list[tuple[float, np.ndarray]] = []
        self._process = subprocess.Popen(
            ["parec", f"--device={sink}.monitor", "--format=float32le", f"--rate={RATE_HZ}",
             "--channels=2", "--latency-msec=10", "--raw"],
            env=os.environ | server.environment(sink=sink, source=f"{sink}.monitor"),
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        rest = b""
        while data := os.read(self._process.stdout.fileno(), 65536):
            now_s = time.perf_counter()
            rest += data
            whole = len(rest) // 8 * 8
            self.heard.append((now_s, np.frombuffer(rest[:whole], "<f4").reshape(-1, 2)))
            rest = rest[whole:]

    def peak_after(self, time_s: float) -> float:
        """Return the highest sample that came after this time (it sounded a little earlier)."""
        return max(
            (float(np.abs(x).max(initial=0)) for t, x in self.heard if t > time_s), default=0
        )

    def last_sound_s(self) -> float:
        return max((t for t, x in self.heard if np.any(x)), default=float("-inf"))

    def heard_anything_after(self, time_s: float) -> bool:
        return any(t > time_s and len(x) for t, x in self.heard)

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        self._thread.join(5)
        assert self._process.stdout is not None
        self._process.stdout.close()


class Player:
    """live_player.py in a process of its own, and what it says."""

    def __init__(self, server: SoundServer) -> None:
        self.lines: list[dict[str, Any]] = []
        self.raw = ""
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - closed in close
        self.process = subprocess.Popen(
            [sys.executable, str(HERE / "live_player.py")],
            env=os.environ | server.environment(sink=SINKS[0], source=f"{SINKS[0]}.monitor"),
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._errors, text=True,
            start_new_session=True,
        )  # fmt: skip
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(json.loads(line))

    def wait_for(self, key: str, longest_s: float, *, since: int = 0) -> dict[str, Any]:
        """Return the first line with this key."""
        until = time.monotonic() + longest_s
        while time.monotonic() < until:
            for line in self.lines[since:]:
                if key in line:
                    return line
            time.sleep(0.01)
        raise AssertionError(f"no {key!r} within {longest_s} s: {self.lines} {self.errors()}")

    def go_on(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write("go on\n")
        self.process.stdin.flush()

    def errors(self) -> str:
        self._errors.seek(0)
        return self._errors.read().decode(errors="replace")

    def close(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.process.pid, signal.SIGCONT)
            self.process.kill()
        self.process.wait()
        self._thread.join(5)
        for pipe in (self.process.stdin, self.process.stdout):
            with contextlib.suppress(OSError):
                pipe.close()
        self._errors.close()


SCENARIOS = (
    "kill_reader", "kill_audio", "stop_reader", "stop_audio", "restart_server", "remove_sink",
)  # fmt: skip


@contextlib.contextmanager
def playing(server: SoundServer) -> Iterator[tuple[Player, Recorder, int]]:
    """A player that sounds, and a recorder that hears it; gives the audio process's number."""
    recorder, player = Recorder(server, SINKS[0]), Player(server)
    try:
        audio = int(player.wait_for("audio", 20.0)["audio"])
        player.wait_for("sounds", 10.0)
        yield player, recorder, audio
    except Exception as error:
        error.add_note(f"the player said {player.lines} {player.errors()}")
        raise
    finally:
        player.close()
        recorder.close()


def run_scenario(server: SoundServer, name: str, wait_s: float) -> dict[str, Any]:
    """Do one thing to a sounding player after a while; returns what was measured.

    Returns
    -------
    dict
        ``silent_after_s`` from the deed to the last sound that was recorded, the ``error`` that
        was said (None where nobody is left to say it), the number of the ``stream`` after the
        return (None likewise).
    """
    with playing(server) as (player, recorder, audio), Recorder(server, SINKS[1]) as elsewhere:
        time.sleep(wait_s)
        since = len(player.lines)
        deed_s = time.perf_counter()
        assert recorder.peak_after(deed_s - 0.2) > 0.01, "nothing sounded before"
        reader = player.process.pid
        match name:
            case "kill_reader":
                os.kill(reader, signal.SIGKILL)
            case "kill_audio":
                os.kill(audio, signal.SIGKILL)
            case "stop_reader":
                os.kill(reader, signal.SIGSTOP)
            case "stop_audio":
                os.kill(audio, signal.SIGSTOP)
            case "restart_server":
                server.stop()
            case "remove_sink":
                server.remove_sink(SINKS[0])
        server_gone = name in ("restart_server", "remove_sink")
        time.sleep(0.75)
        if not server_gone and not recorder.heard_anything_after(deed_s + 0.6):
            raise AssertionError("the recorder heard nothing, not even silence")
        found: dict[str, Any] = {
            "scenario": name,
            "silent_after_s": max(recorder.last_sound_s(), elsewhere.last_sound_s()) - deed_s,
            "error": None,
            "stream": None,
        }
        if name == "kill_reader":
            until = time.monotonic() + 3.0
            while alive(audio) and time.monotonic() < until:
                time.sleep(0.02)
            found["audio_process_ended"] = not alive(audio)
            return found
        if name == "stop_reader":
            os.kill(reader, signal.SIGCONT)
        found["error"] = player.wait_for("error", 5.0, since=since)["error"]
        if name == "restart_server":
            server.start()
        if name == "remove_sink":
            server.add_sink(SINKS[0])
        player.go_on()
        found["stream"] = player.wait_for("stream", 15.0, since=since)["stream"]
        player.wait_for("sounds", 15.0, since=since)
        found["stderr"] = player.errors()
        return found


def alive(process: int) -> bool:
    try:
        with open(f"/proc/{process}/stat") as file:
            return file.read().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False
