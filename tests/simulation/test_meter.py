"""The simulated multimeter: true RMS, its own error, its last digit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from levelset.ports.base import Point
from levelset.signals.signal import Component, Signal
from levelset.simulation.car import CarTruth
from levelset.simulation.chain import Car
from levelset.simulation.levers import CarLevers
from levelset.simulation.meter import displayed

RED = Point("source", "positive")
BLACK = Point("source", "negative")
TERMINAL = Point("channel", "positive", "bass")


@pytest.mark.parametrize("error", [-1.0, -0.4, 0.0, 1.0])
@pytest.mark.parametrize("true_v", [0.0, 0.5, 6.789, 22.4])
def test_it_stays_within_its_tolerance(true_v: float, error: float) -> None:
    shown = displayed(true_v, percent=0.8, counts=3, resolution_v=0.01, error=error)
    tolerance = 0.008 * true_v + 0.03
    assert abs(shown - true_v - error * tolerance) <= 0.005 + 1e-12
    assert shown == pytest.approx(round(shown, 2), abs=1e-12)


def running(truth: CarTruth, signal: Signal | None) -> Car:
    car = Car(truth, 1)
    car.engine_runs = True
    car.player.play_track(signal, 0)
    return car


def test_true_rms_of_a_sine_without_its_bias(
    ideal: Callable[..., CarTruth], tone: Callable[..., Signal]
) -> None:
    truth = ideal(source__volts_rms_at_max=5.0, source__bias_volts=6.0)
    car = running(truth, tone(103.0))
    assert car.ac_volts_rms(RED, BLACK) == pytest.approx(5.0, rel=1e-6)
    assert car.ac_volts_rms(RED, None) == pytest.approx(2.5, rel=1e-6)
    assert car.ac_volts_rms(RED, RED) == 0.0
    assert car.ac_volts_rms(RED, Point("open")) == 0.0
    assert car.ac_volts_rms(Point("battery"), None) == 0.0


def test_true_rms_of_a_clipped_sine(
    ideal: Callable[..., CarTruth], tone: Callable[..., Signal]
) -> None:
    """RMS^2 of A sin clipped at 1, A sin t = 1: (A^2 (t - sin 2t / 2) + pi - 2 t) / pi."""
    truth = ideal(source__volts_rms_at_max=2.0 / np.sqrt(2.0), source__clip_volts_peak=1.0)
    t = np.arcsin(0.5)
    expected = np.sqrt((4.0 * (t - np.sin(2.0 * t) / 2.0) + np.pi - 2.0 * t) / np.pi)
    assert running(truth, tone(50.0)).ac_volts_rms(RED, BLACK) == pytest.approx(expected, rel=1e-6)


def test_two_tones_and_noise_add_as_power(ideal: Callable[..., CarTruth]) -> None:
    truth = ideal(amplifier__noise_millivolts=300.0, source__volts_rms_at_max=np.sqrt(0.5))
    two = Signal("two", "a test", (Component(43.0, 0.4, 0.0), Component(997.0, 0.3, 1.0)))
    car = running(truth, two)
    expected = np.sqrt(0.16 / 2.0 + 0.09 / 2.0 + 0.09)
    assert car.ac_volts_rms(TERMINAL, None) == pytest.approx(expected, rel=1e-6)
    assert running(truth, None).ac_volts_rms(TERMINAL, None) == pytest.approx(0.3)


def test_the_lever_shows_the_gain_at_once(
    ideal: Callable[..., CarTruth], tone: Callable[..., Signal]
) -> None:
    truth = ideal(meter__error=0.0, meter__ac_resolution_v=0.001)
    car = running(truth, tone(103.0))
    levers = CarLevers(car)
    assert levers.turn_gain("bass", 20.0)
    assert levers.meter_ac_volts(TERMINAL, None) == pytest.approx(10.0, abs=0.0006)
    assert not levers.turn_gain("bass", 50.0)
    # 100 V RMS clipped at 100 V peak: above the sine's 70.7 V, below the square's 100 V.
    assert 70.8 < levers.meter_ac_volts(TERMINAL, None) < 100.0
    assert not levers.turn_gain("bass", 0.1)
    assert levers.turn_gain("bass", -0.1)
    assert levers.turn_volume(-1000) == 0
    assert levers.turn_volume(+1000) == 40
