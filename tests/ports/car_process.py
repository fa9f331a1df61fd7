"""The simulated car as a process of its own, between two sinks of a sound server.

It plays what its interface's converter gives into one sink, listens to another for levelset's own
tone, and takes the movements of hands over a socket: a line of JSON each way. As a program::

    PULSE_SINK=from_car PULSE_SOURCE=to_car.monitor python car_process.py --socket PATH [--car FILE]
"""

from __future__ import annotations

import argparse
import base64
import gc
import json
import pickle
import socket
import sys
import threading
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal

import numpy as np

from levelset.ports.base import Point
from levelset.signals.signal import Playable
from levelset.simulation.car_file import load_car, load_demo_car
from levelset.simulation.chain import Car
from levelset.simulation.levers import CarLevers
from levelset.simulation.player import LEFT, Mix, Player

FRAMES = 1024
LATENCY_S = 0.1
REACH = 64
"""Half the length of the interpolation, frames; also the delay of what is heard."""

KEEP = 1 << 15
HEARD_HZ = 1000.0
"""Highest frequency that levelset's own tone is taken to have; sets the oversampling."""

SETTLE_S = 0.15
"""A movement takes this long; shorter than the lease on levelset's output."""

LEAD_S = 0.2
"""The hands' watch runs ahead of the blocks by the delay of the sound server."""


