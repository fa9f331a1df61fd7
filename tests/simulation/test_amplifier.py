"""Every key of an amplifier channel and of the supply against closed forms, scipy and ngspice."""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal

from levelset.errors import UsageError
from levelset.ports.base import Point
from levelset.signals.multitone import response_tones
from levelset.signals.signal import Signal
from levelset.simulation.car import CarTruth
from levelset.simulation.chain import EFFICIENCY, Car
from levelset.simulation.filters import crossover, response

RATE = 48_000
FULL_SCALE_V = 20.0
Ideal = Callable[..., CarTruth]
Fit = Callable[..., np.ndarray]
Tone = Callable[..., Signal]
TERMINAL = Point("channel", "positive", "bass")


@pytest.fixture
def plain(ideal: Ideal) -> Ideal:
    """Return an ideal car with a grounded amplifier of 0 dB and 20 V full scale."""

    def make(**changes: Any) -> CarTruth:
        common = {
            "source__output": "line",
            "source__volts_rms_at_max": 10.0,
            "amplifier__output": "grounded",
            "interface__full_scale_volts_peak": FULL_SCALE_V,
        }
        return ideal(**{**common, **changes})

    return make


def running(truth: CarTruth, signal: Signal | None) -> Car:
    car = Car(truth, 2)
    car.engine_runs = True
    car.player.play_track(signal, 0)  # type: ignore[arg-type]
    car.touch("A", TERMINAL)
    for _ in range(10):
        car.render(4800)
    return car


def volts(car: Car, seconds: float = 1.0) -> np.ndarray:
    return np.concatenate([car.render(1200)[:, 0] for _ in range(round(40 * seconds))]) * (
        car.truth.interface.full_scale_volts_peak
    )


def transfer_db(car: Car, flat: Car, tones: Any) -> tuple[np.ndarray, np.ndarray]:
    hz = [round(part.frequency_hz) for part in tones.components]
    found, plain = (np.abs(np.fft.rfft(volts(one)))[hz] for one in (car, flat))
    return np.array(hz, dtype=float), 20.0 * np.log10(found / plain)


def butterworth_db(hz: np.ndarray, corner_hz: float, order: int, kind: str) -> np.ndarray:
    """10 lg of 1 / (1 + x^2n), x = f/corner or its inverse (S. Butterworth, 1930)."""
    x = hz / corner_hz if kind == "low" else corner_hz / hz
    return -10.0 * np.log10(1.0 + x ** (2 * order))


