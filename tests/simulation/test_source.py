"""Every key of the source against a closed form or a library that knows nothing of the package."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import scipy.signal

from levelset.ports.base import Point
from levelset.signals.channels import LAYOUTS, ChannelSignals
from levelset.signals.multitone import response_tones
from levelset.signals.noise import pink_noise
from levelset.signals.signal import Component, Playable, Signal
from levelset.signals.steps import SteppedTone
from levelset.simulation.car import CarTruth, TapTruth
from levelset.simulation.chain import Car
from levelset.simulation.decimator import ROWS
from levelset.simulation.disturbance import WHINE_PARTS
from levelset.simulation.filters import bell, crossover, response, settle_s

RATE = 48_000
FULL_SCALE_V = 200.0
Ideal = Callable[..., CarTruth]
Fit = Callable[..., np.ndarray]
Tone = Callable[..., Signal]


def hear(
    truth: CarTruth,
    signal: Playable | None,
    *,
    seconds: float = 0.5,
    settle_s: float = 0.3,
    volume: int | None = None,
    at: Point | None = None,
    engine: bool = True,
) -> np.ndarray:
    """Return the steady voltage of a line output's tap, V."""
    car = Car(truth, 3)
    car.engine_runs = engine
    car.volume = truth.source.max_volume if volume is None else volume
    car.player.play_track(signal, 0)
    car.touch("A", at or Point("source"))
    car.render(round(settle_s * RATE))
    blocks = [car.render(1200)[:, 0] for _ in range(round(seconds * RATE / 1200))]
    return np.concatenate(blocks) * truth.interface.full_scale_volts_peak


@pytest.fixture
def line(ideal: Ideal) -> Ideal:
    """Return an ideal car with a line output of 10 V RMS and 20 V full scale."""

    def make(**changes: Any) -> CarTruth:
        common = {
            "source__output": "line",
            "source__volts_rms_at_max": 10.0,
            "interface__full_scale_volts_peak": 20.0,
        }
        return ideal(**{**common, **changes})

    return make


def magnitudes(truth: CarTruth, signal: Playable, **how: Any) -> np.ndarray:
    """Return the peak of every line of a periodic multitone, V, by a DFT over whole periods."""
    x = hear(truth, signal, seconds=1.0, **how)
    lines = 2.0 * np.abs(np.fft.rfft(x)) / len(x)
    return lines[[round(part.frequency_hz) for part in signal.components]]


def transfer(truth: CarTruth, flat: CarTruth, **how: Any) -> tuple[np.ndarray, np.ndarray]:
    """Return frequencies and the ratio of two cars' levels, dB."""
    tones = response_tones("response", "a test", -20.0)
    hz = np.array([part.frequency_hz for part in tones.components])
    ratio = magnitudes(truth, tones, **how) / magnitudes(flat, tones, **how)
    return hz, 20.0 * np.log10(ratio)


@pytest.mark.parametrize("corner_hz", [35.0, 80.0, 300.0])
def test_high_pass_is_butterworth(line: Ideal, corner_hz: float) -> None:
    """Closed form 1 / sqrt(1 + (corner/f)^4) (S. Butterworth, 1930), and scipy's own design."""
    hz, db = transfer(line(source__highpass_hz=corner_hz), line())
    np.testing.assert_allclose(db, -10.0 * np.log10(1.0 + (corner_hz / hz) ** 4), atol=0.01)
    b, a = scipy.signal.butter(2, 2.0 * np.pi * corner_hz, "high", analog=True)
    _, h = scipy.signal.freqs(b, a, 2.0 * np.pi * hz)
    np.testing.assert_allclose(db, 20.0 * np.log10(np.abs(h)), atol=0.01)


def test_equaliser_is_the_published_bell(line: Ideal) -> None:
    """R. Bristow-Johnson, cookbook formulae, peaking EQ: analog prototype and its digital form
    at 16 times the rate (b0 = 1 + alpha A, ..., alpha = sin w0 / (2 Q))."""
    bands = ((90.0, 6.0, 0.8), (1000.0, -9.0, 2.5), (8000.0, 4.0, 1.4))
    hz, db = transfer(line(source__equaliser=bands), line())
    expected = np.zeros(len(hz))
    for centre, gain, q in bands:
        a = 10.0 ** (gain / 40.0)
        w0 = 2.0 * np.pi * centre / (16 * RATE)
        alpha = np.sin(w0) / (2.0 * q)
        _, h = scipy.signal.freqz(
            [1.0 + alpha * a, -2.0 * np.cos(w0), 1.0 - alpha * a],
            [1.0 + alpha / a, -2.0 * np.cos(w0), 1.0 - alpha / a],
            hz,
            fs=16 * RATE,
        )
        expected += 20.0 * np.log10(np.abs(h))
    np.testing.assert_allclose(db, expected, atol=0.03)
    at_centre = np.array([20.0 * math.log10(abs(bell(100.0, 6.0, q).response(np.array([100.0]))[0]))
                          for q in (0.3, 1.0, 9.0)])  # fmt: skip
    np.testing.assert_allclose(at_centre, 6.0)


