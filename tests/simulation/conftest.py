"""An ideal car, and an independent fit, for the tests of the simulation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from levelset.ports.base import Point
from levelset.signals.signal import Component, Signal
from levelset.simulation.car import CarTruth
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.chain import Car


def changed(truth: CarTruth, **changes: Any) -> CarTruth:
    """Return the truth with fields replaced, written as ``table__key=value``."""
    for path, value in changes.items():
        table, key = path.split("__")
        if table == "amplifier":
            first = replace(truth.amplifiers[0], **{key: value})
            truth = replace(truth, amplifiers=(first, *truth.amplifiers[1:]))
        else:
            truth = replace(truth, **{table: replace(getattr(truth, table), **{key: value})})
    return truth


IDEAL: dict[str, Any] = {
    "source__max_volume": 40,
    "source__start_volume": 40,
    "source__db_per_step": 1.5,
    "source__volts_rms_at_max": 1.0,
    "source__clip_volts_peak": 100.0,
    "source__bias_volts": 0.0,
    "source__offset_millivolts": 0.0,
    "source__thd_percent": 0.0,
    "amplifier__gain_db": (0.0, 40.0),
    "amplifier__rail_volts_peak": 100.0,
    "amplifier__thd_percent": 0.0,
    "amplifier__noise_millivolts": 0.0,
    "amplifier__output_offset_millivolts": 0.0,
    "probe__divider": 1.0,
    "probe__mismatch_percent": 0.0,
    "interface__full_scale_volts_peak": 200.0,
    "interface__coupling_hz": (),
    "interface__noise_dbfs": -400.0,
    "interface__clock_ppm": 0.0,
    "interface__bits": 24,
}


@pytest.fixture
def change() -> Callable[..., CarTruth]:
    """Return the function that replaces fields of a car."""
    return changed


@pytest.fixture
def ideal() -> Callable[..., CarTruth]:
    """Return a function that makes an ideal car with some fields changed."""

    def make(**changes: Any) -> CarTruth:
        return changed(load_demo_car(), **{**IDEAL, **changes})

    return make


@pytest.fixture
def tone() -> Callable[..., Signal]:
    """Return a function that makes a single sine."""

    def make(frequency_hz: float, amplitude_fs: float = 1.0) -> Signal:
        return Signal("tone", "a test", (Component(frequency_hz, amplitude_fs, 0.4),))

    return make


@pytest.fixture
def listen(tone: Callable[..., Signal]) -> Callable[..., np.ndarray]:
    """Return a function that plays a tone in a car and gives the steady codes of both tips."""

    def run(
        truth: CarTruth,
        frequency_hz: float,
        *,
        at: str = "source",
        gain_db: float = 0.0,
        engine: bool = True,
        seconds: float = 1.0,
        settle_s: float = 0.25,
    ) -> np.ndarray:
        car = Car(truth, 5)
        car.engine_runs = engine
        name = truth.amplifiers[0].name if at == "channel" else None
        if name is not None:
            car.amplifier(name).turn(gain_db - car.amplifier(name).gain_db)
        car.touch("A", Point(at, "positive", name))  # type: ignore[arg-type]
        car.touch("B", Point(at, "negative", name))  # type: ignore[arg-type]
        car.player.play_track(tone(frequency_hz), 0)
        rate = truth.interface.rate_hz
        car.render(round(settle_s * rate))
        return np.concatenate([car.render(4800) for _ in range(round(seconds * rate / 4800))])

    return run


@pytest.fixture
def harmonics() -> Callable[..., np.ndarray]:
    """Return numpy's own least squares of a tone with harmonics: complex peaks, index 0 = mean."""

    def fit(samples: np.ndarray, frequency_hz: float, rate_hz: int, count: int) -> np.ndarray:
        angle = 2.0 * np.pi * frequency_hz / rate_hz * np.arange(len(samples))
        columns = [np.ones(len(samples))]
        for n in range(1, count + 1):
            columns += [np.cos(n * angle), np.sin(n * angle)]
        found, *_ = np.linalg.lstsq(np.column_stack(columns), samples, rcond=None)
        return np.concatenate((found[:1], found[1::2] - 1j * found[2::2]))

    return fit
