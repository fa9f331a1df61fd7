"""The simulated processor between the tap and the amplifiers, by closed forms."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from levelset.errors import UsageError
from levelset.ports.base import Point
from levelset.ports.simulated import open_demo
from levelset.simulation.car import CarTruth, ProcessorTruth
from levelset.simulation.car_file import car_from_document, load_car
from levelset.simulation.chain import Car
from levelset.simulation.levers import CarLevers
from tests.simulation.test_car_file import GOOD, with_line, written

RATE_HZ, TONE_HZ = 48_000, 480.0
"""A whole number of periods in every stretch below."""
PASSES = ProcessorTruth(256.0, 256.0, (0.0, 0.0))
"""Does nothing; a power of two keeps every digit."""
TABLE = """\
[processor]
input_clip_volts_peak = 9.0
output_clip_volts_peak = 6.0
gain_db = [-20.0, 6.0]
"""

Ideal = Callable[..., CarTruth]


def heard(truth: CarTruth, tone: Callable[..., Any], place: str, by_db: float = 0.0) -> np.ndarray:
    """Return a tenth of a second between the tips, V."""
    car = Car(truth, 5)
    car.engine_runs = True
    name = "bass" if place == "channel" else None
    car.touch("A", Point(place, "positive", name))  # type: ignore[arg-type]
    car.touch("B", Point(place, "negative", name))  # type: ignore[arg-type]
    car.player.play_track(tone(TONE_HZ), 0)
    if by_db:
        CarLevers(car).turn_gain(None, by_db)
    car.render(9600)
    codes = car.render(4800) * truth.interface.full_scale_volts_peak
    return codes[:, 0] - codes[:, 1]


def line(values: np.ndarray, number: int) -> complex:
    """Return a multiple of the tone as a complex peak."""
    cycles = round(TONE_HZ * len(values) / RATE_HZ)
    return complex(2.0 * np.fft.rfft(values)[number * cycles] / len(values))


def with_processor(truth: CarTruth, **changes: Any) -> CarTruth:
    wide = replace(PASSES, gain_db=(-20.0, 6.0))
    return replace(truth, processor=replace(wide, **changes))


@pytest.mark.parametrize("place", ["source", "channel"])
def test_one_that_passes_everything_gives_the_same_codes(ideal: Ideal, tone, place: str) -> None:
    truth = ideal(amplifier__lowpass_hz=80.0, amplifier__noise_millivolts=2.0)
    through = heard(replace(truth, processor=PASSES), tone, place)
    np.testing.assert_array_equal(through, heard(truth, tone, place))


def test_level_and_both_ends_of_its_control(ideal: Ideal, tone) -> None:
    """1 V RMS at the tap: decibels by their definition, at the minimum and turned up by 8 dB."""
    truth = with_processor(ideal())
    for by_db in (0.0, 8.0, 26.0, 40.0):
        expected = math.sqrt(2.0) * 10.0 ** (min(-20.0 + by_db, 6.0) / 20.0)
        assert abs(line(heard(truth, tone, "processor", by_db), 1)) == pytest.approx(
            expected, rel=2e-4
        )
    levers = CarLevers(Car(truth, 5))
    assert levers.turn_gain(None, 26.0)
    assert not levers.turn_gain(None, 0.1)


@pytest.mark.parametrize(
    ("changes", "top_v"),
    [
        # -20 dB of a sine of 1.414 V peak that its input cuts at 1 V.
        ({"input_clip_volts_peak": 1.0}, 0.1),
        # At +6 dB the output stage cuts at 1.5 V whatever comes in.
        ({"output_clip_volts_peak": 1.5, "gain_db": (6.0, 6.0)}, 1.5),
    ],
)
def test_both_stages_clip_at_their_voltage(ideal: Ideal, tone, changes, top_v: float) -> None:
    top = heard(with_processor(ideal(), **changes), tone, "processor")
    # Filters of the converter ring at the edges: the flat part is the median of the upper values.
    assert np.median(top[top > 0.9 * top_v]) == pytest.approx(top_v, rel=0.01)
    assert abs(line(top, 3)) > 0.02 * abs(line(top, 1))


def test_amplifier_gets_what_the_tips_read(ideal: Ideal, tone) -> None:
    truth = with_processor(ideal(amplifier__gain_db=(12.0, 12.0)), output_clip_volts_peak=0.1)
    before, behind = (line(heard(truth, tone, place), 3) for place in ("processor", "channel"))
    assert behind / before == pytest.approx(10.0 ** (12.0 / 20.0), rel=1e-3)


def test_delay_and_polarity(ideal: Ideal, tone) -> None:
    """A delay t turns a tone of f by 2 pi f t."""
    truth = with_processor(ideal(), gain_db=(0.0, 0.0), delay_ms=0.7, polarity="reversed")
    turned = line(heard(truth, tone, "processor"), 1) / line(heard(truth, tone, "source"), 1)
    expected = -cmath.exp(-2j * math.pi * TONE_HZ * 0.7e-3)
    assert abs(turned - expected) < 1e-5


def test_noise_in_the_audio_band(ideal: Ideal) -> None:
    truth = with_processor(ideal(source__start_volume=0), noise_millivolts=5.0)
    car = Car(truth, 5)
    car.touch("A", Point("processor"))
    values = np.concatenate([car.render(4800)[:, 0] for _ in range(20)])
    power = np.square(np.abs(np.fft.rfft(values))) * 2.0 / len(values) ** 2
    hz = np.fft.rfftfreq(len(values), 1.0 / RATE_HZ)
    rms_v = math.sqrt(power[(hz >= 20.0) & (hz <= 20_000.0)].sum())
    rms_v *= truth.interface.full_scale_volts_peak
    assert 20.0 * math.log10(rms_v / 5e-3) == pytest.approx(0.0, abs=0.2)
    meter_v = car.ac_volts_rms(Point("processor"), None)
    assert meter_v == pytest.approx(5e-3, rel=1e-3)


def test_multimeter(ideal: Ideal, tone) -> None:
    car = Car(with_processor(ideal()), 5)
    car.player.play_track(tone(TONE_HZ), 0)
    assert car.ac_volts_rms(Point("processor"), None) == pytest.approx(0.1, rel=1e-6)
    assert car.ac_volts_rms(Point("channel", "positive", "bass"), None) == pytest.approx(0.1, 1e-6)
    assert car.dc_volts(Point("processor"), Point("processor", "negative")) == 0.0


def test_the_table_and_its_labels_arrive(tmp_path: Path) -> None:
    labels = "noise_millivolts = 0.5\nmax_input_volts = 20.0\nmax_output_volts = 4.0\n"
    path = written(tmp_path, GOOD + TABLE + labels)
    found = load_car(path).processor
    assert found is not None
    assert (found.input_clip_volts_peak, found.output_clip_volts_peak) == (9.0, 6.0)
    assert (found.gain_db, found.noise_millivolts, found.polarity) == ((-20.0, 6.0), 0.5, "normal")
    planned = open_demo(path, seed=1, fast=True).plan.processor
    assert planned is not None
    assert (planned.kind, planned.max_input_v_rms) == ("line_converter", 20.0)
    assert planned.max_output_v_rms == 4.0
    assert load_car(written(tmp_path, GOOD)).processor is None


@pytest.mark.parametrize(
    ("line", "named"),
    [
        ("gain_db = [6.0, -20.0]", "[processor] gain_db"),
        ("delay_ms = 2000", "[processor] delay_ms is 2000, out of range"),
        ('kind = "crossover"', "[processor] kind is 'crossover'"),
        ('polarity = "up"', "[processor] polarity is 'up'"),
        ("max_output_volts = 0", "[processor] max_output_volts is 0, out of range"),
        ("depth = 1", "[processor] depth is unknown"),
    ],
)
def test_what_cannot_be_used_is_named(tmp_path: Path, line: str, named: str) -> None:
    table = TABLE.replace("gain_db = [-20.0, 6.0]\n", "") if "gain_db" in line else TABLE
    with pytest.raises(UsageError) as error:
        load_car(written(tmp_path, f"{GOOD}{table}{line}\n"))
    assert named in str(error.value)


def test_it_feeds_every_amplifier(tmp_path: Path) -> None:
    text = with_line(GOOD, "[[amplifier]]", 'tap = "second"')
    text = with_line(text, "[source]", 'tap = [{name = "second", channel = "right"}]')
    load_car(written(tmp_path, text))
    with pytest.raises(UsageError, match="the processor feeds every amplifier"):
        load_car(written(tmp_path, text + TABLE))
    with pytest.raises(UsageError, match="has no processor"):
        Car(load_car(written(tmp_path, GOOD)), 1).leg(Point("processor"))
    with pytest.raises(UsageError, match=r"\[processor\] input_clip_volts_peak is missing"):
        car_from_document({**_parsed(GOOD), "processor": {}})


def _parsed(text: str) -> dict[str, Any]:
    import tomllib

    return tomllib.loads(text)