@pytest.mark.parametrize("order", [1, 2])
def test_tone_controls_are_published_shelves(line: Ideal, order: int) -> None:
    """First order: a pole and a zero. Second: R. Bristow-Johnson's low and high shelf of slope 1 in
    their digital form at 16 times the rate (from memory)."""
    hz, db = transfer(
        line(
            source__bass_controls=((120.0, 5.0, order),),
            source__treble_controls=((3000.0, -7.0, order),),
        ),
        line(),
    )
    expected = np.zeros(len(hz))
    for centre, gain, sign in ((120.0, 5.0, 1.0), (3000.0, -7.0, -1.0)):
        a = 10.0 ** (gain / 40.0)
        if order == 1:
            u = (1j * hz / centre) ** sign
            h = (u + a) / (u + 1.0 / a)
        else:
            w0 = 2.0 * np.pi * centre / (16 * RATE)
            cos, wide = np.cos(w0), 2.0 * np.sqrt(a) * np.sin(w0) / np.sqrt(2.0)
            up, down, c = a + 1.0, a - 1.0, sign * cos
            b = [up - down * c + wide, sign * 2.0 * (down - up * c), up - down * c - wide]
            den = [up + down * c + wide, -sign * 2.0 * (down + up * c), up + down * c - wide]
            _, h = scipy.signal.freqz(a * np.array(b), den, hz, fs=16 * RATE)
        expected += 20.0 * np.log10(np.abs(h))
    np.testing.assert_allclose(db, expected, atol=0.03)


@pytest.mark.parametrize(("volume", "withdrawn_db"), [(40, 12.0), (30, 6.0), (20, 0.0), (5, 0.0)])
def test_bass_is_withdrawn_as_the_volume_rises(
    line: Ideal, volume: int, withdrawn_db: float
) -> None:
    """The documented shelf |jf + g 150 Hz| / |jf + 150 Hz|."""
    hz, db = transfer(line(source__bass_withdrawn_db_at_max=12.0), line(), volume=volume)
    g = 10.0 ** (-withdrawn_db / 20.0)
    expected = 20.0 * np.log10(np.hypot(hz, g * 150.0) / np.hypot(hz, 150.0))
    np.testing.assert_allclose(db, expected, atol=0.02)


@pytest.mark.parametrize("frequency_hz", [31.0, 43.0, 997.0])
@pytest.mark.parametrize("over_db", [-1.0, 3.0, 12.0])
def test_limiter_keeps_a_tone_clean_at_its_voltage(
    line: Ideal, tone: Tone, harmonics: Fit, frequency_hz: float, over_db: float
) -> None:
    volts = 10.0 * 10.0 ** (-over_db / 20.0)
    truth = line(source__limiter_volts_rms=volts, interface__noise_dbfs=-200.0)
    x = hear(truth, tone(frequency_hz), settle_s=1.5)
    found = np.abs(harmonics(x, frequency_hz, RATE, 10)[1:])
    assert found[0] == pytest.approx(min(volts, 10.0) * math.sqrt(2.0), rel=1e-4)
    assert np.linalg.norm(found[1:]) / found[0] < 1e-5


def test_limited_level_no_longer_follows_the_volume(line: Ideal, tone: Tone) -> None:
    truth = line(source__limiter_volts_rms=4.0)
    car = Car(truth, 1)
    car.touch("A", Point("source"))
    car.player.play_track(tone(97.0), 0)
    levels = []
    for volume in (30, 33, 34, 36, 40, 30):
        car.volume = volume
        x = np.concatenate([car.render(1200)[:, 0] for _ in range(80)])
        levels.append(x[RATE:].std() * 20.0)
        assert car.ac_volts_rms(Point("source"), None) == pytest.approx(levels[-1], rel=1e-3)
    free = [10.0 * 10.0 ** (-(40 - v) * 1.5 / 20.0) for v in (30, 33)]
    np.testing.assert_allclose(levels, [*free, 3.548, 4.0, 4.0, free[0]], rtol=1e-3)