class ListeningPlayer(Player):
    """The car's player, with samples that come from outside in place of levelset's output."""

    def __init__(self, rate_hz: int, clock_ppm: float) -> None:
        super().__init__(rate_hz, clock_ppm)
        self._heard = np.zeros(KEEP)
        self._end_frame = 0

    def hear(self, samples: np.ndarray) -> None:
        """Take the next samples."""
        self._heard = np.concatenate((self._heard[len(samples) :], samples))
        self._end_frame += len(samples)

    @property
    def highest_hz(self) -> float:
        heard = HEARD_HZ if np.any(self._heard) else 0.0
        return max(super().highest_hz, heard)

    def rows(self, first: float, frames: int, factor: int, mix: Mix = LEFT) -> np.ndarray:
        total = super().rows(first, frames, factor, mix)
        # Windowed-sinc interpolation between the samples that came 64 frames ago.
        start = round(first) - self._end_frame + KEEP - 2 * REACH
        if start < 0 or not np.any(self._heard):
            return total
        windows = np.lib.stride_tricks.sliding_window_view(
            self._heard[start : start + frames + 2 * REACH - 1], 2 * REACH
        )
        distance = (REACH + np.arange(factor) / factor)[:, None] - np.arange(2 * REACH)
        taps = np.sinc(distance) * np.cos(0.5 * np.pi * distance / (REACH + 1)) ** 2
        return total + windows @ taps.T

    def steady(self, mix: Mix = LEFT) -> tuple[np.ndarray, float]:
        own, span_s = super().steady(mix)
        # Both at once does not occur: a job has its tone from one of them.
        if np.any(own):
            return own, span_s
        return self._heard[-KEEP // 2 :], KEEP / 2 / self._rate_hz


class Wheel:
    """Runs the car in step with the sound server."""

    def __init__(self, car: Car, ear_db: float) -> None:
        self.car = car
        self._ear = 10.0 ** (ear_db / 20.0)
        self.lock = threading.Lock()
        truth = car.truth.interface
        self.player = ListeningPlayer(truth.rate_hz, truth.clock_ppm)
        car.player = self.player

    def run(self, device: str) -> None:
        import sounddevice

        common = {
            "device": device,
            "samplerate": self.car.truth.interface.rate_hz,
            "blocksize": FRAMES,
            "latency": LATENCY_S,
            "dtype": "float32",
        }
        channels = self.car.truth.interface.channels
        # What is loaded and worked out for the first block takes longer than the block lasts.
        self.player.hear(np.zeros(FRAMES))
        self.car.render(FRAMES)
        gc.collect()
        gc.freeze()  # A walk through everything that is loaded would last as long as several.
        ears = sounddevice.InputStream(channels=1, **common)
        mouth = sounddevice.OutputStream(channels=channels, **common)
        with ears, mouth:
            mouth.write(np.zeros((round(LATENCY_S * 48_000), channels), np.float32))
            while True:
                heard, _ = ears.read(FRAMES)
                with self.lock:
                    self.player.hear(self._ear * heard[:, 0].astype(np.float64))
                    block = self.car.render(FRAMES)
                dry = mouth.write(block.astype(np.float32))
                if dry:
                    sys.stderr.write("the car's output ran dry\n")


def obey(levers: CarLevers, words: dict[str, Any]) -> Any:
    """Carry out one line from the socket."""
    match words:
        case {"do": "play_track", "signal": None}:
            return levers.play_track(None)
        case {"do": "play_track", "signal": signal}:
            return levers.play_track(pickle.loads(base64.b64decode(signal)))
        case {"do": "turn_volume", "steps": steps}:
            return levers.turn_volume(steps)
        case {"do": "shown_volume"}:
            return levers.shown_volume()
        case {"do": "turn_gain", "channel": channel, "by_db": by_db}:
            return levers.turn_gain(channel, by_db)
        case {"do": "touch", "tip": tip, "point": point}:
            return levers.touch(tip, Point(**point))
        case {"do": "meter_ac_volts", "red": red, "black": black}:
            return levers.meter_ac_volts(Point(**red), None if black is None else Point(**black))
        case {"do": "meter_dc_volts", "red": red, "black": black}:
            return levers.meter_dc_volts(Point(**red), None if black is None else Point(**black))
        case {"do": "meter_ohm", "channel": channel}:
            return levers.meter_ohm(channel)
        case {"do": "inspect", "item": item, "channel": channel}:
            return levers.inspect(item, channel)
        case {"do": "engine", "running": running}:
            return levers.engine(running)
        case {"do": "engine_speed", "rpm": rpm}:
            return levers.engine_speed(rpm)
        case {"do": "filters", "channel": channel, "on": on}:
            return levers.filters(channel, on)
        case {"do": "loudspeakers", "channel": channel, "connected": connected}:
            return levers.loudspeakers(channel, connected)
        case {"do": "mute", "muted": muted}:
            return levers.mute(muted)
    raise ValueError(f"no such movement: {words}")


def serve(wheel: Wheel, path: str) -> None:
    """Obey one pair of hands after the other."""
    levers = CarLevers(wheel.car)
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(path)
        listener.listen(1)
        while True:
            hands, _ = listener.accept()
            with hands, hands.makefile("rw") as lines:
                for line in lines:
                    with wheel.lock:
                        result = obey(levers, json.loads(line))
                    lines.write(json.dumps({"is": result}) + "\n")
                    lines.flush()


class RemoteLevers:
    """`levelset.ports.base.Levers` of a car in another process.

    Parameters
    ----------
    path : str
        Its socket.
    """

    def __init__(self, path: str, longest_s: float = 20.0) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        until = time.monotonic() + longest_s
        while True:
            try:
                self._socket.connect(path)
                break
            except OSError:
                if time.monotonic() > until:
                    raise
                time.sleep(0.05)
        self._lines = self._socket.makefile("rw")

    def close(self) -> None:
        self._lines.close()
        self._socket.close()

    def _do(self, what: str, *, settles: bool = True, **words: Any) -> Any:
        self._lines.write(json.dumps({"do": what, **words}) + "\n")
        self._lines.flush()
        result = json.loads(self._lines.readline())["is"]
        if settles:
            time.sleep(SETTLE_S)
        return result

    def play_track(self, signal: Playable | None) -> None:
        packed = None if signal is None else base64.b64encode(pickle.dumps(signal)).decode()
        self._do("play_track", signal=packed)

    def turn_volume(self, steps: int) -> int:
        return int(self._do("turn_volume", steps=steps))

    def shown_volume(self) -> int:
        return int(self._do("shown_volume", settles=False))

    def turn_gain(self, channel: str, by_db: float) -> bool:
        return bool(self._do("turn_gain", channel=channel, by_db=by_db))

    def touch(self, tip: Literal["A", "B"], point: Point) -> None:
        self._do("touch", tip=tip, point=asdict(point))

    def meter_ac_volts(self, red: Point, black: Point | None) -> float:
        other = None if black is None else asdict(black)
        return float(self._do("meter_ac_volts", settles=False, red=asdict(red), black=other))

    def meter_dc_volts(self, red: Point, black: Point | None) -> float:
        other = None if black is None else asdict(black)
        return float(self._do("meter_dc_volts", settles=False, red=asdict(red), black=other))

    def meter_ohm(self, channel: str) -> float:
        return float(self._do("meter_ohm", settles=False, channel=channel))

    def inspect(self, item: str, channel: str | None) -> str:
        return str(self._do("inspect", settles=False, item=item, channel=channel))

    def engine(self, running: bool) -> None:
        self._do("engine", running=running)

    def engine_speed(self, rpm: float | None) -> None:
        self._do("engine_speed", rpm=rpm)

    def filters(self, channel: str | None, on: bool) -> None:
        self._do("filters", channel=channel, on=on)

    def loudspeakers(self, channel: str | None, connected: bool) -> None:
        self._do("loudspeakers", channel=channel, connected=connected)

    def mute(self, muted: bool) -> None:
        self._do("mute", muted=muted)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--socket", required=True)
    parser.add_argument("--car", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--ear-db", type=float, default=0.0, help="gain of what is heard")
    parser.add_argument("--device", default="pulse")
    words = parser.parse_args()
    truth = load_demo_car() if words.car is None else load_car(words.car)
    wheel = Wheel(Car(truth, words.seed), words.ear_db)
    threading.Thread(target=serve, args=(wheel, words.socket), daemon=True).start()
    wheel.run(words.device)


if __name__ == "__main__":
    main()
