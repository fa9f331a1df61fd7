"""Channel and polarity from the probe alone. The long campaign is a benchmark script."""

import numpy as np
import pytest

from levelset.analysis.minimum_phase import minimum_phase
from levelset.analysis.periodic import Heard, KnownLines, hear
from levelset.analysis.which_wire import read_wire
from levelset.signals.which_wire import wire_codes
from tests.analysis.sources import Source, butterworth, linkwitz_riley, waves
from tests.benchmarks.random_sources import tell_wire

RATE = 48_000.0
NAMES = ("left", "right")
CODES = dict(zip(NAMES, wire_codes(NAMES, -6.0), strict=True))
KNOWN = {name: KnownLines.of(code.period_s, code.sines) for name, code in CODES.items()}
FRAMES = int(4.02 * RATE)


def through(name, source, ppm=0.0, start_s=0.3):
    sines = CODES[name].sines
    gains = source.transfer(np.array(sines)[:, 0])
    return waves(sines, gains, RATE, FRAMES, ppm, start_s)


def noise(seed, rms):
    return rms * np.random.default_rng(seed).standard_normal(FRAMES)


@pytest.mark.parametrize("seed", range(7000, 7008))
def test_random_wires_are_never_told_wrong(seed):
    told = tell_wire(seed)
    assert not told.verdict.startswith("WRONG"), told
    if told.snr_db > 30.0:
        assert told.verdict == "right", told


def test_both_ways_round_are_exact_opposites():
    for sign, polarity in ((1.0, "normal"), (-1.0, "reversed")):
        reading = read_wire(through("right", Source(sign=sign, gain_db=-40.0), 120.0), RATE, KNOWN)
        assert (reading.channel, reading.polarity) == ("right", polarity)
        assert reading.polarity_margin > 0.4
        assert reading.lead_db > 60.0
        assert abs(reading.clock_ppm.value - 120.0) < 0.05
        (part,) = reading.parts
        # Level by the closed form: the code's level less 40 dB.
        assert part.level_dbfs.value == pytest.approx(CODES["right"].level_dbfs - 40.0, abs=0.01)


def test_an_equal_sum_of_both_is_no_channel_but_both_parts():
    x = through("left", Source()) + through("right", Source(sign=-1.0, delay_s=0.004))
    reading = read_wire(x + noise(1, 1e-4), RATE, KNOWN)
    assert reading.channel is None
    assert reading.polarity == "cannot_tell"
    assert {part.channel: part.polarity for part in reading.parts} == {
        "left": "normal",
        "right": "reversed",
    }


def test_distortion_is_no_second_channel():
    """Clipped by a half, the products fall on the other channel's lines with chance phases."""
    x = through("left", Source())
    reading = read_wire(np.clip(x, -0.5 * x.max(), 0.5 * x.max()) + noise(2, 1e-5), RATE, KNOWN)
    assert reading.channel == "left"
    assert [part.channel for part in reading.parts] == ["left"]


@pytest.mark.parametrize("seed", range(4))
def test_noise_and_other_sounds_carry_no_channel(seed):
    draw = np.random.default_rng(seed)
    t = np.arange(FRAMES) / RATE
    x = draw.standard_normal(FRAMES) * 0.01
    if seed % 2:
        for k in range(1, 30):
            x += 0.1 / k * np.sin(2 * np.pi * 50.03 * k * t + k)
    if seed % 4 > 1:
        x += 0.3 * np.sin(2 * np.pi * 220.7 * t) * np.exp(-t)
    reading = read_wire(x, RATE, KNOWN)
    assert reading.void is not None
    assert reading.void.code == "no_tone"
    assert reading.channel is None


def test_a_level_that_moves_is_void():
    x = through("left", Source())
    x[FRAMES // 2 :] *= 0.8
    assert read_wire(x, RATE, KNOWN).void.code == "unsteady"


def test_short_and_silent_stretches_are_void():
    x = through("left", Source())
    assert read_wire(x[: int(3.9 * RATE)], RATE, KNOWN).void.code == "too_short"
    assert read_wire(0.0 * x, RATE, KNOWN).void.code == "silent_input"


def test_codes_of_different_periods_are_refused():
    other = wire_codes(tuple("abcd"), -6.0)[0]
    with pytest.raises(ValueError):
        read_wire(np.zeros(FRAMES), RATE, KNOWN | {"a": KnownLines.of(other.period_s, other.sines)})
    with pytest.raises(ValueError):
        read_wire(np.zeros(FRAMES), RATE, {})
    with pytest.raises(ValueError):
        KnownLines.of(1.0, [(20.5, 1.0, 0.0)])


@pytest.mark.parametrize("rate", [44_100.0, 48_000.0])
@pytest.mark.parametrize("ppm", [-600.0, 3.3, 480.0])
def test_the_players_clock_and_the_noise_are_found(rate, ppm):
    known = KNOWN["left"]
    frames = int(4.02 * rate)
    x = waves(CODES["left"].sines, np.ones(known.number.size), rate, frames, ppm, 1.234)
    sigma = 0.01 * np.std(x)
    x = x + sigma * np.random.default_rng(3).standard_normal(frames)
    heard = hear(x, rate, known)
    assert isinstance(heard, Heard)
    assert abs(heard.clock_ppm.value - ppm) < heard.clock_ppm.u + 0.01
    assert heard.clock_ppm.u < 0.1
    # White noise in a Hann window: the mean square of an amplitude is 6 sigma**2 / N.
    expected = 6.0 * sigma**2 / (heard.periods * known.period_s * rate)
    assert np.median(heard.noise_power(known.number)) == pytest.approx(expected, rel=0.1)
    size = np.abs(heard.phasors(known.number)) / known.amplitude_fs
    assert np.abs(20 * np.log10(size)).max() < 0.1


@pytest.mark.parametrize("make", [butterworth, linkwitz_riley])
@pytest.mark.parametrize("kind", ["high", "low"])
def test_minimum_phase_is_that_of_filters(make, kind):
    """Phases of Butterworth and Linkwitz-Riley filters by their poles (closed form)."""
    f = np.geomspace(20.0, 12_000.0, 250)
    for corner in (80.0, 500.0, 3000.0):
        h = make(f, corner, 4, kind)
        seen = np.abs(h) > 0.01
        phase = minimum_phase(f[seen], np.abs(h[seen]) ** 2, np.ones(seen.sum()))
        wrong = np.angle(np.exp(1j * phase) / h[seen] * np.abs(h[seen]))
        # At the lower end of what is seen of a low-pass the slope beyond is not known.
        assert np.abs(np.degrees(wrong)).max() < 13.0
        assert np.median(np.abs(np.degrees(wrong))) < 4.0
