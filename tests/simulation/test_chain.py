"""The simulated car against closed forms, read by an independent fit of its codes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from levelset.errors import UsageError
from levelset.ports.base import Point
from levelset.signals.signal import Component, Signal
from levelset.simulation.car import CarTruth
from levelset.simulation.chain import Car
from levelset.simulation.sines import sines_of, sum_of_sines

FULL_SCALE_V = 200.0
RATE = 48_000

Ideal = Callable[..., CarTruth]
Listen = Callable[..., np.ndarray]
Fit = Callable[..., np.ndarray]


def clipped_sine(overdrive_db: float, count: int) -> np.ndarray:
    """Return the harmonics of a sine clipped at +-1, peak values, index 0 = fundamental.

    Fourier series of ``max(-1, min(1, A sin x))`` with ``A sin t = 1``: integration by parts
    gives b_n = 2/pi (A sin((n-1) t)/(n-1) - A sin((n+1) t)/(n+1) + 2 cos(n t)/n), n odd, where
    sin(0)/0 stands for t (closed form; any text on Fourier series).
    """
    size = 10.0 ** (overdrive_db / 20.0)
    t = np.arcsin(1.0 / size)
    found = []
    for n in range(1, count + 1):
        if n % 2 == 0:
            found.append(0.0)
            continue
        first = t if n == 1 else np.sin((n - 1) * t) / (n - 1)
        second = np.sin((n + 1) * t) / (n + 1)
        found.append(2.0 / np.pi * (size * (first - second) + 2.0 * np.cos(n * t) / n))
    return np.array(found)


def test_legs_and_pair_of_a_bridged_source(ideal: Ideal, listen: Listen, harmonics: Fit) -> None:
    truth = ideal(
        source__volts_rms_at_max=5.0, source__bias_volts=6.2, source__offset_millivolts=30.0
    )
    codes = listen(truth, 100.3) * FULL_SCALE_V
    a, b = (harmonics(codes[:, n], 100.3, RATE, 1) for n in (0, 1))
    assert abs(a[1]) == pytest.approx(2.5 * np.sqrt(2.0), rel=1e-5)
    assert b[1] / a[1] == pytest.approx(-1.0, abs=1e-5)
    assert a[0].real == pytest.approx(6.215, abs=1e-4)
    assert b[0].real == pytest.approx(6.185, abs=1e-4)


@pytest.mark.parametrize("kind", ["grounded", "line"])
def test_a_single_ended_source_leaves_tip_b_silent(
    ideal: Ideal, listen: Listen, harmonics: Fit, kind: str
) -> None:
    truth = ideal(source__output=kind, source__offset_millivolts=30.0, source__bias_volts=6.0)
    codes = listen(truth, 100.3) * FULL_SCALE_V
    fitted = harmonics(codes[:, 0], 100.3, RATE, 1)
    assert abs(fitted[1]) == pytest.approx(np.sqrt(2.0), rel=1e-5)
    assert fitted[0].real == pytest.approx(0.03, abs=1e-4)
    assert np.all(codes[:, 1] == 0.0)


@pytest.mark.parametrize("kind", ["grounded", "bridged"])
def test_terminals_of_an_amplifier(ideal: Ideal, listen: Listen, harmonics: Fit, kind: str) -> None:
    truth = ideal(amplifier__output=kind, amplifier__output_offset_millivolts=40.0)
    codes = listen(truth, 100.3, at="channel", gain_db=20.0) * FULL_SCALE_V
    a, b = (harmonics(codes[:, n], 100.3, RATE, 1) for n in (0, 1))
    assert abs(a[1] - b[1]) == pytest.approx(10.0 * np.sqrt(2.0), rel=1e-5)
    assert (a[0] - b[0]).real == pytest.approx(0.04, abs=1e-4)
    assert abs(b[1]) == pytest.approx(5.0 * np.sqrt(2.0) if kind == "bridged" else 0.0, rel=1e-5)


def test_source_bias_does_not_reach_the_amplifier(
    ideal: Ideal, listen: Listen, harmonics: Fit
) -> None:
    truth = ideal(source__bias_volts=6.0, source__offset_millivolts=500.0)
    codes = listen(truth, 100.3, at="channel", gain_db=30.0)
    assert abs(harmonics(codes[:, 0], 100.3, RATE, 1)[0]) * FULL_SCALE_V < 1e-4


@pytest.mark.parametrize("overdrive_db", [0.05, 0.25, 1.0, 3.0, 12.0])
@pytest.mark.parametrize("at", ["source", "channel"])
def test_a_clipped_sine_has_its_closed_form(
    ideal: Ideal, listen: Listen, harmonics: Fit, overdrive_db: float, at: str
) -> None:
    size = 10.0 ** (overdrive_db / 20.0)
    if at == "source":
        truth = ideal(
            source__clip_volts_peak=50.0, source__volts_rms_at_max=50.0 * size / np.sqrt(2.0)
        )
    else:
        truth = ideal(
            amplifier__rail_volts_peak=50.0,
            amplifier__output="bridged",
            source__volts_rms_at_max=5.0 * size / np.sqrt(2.0),
        )
    codes = listen(truth, 97.03, at=at, gain_db=20.0, seconds=0.5)
    fitted = harmonics((codes[:, 0] - codes[:, 1]) * FULL_SCALE_V, 97.03, RATE, 200)
    expected = clipped_sine(overdrive_db, 200)
    found = np.abs(fitted[1:]) / 50.0
    np.testing.assert_allclose(found, np.abs(expected), atol=3e-6)
    thd, true_thd = (np.linalg.norm(h[1:40]) / h[0] for h in (found, np.abs(expected)))
    assert thd == pytest.approx(true_thd, rel=2e-4, abs=1e-6)


def test_both_stages_clip_at_their_own_limits(ideal: Ideal, listen: Listen) -> None:
    truth = ideal(
        source__volts_rms_at_max=20.0,
        source__clip_volts_peak=10.0,
        source__thd_percent=0.1,
        amplifier__thd_percent=0.1,
        amplifier__rail_volts_peak=15.0,
    )
    for at, top in (("source", 10.0), ("channel", 15.0)):
        codes = listen(truth, 50.0, at=at, gain_db=20.0, seconds=0.2) * FULL_SCALE_V
        pair = codes[:, 0] - codes[:, 1]
        # The band limit makes the tops ripple, so the flat part is looked at in its middle.
        assert np.median(pair[pair > 0.9 * top]) == pytest.approx(top, rel=1e-4)
        assert np.median(pair[pair < -0.9 * top]) == pytest.approx(-top, rel=1e-4)


@pytest.mark.parametrize("thd_percent", [0.05, 1.0])
def test_stated_distortion_where_it_just_does_not_clip(
    ideal: Ideal, listen: Listen, harmonics: Fit, thd_percent: float
) -> None:
    truth = ideal(
        source__clip_volts_peak=50.0,
        source__volts_rms_at_max=50.0 / np.sqrt(2.0),
        source__thd_percent=thd_percent,
    )
    codes = listen(truth, 97.03)
    fitted = np.abs(harmonics(codes[:, 0] - codes[:, 1], 97.03, RATE, 12)[1:])
    assert 100.0 * np.linalg.norm(fitted[1:]) / fitted[0] == pytest.approx(thd_percent, rel=1e-3)
    assert fitted[0] * FULL_SCALE_V == pytest.approx(50.0, rel=0.015 * thd_percent)


def test_soft_knee_in_the_whole_chain(ideal: Ideal, listen: Listen, harmonics: Fit) -> None:
    """Against the Fourier sum of the documented curve over one finely sampled period."""
    truth = ideal(
        amplifier__rail_volts_peak=50.0,
        amplifier__soft_knee=0.4,
        source__volts_rms_at_max=5.5 / np.sqrt(2.0),
    )
    codes = listen(truth, 97.03, at="channel", gain_db=20.0)
    found = np.abs(harmonics(codes[:, 0] * FULL_SCALE_V, 97.03, RATE, 30)[1:])
    u = 1.1 * np.sin(2.0 * np.pi * np.arange(1 << 14) / (1 << 14))
    curve = np.where(
        np.abs(u) <= 0.6, u, np.sign(u) * (0.6 + 0.4 * np.tanh((np.abs(u) - 0.6) / 0.4))
    )
    expected = 50.0 * 2.0 * np.abs(np.fft.rfft(curve)[1:31]) / len(curve)
    np.testing.assert_allclose(found, expected, atol=1e-4)


@pytest.mark.parametrize(
    ("rate", "frequency"), [(44_100, 50.013), (44_100, 997.0), (48_000, 499.13), (48_000, 997.0)]
)
@pytest.mark.parametrize("overdrive_db", [1.0, 6.0, 20.0])
def test_aliases_stay_below_105_db(
    ideal: Ideal, listen: Listen, rate: int, frequency: float, overdrive_db: float
) -> None:
    truth = ideal(
        interface__rate_hz=rate,
        source__clip_volts_peak=150.0,
        source__volts_rms_at_max=150.0 * 10.0 ** (overdrive_db / 20.0) / np.sqrt(2.0),
    )
    codes = listen(truth, frequency)
    pair = codes[:, 0] - codes[:, 1]
    # A Kaiser window of this shape has sidelobes below -130 dB beyond 15 bins.
    spectrum = np.abs(np.fft.rfft(pair * np.kaiser(len(pair), 18.0)))
    bins = np.fft.rfftfreq(len(pair), 1.0 / rate)
    off = np.abs(bins / frequency - np.round(bins / frequency)) * frequency
    aliases = spectrum[(off > 15.0 * rate / len(pair)) & (bins > 20.0) & (bins < 0.45 * rate)]
    assert 20.0 * np.log10(aliases.max() / spectrum.max()) < -105.0


@pytest.mark.parametrize("poles", [(2.1,), (2.1, 0.9), (8.0, 8.0), (9.7, 3.0)])
@pytest.mark.parametrize("frequency", [20.7, 97.03, 997.0])
def test_coupling_is_a_product_of_high_passes(
    ideal: Ideal, listen: Listen, harmonics: Fit, poles: tuple[float, ...], frequency: float
) -> None:
    """|H| = product of f / sqrt(f^2 + pole^2) (first-order high-pass, any textbook)."""
    truth = ideal(interface__coupling_hz=poles, source__volts_rms_at_max=60.0)
    codes = listen(truth, frequency, settle_s=3.0)
    found = abs(harmonics(codes[:, 0], frequency, RATE, 1)[1]) * FULL_SCALE_V
    expected = 30.0 * np.sqrt(2.0)
    for pole in poles:
        expected *= frequency / np.hypot(frequency, pole)
    assert found == pytest.approx(expected, rel=1e-5)


def test_touching_a_biased_leg_is_a_decaying_step(ideal: Ideal) -> None:
    """One pole answers a step with exp(-2 pi f t) (any textbook)."""
    truth = ideal(source__bias_volts=6.0, interface__coupling_hz=(5.0,))
    car = Car(truth, 1)
    car.engine_runs = True
    assert np.all(car.render(500) == 0.0)
    car.touch("A", Point("source", "positive"))
    step = car.render(9600)[:, 0] * FULL_SCALE_V
    time_s = np.arange(len(step)) / RATE
    np.testing.assert_allclose(step, 6.0 * np.exp(-2.0 * np.pi * 5.0 * time_s), atol=0.01)


def test_pass_band_is_flat(ideal: Ideal, listen: Listen, harmonics: Fit) -> None:
    truth = ideal(source__volts_rms_at_max=60.0)
    for frequency in (31.0, 1000.3, 10_007.0, 20_159.0):
        found = abs(harmonics(listen(truth, frequency)[:, 0], frequency, RATE, 1)[1])
        assert 20.0 * np.log10(found * FULL_SCALE_V / (30.0 * np.sqrt(2.0))) == pytest.approx(
            0.0, abs=0.001
        )


@pytest.mark.parametrize("bits", [16, 24])
def test_codes_are_whole_and_saturate(ideal: Ideal, listen: Listen, bits: int) -> None:
    truth = ideal(
        interface__bits=bits, interface__full_scale_volts_peak=1.0, source__volts_rms_at_max=2.0
    )
    codes = listen(truth, 97.03)
    whole = codes * 2.0 ** (bits - 1)
    assert np.all(whole == np.round(whole))
    assert codes.min() == -1.0
    assert codes.max() == 1.0 - 2.0 ** -(bits - 1)


def test_quantisation_noise_is_that_of_rounding(
    ideal: Ideal, listen: Listen, harmonics: Fit
) -> None:
    """Rounding leaves step / sqrt 12 (uniform distribution; any text on quantisation)."""
    truth = ideal(interface__bits=12, source__volts_rms_at_max=131.0, source__clip_volts_peak=300.0)
    codes = listen(truth, 97.03)[:, 0]
    fitted = harmonics(codes, 97.03, RATE, 1)
    angle = 2.0 * np.pi * 97.03 / RATE * np.arange(len(codes))
    rest = codes - fitted[0].real - (fitted[1] * np.exp(1j * angle)).real
    assert rest.std() == pytest.approx(2.0**-11 / np.sqrt(12.0), rel=0.05)


@pytest.mark.parametrize("clock_ppm", [-300.0, 35.0])
def test_the_tone_is_off_by_the_clock(
    ideal: Ideal, listen: Listen, harmonics: Fit, clock_ppm: float
) -> None:
    truth = ideal(interface__clock_ppm=clock_ppm, source__volts_rms_at_max=60.0)
    codes = listen(truth, 1000.0, seconds=2.0)[:, 0]
    half = len(codes) // 2
    turned = [
        np.angle(harmonics(part, 1000.0, RATE, 1)[1]) for part in (codes[:half], codes[half:])
    ]
    periods = half * 1000.0 / RATE
    drift = np.angle(np.exp(1j * (turned[1] - turned[0] - 2.0 * np.pi * periods)))
    assert drift / (2.0 * np.pi) / (half / RATE) / 1000.0 == pytest.approx(
        clock_ppm * 1e-6, abs=1e-7
    )


def test_levelsets_own_output_has_the_interfaces_clock(
    ideal: Ideal, tone: Callable[..., Signal], harmonics: Fit
) -> None:
    car = Car(ideal(interface__clock_ppm=300.0, source__volts_rms_at_max=60.0), 1)
    car.touch("A", Point("source"))
    car.player.play_aux(tone(1000.0), 0.5, 0, 0.01)
    codes = np.concatenate([car.render(4800) for _ in range(20)])[4800:, 0]
    rest = codes - codes.mean()
    fitted = harmonics(codes, 1000.0, RATE, 1)
    assert abs(fitted[1]) * FULL_SCALE_V == pytest.approx(0.5 * 30.0 * np.sqrt(2.0), rel=1e-5)
    assert np.var(rest) == pytest.approx(abs(fitted[1]) ** 2 / 2.0, rel=1e-6)


def test_noise_levels(ideal: Ideal, listen: Listen) -> None:
    """AES17: the RMS of noise at -60 dBFS is that of a sine of 0.001 full scale, 0.001/sqrt 2."""
    codes = listen(ideal(interface__noise_dbfs=-60.0), 97.03, at="open")
    for column in codes.T:
        assert column.std() == pytest.approx(1e-3 / np.sqrt(2.0), rel=0.02)
    assert abs(np.corrcoef(codes.T)[0, 1]) < 0.02

    truth = ideal(amplifier__noise_millivolts=500.0, amplifier__output="bridged")
    car = Car(truth, 3)
    car.touch("A", Point("channel", "positive", "bass"))
    car.touch("B", Point("channel", "negative", "bass"))
    codes = car.render(RATE) * FULL_SCALE_V
    assert (codes[:, 0] - codes[:, 1]).std() == pytest.approx(0.5, rel=0.02)
    np.testing.assert_allclose(codes[:, 0], -codes[:, 1], atol=1e-4)


def test_probe_divides_and_tip_b_differs(ideal: Ideal, listen: Listen, harmonics: Fit) -> None:
    truth = ideal(
        probe__divider=100.0,
        probe__mismatch_percent=-0.7,
        interface__full_scale_volts_peak=1.5,
        source__volts_rms_at_max=60.0,
    )
    codes = listen(truth, 97.03)
    a, b = (harmonics(codes[:, n], 97.03, RATE, 1)[1] for n in (0, 1))
    assert abs(a) == pytest.approx(30.0 * np.sqrt(2.0) / 150.0, rel=1e-5)
    assert -b / a == pytest.approx(0.993, abs=1e-6)


def test_one_channel_has_tip_a_only(ideal: Ideal) -> None:
    assert Car(ideal(interface__channels=1), 1).render(64).shape == (64, 1)


def test_open_tips_and_battery(ideal: Ideal) -> None:
    car = Car(ideal(), 1)
    car.engine_runs = True
    assert np.all(car.render(100) == 0.0)
    car.touch("A", Point("battery", "positive"))
    car.touch("B", Point("battery", "negative"))
    np.testing.assert_allclose(car.render(100) * FULL_SCALE_V, [[14.2, 0.0]] * 100, atol=1e-4)


def test_volume_steps_are_exact(ideal: Ideal, harmonics: Fit, tone: Callable[..., Signal]) -> None:
    car = Car(ideal(source__output="line", source__volts_rms_at_max=60.0), 1)
    car.player.play_track(tone(997.0), 0)
    car.touch("A", Point("source"))
    levels = []
    for volume in (40, 39, 30):
        car.volume = volume
        car.render(4800)
        car.render(480)
        levels.append(abs(harmonics(car.render(9600)[:, 0], 997.0, RATE, 1)[1]))
    steps = 20.0 * np.log10(np.array(levels) * FULL_SCALE_V / np.sqrt(2.0) / 60.0)
    np.testing.assert_allclose(steps, [0.0, -1.5, -15.0], atol=1e-4)


def test_a_lever_moves_the_level_without_a_jump(ideal: Ideal, tone: Callable[..., Signal]) -> None:
    car = Car(ideal(amplifier__gain_db=(0.0, 40.0), source__volts_rms_at_max=1.0), 1)
    car.player.play_track(tone(100.0), 0)
    car.touch("A", Point("channel", "positive", "bass"))
    before = [car.render(1024) for _ in range(4)][-1]
    car.amplifier("bass").turn(20.0)
    after = [car.render(1024) for _ in range(3)]
    codes = np.concatenate((before, *after))[:, 0] * FULL_SCALE_V
    steepest = 2.0 * np.pi * 100.0 / RATE * 10.0 * np.sqrt(2.0)
    assert np.abs(np.diff(codes)).max() < 1.1 * steepest
    assert codes[-1024:].max() == pytest.approx(10.0 * np.sqrt(2.0), rel=1e-3)


@pytest.mark.parametrize(("regulated", "expected"), [(False, 12.5 / 14.2), (True, 1.0)])
def test_rails_follow_the_supply(
    ideal: Ideal, listen: Listen, regulated: bool, expected: float
) -> None:
    truth = ideal(
        amplifier__rail_volts_peak=30.0,
        amplifier__regulated=regulated,
        source__volts_rms_at_max=20.0,
    )
    codes = listen(truth, 50.0, at="channel", gain_db=30.0, engine=False, seconds=0.2)
    top = codes[:, 0] * FULL_SCALE_V
    assert np.median(top[top > 20.0]) == pytest.approx(30.0 * expected, rel=1e-4)


def test_input_clipping_and_polarity(ideal: Ideal, listen: Listen, harmonics: Fit) -> None:
    truth = ideal(amplifier__input_clip_volts_peak=2.0, source__volts_rms_at_max=10.0)
    codes = listen(truth, 50.0, at="channel", gain_db=20.0, seconds=0.2)[:, 0] * FULL_SCALE_V
    assert np.median(codes[codes > 15.0]) == pytest.approx(20.0, rel=1e-4)
    plain = harmonics(listen(ideal(), 97.03, at="channel", gain_db=20.0)[:, 0], 97.03, RATE, 1)[1]
    for change in ({"amplifier__polarity": "reversed"}, {"source__polarity": "reversed"}):
        codes = listen(ideal(**change), 97.03, at="channel", gain_db=20.0)[:, 0]
        assert harmonics(codes, 97.03, RATE, 1)[1] / plain == pytest.approx(-1.0, abs=1e-4)


def test_a_channel_that_is_not_there(ideal: Ideal) -> None:
    with pytest.raises(UsageError, match="no channel 'front'"):
        Car(ideal(), 1).touch("A", Point("channel", "positive", "front"))


def test_samples_do_not_depend_on_the_blocks(ideal: Ideal, tone: Callable[..., Signal]) -> None:
    truth = ideal(
        source__volts_rms_at_max=9.0,
        source__clip_volts_peak=10.0,
        source__bias_volts=6.0,
        amplifier__rail_volts_peak=20.0,
        amplifier__soft_knee=0.2,
        amplifier__noise_millivolts=3.0,
        interface__coupling_hz=(2.1, 0.9),
        interface__noise_dbfs=-90.0,
    )

    def run(blocks: list[int]) -> np.ndarray:
        car = Car(truth, 7)
        car.player.play_track(tone(315.7), 0)
        car.player.play_aux(tone(41.3), 0.1, 0, 0.05)
        car.player.lease_aux(0, 3000)
        car.touch("A", Point("channel", "positive", "bass"))
        car.touch("B", Point("source", "negative"))
        return np.concatenate([car.render(frames) for frames in blocks])

    whole = run([6000])
    for blocks in ([1024] * 5 + [880], [1, 71, 72, 73, 5783], [100] * 60):
        # Sums of other lengths differ in the last place: at most one code here and there.
        np.testing.assert_allclose(run(blocks), whole, atol=1.01 * 2.0**-23)
        assert np.mean(run(blocks) != whole) < 1e-3


@pytest.mark.parametrize("frames", [1, 50, 1024])
def test_sines_are_those_of_the_signal(frames: int) -> None:
    parts = (Component(43.0, 0.5, 0.1), Component(997.0, 0.25, -2.0))
    for signal in (Signal("one", "a test", parts[:1]), Signal("two", "a test", parts)):
        start = 1234.5 * RATE + 0.25
        rows = sum_of_sines(sines_of(signal.components), start, 1.0 / RATE, frames, 8)
        times = (start + np.arange(frames * 8) / 8.0) / RATE
        assert rows.shape == (frames, 8)
        np.testing.assert_allclose(rows.ravel(), signal.at(times), atol=1e-9)
