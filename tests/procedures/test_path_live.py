"""Live readings say what spoils the path, and never blame a hand.

The whole campaign is ``python -m tests.benchmarks.live_trust``.
"""

from __future__ import annotations

import numpy as np
import pytest

from levelset.analysis.path_watch import GUARD_HOPS, SAME_CODES, PathWatch
from levelset.analysis.result import Void
from levelset.analysis.same_codes import CopySigns
from levelset.recordings.live import follow, watch
from tests.analysis import path_faults as faults
from tests.benchmarks import live_trust as campaign
from tests.procedures import live_windows as live

RATE_HZ = 48_000
WINDOW = 12_000
CASE = faults.Case(RATE_HZ, 80.3, 0.2, 2e-6, 3.0, 24, 5)
LOST = Void("drop_out", "The driver lost input: repeat the reading.")


@pytest.fixture(scope="module")
def codes():
    return live.tips(CASE, CASE.tone(CASE.times()), bridged=True)


def one_look(watch, samples, stream, first, tone_hz, port_void=None):
    """Let the watch see a window, and return what it says of it."""
    watch.take(samples, stream, first, tone_hz=tone_hz)
    return watch.void(first, len(samples), port_void)


def look(samples, tone_hz=CASE.frequency_hz, port_void=None, window=WINDOW):
    """Return what is said of each window."""
    watch = PathWatch(RATE_HZ)
    return [
        one_look(watch, samples[at : at + window], 0, at, tone_hz, port_void)
        for at in range(0, len(samples) - window + 1, window)
    ]


@pytest.mark.parametrize("name", [*live.TAMPERED])
def test_a_tampered_stream_is_named(name):
    rate, said = campaign.tampered(name, 3, seed=11)
    assert rate == 1.0, said


@pytest.mark.parametrize("name", [*live.CLEAN])
def test_what_a_vehicle_and_a_hand_do_is_not_blamed(name):
    _, blamed = campaign.clean(name, 20, seed=12)
    assert blamed == []


def test_two_inputs_of_their_own_are_not_one_where_the_watch_began_late(codes):
    """A window on the screen may begin before what the watch has taken."""
    watch = PathWatch(RATE_HZ)
    watch.take(codes[6_000:12_000], 0, 6_000, tone_hz=CASE.frequency_hz)
    assert watch.void(0, WINDOW) is None


@pytest.mark.parametrize("tone_hz", [CASE.frequency_hz, None])
@pytest.mark.parametrize("at", [30_000, 36_100, 47_900, 48_000])
def test_a_loss_is_said_once_and_placed(codes, at, tone_hz):
    """Also at the edge of two windows, and without knowing the tone."""
    found = [v for v in look(np.concatenate((codes[:at], codes[at + 300 :])), tone_hz) if v]
    assert [v.code for v in found] == ["drop_out"]
    assert found[0].reason.startswith(f"At {at / RATE_HZ:.3f} s samples are missing, at least 300")


@pytest.mark.parametrize("tone_hz", [227.3, 997.0])
@pytest.mark.parametrize("at", [3_000, 5_800, 9_000])
def test_a_loss_is_said_in_the_first_window_too(at, tone_hz):
    case = faults.replace(CASE, frequency_hz=tone_hz)
    codes = live.tips(case, case.tone(case.times()), bridged=True)
    lost = 300 if faults.visible(case, 300) else 310
    found = look(np.concatenate((codes[:at], codes[at + lost :])), None)
    assert [v.code if v else None for v in found[:3]] == ["drop_out", None, None]


