"""Live readings say what spoils the path, and never blame a hand.

The whole campaign is ``python -m tests.benchmarks.live_trust``.
"""

from __future__ import annotations

import numpy as np
import pytest

from levelset.analysis.path_watch import SAME_CODES, PathWatch
from levelset.analysis.result import Void
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


def look(samples, tone_hz=CASE.frequency_hz, port_void=None, window=WINDOW):
    """Return what is said of each window."""
    watch = PathWatch(RATE_HZ)
    return [
        watch.look(samples[at : at + window], 0, at, tone_hz=tone_hz, port_void=port_void)
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
    assert watch.look(codes[:WINDOW], 0, 0, tone_hz=CASE.frequency_hz) is None
    assert watch.look(codes[20_000:32_000], 0, 20_000, tone_hz=CASE.frequency_hz) is None
    assert watch.look(codes[40_000:52_000], 1, 32_000, tone_hz=CASE.frequency_hz) is None


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