def test_limiter_and_clip_of_a_source_that_overshoots(line: Ideal, tone: Tone) -> None:
    """Turned up at once it is loud for a moment, never beyond its clip point, then limited."""
    truth = line(source__limiter_volts_rms=2.0, source__clip_volts_peak=6.0)
    car = Car(truth, 1)
    car.touch("A", Point("source"))
    car.player.play_track(tone(97.0), 0)
    car.volume = 20
    car.render(RATE)
    car.volume = 40
    x = np.abs(np.concatenate([car.render(1200)[:, 0] for _ in range(40)])) * 20.0
    assert 5.9 < x[: RATE // 10].max() < 6.6  # band-limited corners overshoot a little
    assert x[-RATE // 10 :].max() == pytest.approx(2.0 * math.sqrt(2.0), rel=1e-3)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_noise_has_its_level_in_the_audio_band(ideal: Ideal, rate_hz: int) -> None:
    truth = ideal(
        source__output="line",
        source__noise_millivolts=3.0,
        interface__rate_hz=rate_hz,
        interface__full_scale_volts_peak=0.1,
    )
    x = hear(truth, None, seconds=4.0)
    hz, density = scipy.signal.welch(x, rate_hz, nperseg=4096)
    inside = (hz >= 20.0) & (hz <= 20_000.0)
    rms = math.sqrt(float(density[inside].sum() * (hz[1] - hz[0])))
    assert 20.0 * math.log10(rms / 3e-3) == pytest.approx(0.0, abs=0.2)
    assert Car(truth, 1).ac_volts_rms(Point("source"), None) == pytest.approx(3e-3, rel=1e-6)


def test_noise_is_the_same_at_every_volume_and_passes_the_amplifier(ideal: Ideal) -> None:
    truth = ideal(
        source__noise_millivolts=3.0,
        source__output="line",
        amplifier__lowpass_hz=100.0,
        amplifier__slope_db_per_octave=24,
        interface__full_scale_volts_peak=1.0,
    )
    for volume in (0, 40):
        assert hear(truth, None, seconds=2.0, volume=volume).std() == pytest.approx(
            3e-3 * math.sqrt(24_000 / 19_980), rel=0.03
        )
    car = Car(truth, 1)
    car.amplifier("bass").turn(40.0)
    terminal = Point("channel", "positive", "bass")
    car.touch("A", terminal)
    car.render(RATE)
    x = np.concatenate([car.render(4800)[:, 0] for _ in range(400)])
    # Noise bandwidth of a Butterworth low-pass: corner * (pi/2n) / sin(pi/2n) (any textbook).
    bandwidth_hz = 100.0 * (math.pi / 8.0) / math.sin(math.pi / 8.0)
    expected = 100.0 * 3e-3 * math.sqrt(bandwidth_hz / 19_980)
    assert x.std() == pytest.approx(expected, rel=0.03)
    below_20_hz = math.sqrt((bandwidth_hz - 20.0) / bandwidth_hz)
    assert car.ac_volts_rms(terminal, None) == pytest.approx(expected * below_20_hz, rel=0.01)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_lines_at_multiples_of_mains(line: Ideal, harmonics: Fit, mains_hz: float) -> None:
    truth = line(
        source__hum_millivolts=20.0, source__hum_hz=mains_hz, interface__full_scale_volts_peak=0.2
    )
    x = hear(truth, None)
    lines = np.abs(harmonics(x, mains_hz, RATE, 8)[1:])
    assert x.std() == pytest.approx(20e-3, rel=1e-4)
    np.testing.assert_allclose(lines[1:5] / lines[0], [0.6, 0.4, 0.15, 0.2], rtol=1e-3)
    assert lines[5:].max() < 1e-6
    assert Car(truth, 1).ac_volts_rms(Point("source"), None) == pytest.approx(20e-3, rel=1e-6)


def test_whine_moves_with_the_engine(line: Ideal, harmonics: Fit) -> None:
    truth = line(source__alternator_millivolts=20.0, interface__full_scale_volts_peak=0.2)
    car = Car(truth, 1)
    car.touch("A", Point("source"))
    assert np.abs(car.render(RATE)).max() < 1e-7
    rms = []
    for rpm, base_hz in ((None, 800 * 0.27), (1600.0, 1600 * 0.27), (2345.0, 2345 * 0.27)):
        car.engine_runs = True
        car.revs_rpm = rpm
        car.render(2400)
        x = car.render(RATE)[:, 0] * 0.2
        fitted = np.abs(harmonics(x, base_hz, RATE, 12)[1:])
        for number, size in WHINE_PARTS.items():
            assert fitted[number - 1] / fitted[5] == pytest.approx(size, rel=1e-3)
        rms.append(x.std())
        assert car.ac_volts_rms(Point("source"), None) == pytest.approx(20e-3, rel=1e-6)
    np.testing.assert_allclose(rms, 20e-3, rtol=1e-3)
    before = car.render(960)[-1, 0]
    car.revs_rpm = 900.0
    after = car.render(960)[0, 0]
    highest_hz = 12 * 2345 * 0.27
    assert abs(after - before) * 0.2 < 2.0 * math.pi * highest_hz / RATE * 60e-3
    car.engine_runs = False
    car.render(9600)
    assert np.abs(car.render(4800)[100:]).max() < 1e-7


@pytest.mark.parametrize("delay_ms", [0.25, 3.0, 71.234567])
def test_delay_is_exact(line: Ideal, harmonics: Fit, tone: Tone, delay_ms: float) -> None:
    """The phase of a tone is -2 pi f delay (any textbook); noise shifts by whole frames."""
    for frequency_hz in (43.0, 1997.0):
        now, later = (
            harmonics(hear(line(source__delay_ms=ms), tone(frequency_hz)), frequency_hz, RATE, 1)[1]
            for ms in (0.0, delay_ms)
        )
        turned = np.angle(later / now * np.exp(2j * np.pi * frequency_hz * delay_ms * 1e-3))
        assert turned == pytest.approx(0.0, abs=2e-6)
    frames = round(delay_ms * 48)
    noise = pink_noise("noise", "a test", -20.0)
    now, later = (hear(line(source__delay_ms=ms), noise) for ms in (0.0, frames / 48.0))
    np.testing.assert_allclose(later[frames:], now[: len(now) - frames], atol=1e-5)


def test_delayed_sounds_end_late(line: Ideal, tone: Tone) -> None:
    car = Car(line(source__delay_ms=200.0), 1)
    car.touch("A", Point("source"))
    car.player.play_track(tone(997.0), 0)
    car.render(RATE)
    car.player.play_track(None, car.frame)
    assert np.abs(car.render(round(0.15 * RATE))[-480:]).max() > 0.5
    assert np.abs(car.render(round(0.15 * RATE))[-480:]).max() < 1e-6


def coded(channels: int) -> ChannelSignals:
    """A tone of its own for each channel: 101 Hz, 202 Hz, ..."""
    parts = tuple(
        Signal("one", "a test", (Component(101.0 * n, 0.5, 0.3 * n),))
        for n in range(1, channels + 1)
    )
    return ChannelSignals("coded", "a test", LAYOUTS[channels], parts)


@pytest.mark.parametrize(
    ("mix", "channels", "expected"),
    [
        ((("left", 1.0),), 2, [1, 0]),
        ((("right", 1.0),), 2, [0, 1]),
        ((("left", 0.6), ("right", -0.4)), 2, [0.6, 0.4]),
        ((("rear-right", 1.0),), 4, [0, 0, 0, 1]),
        ((("rear-right", 1.0),), 2, [0, 1]),
        ((("left", 1.0),), 4, [1, 0, 0, 0]),
        ((("low", 1.0),), 2, [0.5, 0.5]),
        ((("low", 1.0),), 6, [0, 0, 0, 1, 0, 0]),
    ],
)
def test_a_tap_carries_its_channels(
    line: Ideal, harmonics: Fit, mix: Any, channels: int, expected: list[float]
) -> None:
    found = harmonics(hear(line(source__channels=mix), coded(channels)), 101.0, RATE, channels)[1:]
    np.testing.assert_allclose(
        np.abs(found) / (5.0 * math.sqrt(2.0)), expected, atol=1e-5, rtol=1e-5
    )


def test_a_tone_on_all_channels_is_as_loud_on_any_tap(line: Ideal, tone: Tone) -> None:
    for mix in ((("left", 1.0),), (("left", 2 / 3), ("right", 1 / 3)), (("low", 1.0),)):
        x = hear(line(source__channels=mix), tone(101.0))
        assert x.std() == pytest.approx(10.0, rel=1e-4)


def test_two_taps_at_once(ideal: Ideal, harmonics: Fit) -> None:
    rear = TapTruth("rear", (("right", 1.0),), -6.0, 4.0, "reversed")
    truth = ideal(
        source__output="line",
        source__volts_rms_at_max=10.0,
        source__taps=(rear,),
        source__delay_ms=1.0,
        interface__full_scale_volts_peak=20.0,
    )
    both = Signal("tone", "a test", (Component(101.0, 1.0, 0.0),))
    car = Car(truth, 1)
    car.touch("A", Point("source"))
    car.touch("B", Point("source", "positive", "rear"))
    car.player.play_track(both, 0)
    car.render(RATE)
    x = car.render(RATE) * 20.0
    main, other = (harmonics(x[:, n], 101.0, RATE, 1)[1] for n in (0, 1))
    expected = -(10.0 ** (-6.0 / 20.0)) * np.exp(-2j * np.pi * 101.0 * 3e-3)
    assert other / main == pytest.approx(expected, abs=1e-5)
    levels = [car.ac_volts_rms(Point("source", "positive", name), None) for name in (None, "rear")]
    np.testing.assert_allclose(levels, [10.0, 10.0 * 10.0 ** (-0.3)], rtol=1e-6)
    with pytest.raises(Exception, match="no tap 'front' beside"):
        car.touch("B", Point("source", "positive", "front"))


def test_anything_playable_comes_out_as_it_is(line: Ideal) -> None:
    """Where nothing is in the way the tap carries the signal itself, late by the filter."""
    tone = Signal("tone", "a test", (Component(1000.0, 0.5, 0.0),))
    for signal in (
        pink_noise("noise", "a test", -20.0),
        response_tones("response", "a test", -6.0),
        SteppedTone(tone, 0.2, 0.1, -20.0, 0.02),
    ):
        car = Car(line(), 1)
        car.touch("A", Point("source"))
        car.volume = 40
        car.player.play_track(signal, 0)
        x = np.concatenate([car.render(1000)[:, 0] for _ in range(20)]) * 20.0
        # A symmetric filter of n taps is late by (n - 1) / 2; it ends with a frame's last sample.
        late = 0.5 * (ROWS * car._factor - 1) / car._factor - (car._factor - 1) / car._factor
        expected = 10.0 * math.sqrt(2.0) * signal.at((np.arange(2000, 20_000) - late) / RATE)
        # What is left is the interpolation in the table of the noise.
        assert (x[2000:] - expected).std() < 3e-4 * expected.std(), signal.name
        assert signal.highest_hz > 0.0


def test_samples_do_not_depend_on_the_blocks(line: Ideal) -> None:
    rear = TapTruth("rear", (("right", 1.0),), 0.0, 2.0, "normal")
    truth = line(
        source__highpass_hz=60.0,
        source__equaliser=((100.0, 6.0, 1.0),),
        source__bass_withdrawn_db_at_max=9.0,
        source__limiter_volts_rms=4.0,
        source__noise_millivolts=30.0,
        source__hum_millivolts=30.0,
        source__alternator_millivolts=30.0,
        source__delay_ms=3.3,
        source__taps=(rear,),
        amplifier__lowpass_hz=200.0,
        amplifier__subsonic_hz=20.0,
        amplifier__slope_db_per_octave=24,
        amplifier__tap="rear",
    )

    def run(blocks: list[int]) -> np.ndarray:
        car = Car(truth, 7)
        car.engine_runs = True
        car.player.play_track(coded(2), 0)
        car.touch("A", Point("channel", "positive", "bass"))
        car.touch("B", Point("source"))
        car.render(500)
        return np.concatenate([car.render(frames) for frames in blocks])

    whole = run([6000])
    for blocks in ([1024] * 5 + [880], [1, 71, 72, 73, 5783]):
        np.testing.assert_allclose(run(blocks), whole, atol=3.01 * 2.0**-23)


def test_mute_and_track_level(line: Ideal, tone: Tone) -> None:
    from levelset.simulation.levers import CarLevers

    car = Car(line(), 1)
    levers = CarLevers(car)
    levers.play_track(tone(997.0), -20.0)
    levers.touch("A", Point("source"))
    car.render(RATE)
    assert car.render(RATE)[:, 0].std() * 20.0 == pytest.approx(1.0, rel=1e-4)
    levers.mute(True)
    car.render(4800)
    assert np.abs(car.render(4800)[100:]).max() < 1e-6
    assert levers.meter_ac_volts(Point("source"), None) == pytest.approx(0.0, abs=0.03)


def test_settling_time_is_long_enough() -> None:
    """The slowest pole of a Butterworth filter of 4th order: Q 1.3066 (any filter table)."""
    sections = crossover("high_pass", 20.0, 4, "butterworth")
    expected = math.log(1e6) / (2.0 * math.pi * 20.0 / (2.0 * 1.30656))
    assert settle_s(sections) == pytest.approx(expected, rel=1e-4)
    assert abs(response(sections, np.array([20.0]))[0]) == pytest.approx(math.sqrt(0.5))