def test_a_doubled_block_is_placed_in_stream_time_and_measured(codes):
    at = 60_000
    found = look(np.concatenate((codes[:at], codes[at - 512 : at], codes[at + 512 :])))
    [void] = [v for v in found if v]
    assert void.code == "repeated_block"
    assert void.reason.startswith("At 1.250 s a block comes again, 512 samples (10.7 ms)")
    assert found[at // WINDOW] is void


def test_windows_after_a_gap_or_of_another_stream_are_looked_at_alone(codes):
    watch = PathWatch(RATE_HZ)
    for stream, first, at in ((0, 0, 0), (0, 20_000, 20_000), (1, 32_000, 40_000)):
        window = codes[at : at + WINDOW]
        assert one_look(watch, window, stream, first, CASE.frequency_hz) is None


def test_what_the_port_says_counts_where_the_samples_say_nothing_more_exact(codes):
    assert look(codes, port_void=LOST) == [LOST] * (len(codes) // WINDOW)
    cut = np.concatenate((codes[:30_000], codes[30_300:]))
    said = look(cut, port_void=LOST)
    assert said[2].reason.startswith("At 0.625 s")
    assert said[3] is LOST


def test_an_overload_is_not_explained_away(codes):
    over = Void("input_overload", "12 samples at the ends of the scale: repeat the reading.")
    cut = np.concatenate((codes[:30_000], codes[30_300:]))
    assert look(cut, port_void=over) == [over] * (len(cut) // WINDOW)


def test_one_channel_shown_twice_is_said_but_not_of_noiseless_codes(codes):
    twice = np.column_stack((codes[:, 0], codes[:, 0]))
    assert {v.reason for v in look(twice)} == {SAME_CODES}
    tone = np.rint(CASE.tone(CASE.times()) * 2**23) / 2**23
    assert look(np.column_stack((tone, tone))) == [None] * (len(tone) // WINDOW)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: 10.0 ** (np.minimum(t, 2.0) / 20.0), "automatic gain"),
        (lambda t: np.where((t > 1.0) & (t < 1.4), 0.03, 1.0), "noise gate"),
    ],
)
def test_where_the_port_is_sure_the_kind_of_change_is_said(codes, change, words):
    sure = Void("processed", "Finer than 24 bits: repeat the reading.")
    found = look(codes * change(CASE.times())[:, None], port_void=sure)
    assert {v.code for v in found} == {"processed"}
    assert any(words in v.reason and "If nobody turned a knob" in v.reason for v in found)


def test_a_rate_converter_is_named_where_the_tone_is_known():
    wave = CASE.tone(CASE.times() * 1.001)
    sure = Void("processed", "Finer than 24 bits: repeat the reading.")
    found = look(live.tips(CASE, wave, bridged=True), port_void=sure)
    assert all("a rate converter" in v.reason and "+1000 parts" in v.reason for v in found[1:])


@pytest.mark.parametrize("stretch", [480, 2_400, 12_000])
@pytest.mark.parametrize("at", [30_000, 47_900])
def test_overlapping_windows_are_void_where_the_loss_is(codes, at, stretch):
    """However short the stretches are in which the samples come."""
    cut = np.concatenate((codes[:at], codes[at + 300 :]))
    watch = PathWatch(RATE_HZ)
    named = []
    for end in range(WINDOW, len(cut) - WINDOW, stretch):
        for first in range(max(0, end - stretch) if end > WINDOW else 0, end, stretch):
            watch.take(cut[first : first + stretch], 0, first, tone_hz=CASE.frequency_hz)
        if watch.void(end - WINDOW, WINDOW) is not None:
            named.append(end)
    # A phase needs some periods after the loss; from then on all windows that hold it are void.
    late = stretch + 2 * GUARD_HOPS * RATE_HZ / CASE.frequency_hz
    assert at <= named[0] <= at + late
    assert at + WINDOW - stretch <= named[-1] <= at + WINDOW + late
    assert len(named) == (named[-1] - named[0]) // stretch + 1


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("noise_steps", [0.05, 0.4, 40.0])
def test_the_sign_of_a_copy_is_in_every_copy_and_in_no_tone(bits, noise_steps):
    rate_hz, step, rng = 192_000, 2.0 ** (1 - bits), np.random.default_rng(2)
    signs, least = CopySigns(), 64 if bits == 16 else 32
    t = np.arange(60_000) / rate_hz
    for tone_hz in (94.013, 997.04):
        wave = 0.2 * np.sin(2 * np.pi * tone_hz * t) + noise_steps * step * rng.normal(size=t.size)
        x = np.rint(wave / step) * step
        w = 2 * np.pi * tone_hz / rate_hz
        assert not signs.seen(x, w, least)
        for at in rng.integers(1_000, 50_000, 20):
            spoilt = x.copy()
            spoilt[at + 700 : at + 700 + least] = x[at : at + least]
            # Codes that mostly stand still are no evidence.
            assert signs.seen(spoilt, w, least) or noise_steps < 0.1


def silent_first(gap):
    """Zeros before a tone, as of an input of 16 bits without noise, and a loss later on."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    x = np.rint(0.2 * np.sin(2 * np.pi * 227.3 * t) * (t > 0.613) * 2**15) / 2**15
    x = np.concatenate((x[:70_000], x[70_000 + gap :]))
    return np.column_stack((x, 0.0 * x))


@pytest.mark.parametrize("updates_hz", [None, 20.0])
@pytest.mark.parametrize("gap", [0, 300])
def test_zeros_before_a_tone_are_no_loss_to_the_live_command(updates_hz, gap):
    port = live.SamplesPort(silent_first(gap), RATE_HZ)
    found = watch(port, None, 1.0) if updates_hz is None else follow(port, None, 1.0, updates_hz)
    found = [one for one in found if one.channel == 1]
    lost = [one for one in found if one.tone.void and one.tone.void.code in live.PATH_CODES]
    if not gap:
        assert lost == []
        return
    assert {one.tone.void.reason[:30] for one in lost} == {"At 1.458 s samples are missing"}
    for one in lost:
        assert one.start_s < 70_000 / RATE_HZ + 0.06 < one.start_s + one.duration_s + 0.06
    assert found[-1].tone.void is None


def test_a_loss_makes_the_glimpses_void_that_hold_it(codes):
    at = 63_000
    cut = np.concatenate((codes[:at], codes[at + 300 :]))
    found = live.live_glimpses(cut, RATE_HZ, CASE.frequency_hz, "bridged")
    voids = live.voids(found)
    assert {void.code for void in voids if void is not None} == {"drop_out"}
    assert sum(void is not None for void in voids) >= 3, "a reading and glimpses"
    for one, void in zip(found, voids, strict=True):
        first, stop = one.frames.first, one.frames.first + one.frames.count
        if first < at < stop - 0.1 * RATE_HZ:
            assert void is not None
        if stop <= at or first > at + 0.1 * RATE_HZ:
            assert void is None


def test_music_is_no_broken_tone():
    """Notes of several harmonics that begin and decay, in their own time."""
    rng = np.random.default_rng(3)
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    x = 1e-5 * rng.normal(size=t.size)
    for start_s in np.arange(0.0, 6.0, 0.21):
        hz, since = 110.0 * 2.0 ** (rng.integers(0, 24) / 12.0), t - start_s
        note = sum(np.sin(2 * np.pi * k * hz * since) / k**1.5 for k in range(1, 9))
        x += 0.05 * np.where(since > 0.0, np.exp(-4.0 * since), 0.0) * note
    x = np.rint(x * 2**23) / 2**23
    assert set(look(np.column_stack((x, -0.9 * x)), None)) == {None}
