"""How many times real time the simulated car runs on one core; run as a script.

It counts processor time, so that other work on the machine does not show.
"""

from __future__ import annotations

import time

from levelset.ports.base import Point
from levelset.signals.signal import Component, Signal
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.chain import Car

BLOCKS = 300


def main() -> None:
    """Print the ratio of stream time to computing time for several tones and places."""
    for frequency_hz in (43.0, 315.0, 997.0):
        for place, channel in (("source", None), ("channel", "bass")):
            car = Car(load_demo_car(), 1)
            car.engine_runs = True
            car.volume = 33
            car.amplifier("bass").turn(15.0)
            car.touch("A", Point(place, "positive", channel))  # type: ignore[arg-type]
            car.touch("B", Point(place, "negative", channel))  # type: ignore[arg-type]
            tone = Signal("tone", "a benchmark", (Component(frequency_hz, 1.0, 0.0),))
            car.player.play_track(tone, 0)
            car.render(1024)
            began = time.process_time()
            for _ in range(BLOCKS):
                car.render(1024)
            taken_s = time.process_time() - began
            ratio = BLOCKS * 1024 / car.truth.interface.rate_hz / taken_s
            print(f"{frequency_hz:6.0f} Hz, tips on the {place:8}: {ratio:6.1f} x real time")  # noqa: T201


if __name__ == "__main__":
    main()
