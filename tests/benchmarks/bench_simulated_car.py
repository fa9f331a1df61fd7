"""How many times real time the simulated car runs on one core; run as a script.

It counts processor time, so that other work on the machine does not show.
"""

from __future__ import annotations

import time
from dataclasses import replace

from levelset.ports.base import Point
from levelset.signals.multitone import response_tones
from levelset.signals.noise import pink_noise
from levelset.signals.signal import Component, Playable, Signal
from levelset.signals.which_wire import which_wire_track
from levelset.simulation.car import CarTruth
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.chain import Car

BLOCKS = 300


def ratio(truth: CarTruth, signal: Playable, place: str, channel: str | None) -> float:
    """Return stream time over computing time."""
    car = Car(truth, 1)
    car.engine_runs = True
    car.volume = 33
    car.amplifier("bass").turn(15.0)
    car.touch("A", Point(place, "positive", channel))  # type: ignore[arg-type]
    car.touch("B", Point(place, "negative", channel))  # type: ignore[arg-type]
    car.player.play_track(signal, 0)
    car.render(1024)
    began = time.process_time()
    for _ in range(BLOCKS):
        car.render(1024)
    return BLOCKS * 1024 / truth.interface.rate_hz / (time.process_time() - began)


def tone(frequency_hz: float) -> Signal:
    return Signal(f"{frequency_hz:.0f} Hz", "a benchmark", (Component(frequency_hz, 1.0, 0.0),))


def with_everything(truth: CarTruth) -> CarTruth:
    """Return the car with every optional key that costs time."""
    source = replace(
        truth.source,
        highpass_hz=40.0,
        equaliser=((100.0, 4.0, 1.0), (2500.0, -3.0, 2.0)),
        bass_withdrawn_db_at_max=6.0,
        limiter_volts_rms=5.0,
        noise_millivolts=0.3,
        hum_millivolts=1.0,
        alternator_millivolts=1.0,
        delay_ms=5.0,
    )
    bass = replace(truth.amplifiers[0], subsonic_hz=20.0, lowpass_hz=80.0, carrier_volts=0.2)
    return replace(truth, source=source, amplifiers=(bass, *truth.amplifiers[1:]))


def main() -> None:
    """Print the ratio of stream time to computing time for several signals and places."""
    plain = load_demo_car()
    many = (
        response_tones("response", "a benchmark", -6.0),
        which_wire_track(2),
        which_wire_track(4),
        pink_noise("pink-noise", "a benchmark", -20.0),
    )
    for words, truth in (("plain car", plain), ("every optional key", with_everything(plain))):
        for signal in (tone(43.0), tone(315.0), tone(997.0), *many):
            for place, channel in (("source", None), ("channel", "bass")):
                times = ratio(truth, signal, place, channel)
                where = f"{words}, {signal.name}, tips on the {place}"
                print(f"{where:60} {times:6.1f} x real time")  # noqa: T201


if __name__ == "__main__":
    main()