@pytest.mark.parametrize("slope", [6, 12, 18, 24])
@pytest.mark.parametrize(("kind", "corner_hz"), [("low", 80.0), ("high", 250.0), ("low", 3000.0)])
def test_crossovers_are_butterworth(plain: Ideal, slope: int, kind: str, corner_hz: float) -> None:
    key = "amplifier__lowpass_hz" if kind == "low" else "amplifier__highpass_hz"
    truth = plain(**{key: corner_hz, "amplifier__slope_db_per_octave": slope})
    tones = response_tones("response", "a test", 0.0)
    hz, db = transfer_db(running(truth, tones), running(plain(), tones), tones)  # type: ignore[arg-type]
    expected = butterworth_db(hz, corner_hz, slope // 6, kind)
    heard = (expected > -50.0) & (hz < 16_000)
    # The bilinear transform at 384 kHz bends 12 kHz by 0.3 %: 0.1 dB where it falls steeply.
    assert np.all(np.abs(db - expected)[heard] < 0.02 + 0.003 * np.abs(expected[heard]))
    b, a = scipy.signal.butter(slope // 6, 2.0 * np.pi * corner_hz, kind, analog=True)
    _, h = scipy.signal.freqs(b, a, 2.0 * np.pi * hz[heard])
    np.testing.assert_allclose(expected[heard], 20.0 * np.log10(np.abs(h)), atol=1e-6)


@pytest.mark.parametrize("order", [2, 4])
def test_linkwitz_riley_halves_add_up_to_an_all_pass(order: int) -> None:
    """Each is 1 / (1 + x^n) in power... twice a Butterworth of half the order, 6.02 dB down at the
    corner; the two halves add up to magnitude 1, the second-order pair with one turned round
    (S. H. Linkwitz, J. Audio Eng. Soc. 24(1), 1976)."""
    hz = np.geomspace(20.0, 20_000.0, 200)
    low = response(crossover("low_pass", 800.0, order, "linkwitz_riley"), hz)
    high = response(crossover("high_pass", 800.0, order, "linkwitz_riley"), hz)
    np.testing.assert_allclose(np.abs(low), 1.0 / (1.0 + (hz / 800.0) ** order), rtol=1e-9)
    sign = -1.0 if order == 2 else 1.0
    np.testing.assert_allclose(np.abs(low + sign * high), 1.0, rtol=1e-9)
    at_corner = response(crossover("low_pass", 800.0, order, "linkwitz_riley"), np.array([800.0]))
    assert 20.0 * math.log10(abs(at_corner[0])) == pytest.approx(-6.0206, abs=1e-4)


def test_subsonic_filter_and_alignment_in_the_chain(plain: Ideal) -> None:
    truth = plain(
        amplifier__subsonic_hz=25.0,
        amplifier__lowpass_hz=100.0,
        amplifier__slope_db_per_octave=24,
        amplifier__alignment="linkwitz_riley",
    )
    tones = response_tones("response", "a test", 0.0)
    hz, db = transfer_db(running(truth, tones), running(plain(), tones), tones)  # type: ignore[arg-type]
    expected = butterworth_db(hz, 25.0, 4, "high") + 2.0 * butterworth_db(hz, 100.0, 2, "low")
    heard = expected > -50.0
    np.testing.assert_allclose(db[heard], expected[heard], atol=0.05)


def test_filters_switch(plain: Ideal, tone: Tone) -> None:
    truth = plain(amplifier__lowpass_hz=80.0, amplifier__slope_db_per_octave=24)
    car = running(truth, tone(320.0))
    amplifier = car.amplifier("bass")
    for on, expected in ((True, 10.0 / math.sqrt(1.0 + 4.0**8)), (False, 10.0), (True, None)):
        amplifier.switch_filters(on)
        volts(car, 0.1)
        level = volts(car).std()
        expected = 10.0 / math.sqrt(1.0 + 4.0**8) if expected is None else expected
        assert level == pytest.approx(expected, rel=2e-3)
        assert car.ac_volts_rms(TERMINAL, None) == pytest.approx(expected, rel=1e-3)


def test_a_filter_hides_the_clipping_of_the_source(
    plain: Ideal, tone: Tone, harmonics: Fit
) -> None:
    """A clipped sine's harmonics behind 24 dB per octave: Fourier series by a long FFT times the
    closed form of the filter."""
    overdrive = 10.0 ** (1.0 / 20.0)
    truth = plain(
        source__clip_volts_peak=10.0 * math.sqrt(2.0) / overdrive,
        amplifier__lowpass_hz=80.0,
        amplifier__slope_db_per_octave=24,
    )
    found = np.abs(harmonics(volts(running(truth, tone(50.0))), 50.0, RATE, 9)[1:])
    x = np.clip(overdrive * np.sin(2.0 * np.pi * np.arange(1 << 16) / (1 << 16)), -1.0, 1.0)
    lines = 2.0 * np.abs(np.fft.rfft(x))[1:10] / len(x)
    n = np.arange(1, 10)
    lines *= 10.0 ** (butterworth_db(50.0 * n, 80.0, 4, "low") / 20.0)
    thd, expected = (np.linalg.norm(h[1:]) / h[0] for h in (found, lines))
    assert thd == pytest.approx(expected, rel=1e-3)
    assert 0.002 < thd < 0.005


NETLIST = """\
second-order low-pass by a series inductor and a capacitor beside the load
Vin in 0 dc 0 ac 1
L1 in out {inductance}
C1 out 0 {capacitance}
R1 out 0 4
.control
ac dec 12 20 2000
print vdb(out)
quit
.endc
.end
"""


@pytest.mark.outside
def test_second_order_low_pass_is_that_of_a_circuit(
    outside_program: Callable[[str], str], tmp_path: Path
) -> None:
    """L = R sqrt 2 / w, C = 1 / (R w sqrt 2): Butterworth of second order (any crossover table)."""
    w, ohm = 2.0 * math.pi * 200.0, 4.0
    netlist = tmp_path / "low.cir"
    netlist.write_text(
        NETLIST.format(
            inductance=ohm * math.sqrt(2.0) / w, capacitance=1.0 / (ohm * w * math.sqrt(2.0))
        )
    )
    done = subprocess.run(
        [outside_program("ngspice"), "-b", str(netlist)],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    rows = re.findall(r"^\d+\s+(\S+)\s+(\S+)\s*$", done.stdout, re.MULTILINE)
    hz, db = np.array([[float(v) for v in row] for row in rows]).T
    assert len(hz) == 25
    h = response(crossover("low_pass", 200.0, 2, "butterworth"), hz)
    np.testing.assert_allclose(20.0 * np.log10(np.abs(h)), db, atol=1e-3)


def test_output_resistance_divides_with_the_load(plain: Ideal, tone: Tone) -> None:
    """Z / (Z + R) (voltage divider, any textbook), of the clipped voltage too."""
    truth = plain(
        amplifier__output_ohm=0.1, amplifier__load="4||4", amplifier__rail_volts_peak=12.0
    )
    car = running(truth, tone(97.0))
    free = volts(car)
    car.amplifier("bass").load_connected = True
    volts(car, 0.1)
    loaded = volts(car)
    assert loaded.max() / free.max() == pytest.approx(2.0 / 2.1, rel=1e-3)
    assert loaded.std() / free.std() == pytest.approx(2.0 / 2.1, rel=1e-4)
    assert car.ac_volts_rms(TERMINAL, None) == pytest.approx(loaded.std(), rel=1e-3)


def test_supply_sags_under_load(plain: Ideal, tone: Tone) -> None:
    """V = E - R P / (efficiency V) and P = V_out^2 / Z: the quadratic's upper root (Ohm's law)."""
    truth = plain(supply__ohm=0.02, amplifier__load="4")
    car = running(truth, tone(97.0))
    battery = Point("battery")
    assert car.dc_volts(battery, None) == 14.2
    car.amplifier("bass").load_connected = True
    drop = 0.02 * (100.0 / 4.0) / EFFICIENCY
    expected = 0.5 * (14.2 + math.sqrt(14.2**2 - 4.0 * drop))
    assert car.dc_volts(battery, None) == pytest.approx(expected, rel=1e-6)
    car.muted = True
    assert car.dc_volts(battery, None) == 14.2
    car.muted = False
    car.player.play_track(None, car.frame)
    assert car.dc_volts(battery, None) == 14.2


@pytest.mark.parametrize("regulated", [True, False])
def test_rail_falls_with_the_loaded_supply(plain: Ideal, tone: Tone, regulated: bool) -> None:
    truth = plain(
        supply__ohm=0.05,
        amplifier__load="2",
        amplifier__regulated=regulated,
        amplifier__rail_volts_peak=16.0,
        source__volts_rms_at_max=13.0,
    )
    car = running(truth, tone(50.0))
    free = np.median(np.sort(volts(car))[-2000:])
    car.amplifier("bass").load_connected = True
    volts(car, 0.1)
    loaded = np.median(np.sort(volts(car))[-2000:])
    sag = car.supply_v / 14.2
    assert sag < 0.98
    assert loaded / free == pytest.approx(1.0 if regulated else sag, rel=1e-3)
    car.amplifier("bass").load_connected = False
    volts(car, 0.1)
    assert np.median(np.sort(volts(car))[-2000:]) == pytest.approx(free, rel=1e-4)


def test_carrier_is_seen_by_a_fast_interface_only(plain: Ideal) -> None:
    fast = plain(
        amplifier__carrier_volts=0.5, amplifier__carrier_hz=70_000.0, interface__rate_hz=192_000
    )
    x = volts(running(fast, None), 0.2)
    hz = np.fft.rfftfreq(len(x), 1.0 / 192_000)
    assert hz[np.argmax(np.abs(np.fft.rfft(x)))] == pytest.approx(70_000.0, abs=50.0)
    assert x.std() == pytest.approx(0.5, rel=1e-3)
    slow = plain(amplifier__carrier_volts=0.5, amplifier__carrier_hz=70_000.0)
    assert volts(running(slow, None), 0.2).std() < 2e-5
    far = plain(amplifier__carrier_volts=0.5, amplifier__carrier_hz=400_000.0)
    assert volts(running(far, None), 0.2).std() < 2e-5


def test_levers_of_all_channels_and_of_one_that_is_not_there(plain: Ideal) -> None:
    from levelset.simulation.levers import CarLevers

    car = Car(plain(), 1)
    levers = CarLevers(car)
    levers.filters(None, False)
    levers.loudspeakers(None, True)
    assert [a.filters_on for a in car.amplifiers(None)] == [False]
    assert [a.load_connected for a in car.amplifiers(None)] == [True]
    with pytest.raises(UsageError, match="no channel 'front'"):
        levers.filters("front", True)
