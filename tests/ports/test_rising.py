"""A test signal rises from quiet in steps, loud only by a word, and ends silent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from levelset.errors import DeviceError, UsageError
from levelset.ports.base import Block
from levelset.ports.devices import judged
from levelset.ports.rising import check_shared, checked_level, play_rising, steps_dbfs
from levelset.signals.noise import pink_noise
from levelset.signals.tones import set_tone, silence

FRAMES = 1024
RATE_HZ = 48_000
TONE = set_tone("set-bass", "a test", 45.0, 0.0)


class Port:
    """Notes what it is told; its blocks are empty, as those of an output alone."""

    def __init__(self, fails_at_s=None):
        self.told = []
        self.renewed = 0
        self._fails_at_s = fails_at_s

    def blocks(self):
        for number in range(10_000):
            time_s = 7.0 + number * FRAMES / RATE_HZ
            if self._fails_at_s is not None and time_s > self._fails_at_s:
                raise DeviceError("gone", "plug it in")
            first = number * FRAMES
            yield Block(np.zeros((FRAMES, 0)), 0, first, RATE_HZ, time_s, frozenset())

    def play(self, signal, level_dbfs):
        self.told.append(level_dbfs)

    def renew(self):
        self.renewed += 1

    def silence(self):
        self.told.append("silence")


def test_levels_without_and_with_a_word():
    assert checked_level(None, agreed=False) == -40.0
    assert checked_level(-20.0, agreed=False) == -20.0
    assert checked_level(-1.0, agreed=True) == -1.0
    with pytest.raises(UsageError, match="loud"):
        checked_level(-19.9, agreed=False)
    for level_dbfs in (-0.9, 3.0, -121.0, float("nan")):
        with pytest.raises(UsageError, match="cannot be played"):
            checked_level(level_dbfs, agreed=True)


@pytest.mark.parametrize(
    ("level_dbfs", "steps"),
    [(-40.0, [-40]), (-60.0, [-60]), (-37.0, [-40, -37]), (-21.0, [-40, -34, -28, -22, -21])],
)
def test_it_rises_by_six_decibels_at_most(level_dbfs, steps):
    assert steps_dbfs(level_dbfs) == steps


def test_full_level_never_comes_out_of_a_shared_output():
    entry = {
        "hostapi": 0, "name": "interface (hw:1,0)", "default_samplerate": 48_000.0,
        "max_input_channels": 2, "max_output_channels": 2,
    }  # fmt: skip
    apis = [{"name": "ALSA", "default_input_device": -1, "default_output_device": -1}]
    [own] = judged([entry], apis)
    check_shared(own, -1.0)
    for shared in (replace(own, default_output=True), replace(own, use="server")):
        check_shared(shared, -6.0)
        with pytest.raises(UsageError, match="any loudspeaker"):
            check_shared(shared, -5.9)


def test_each_step_lasts_a_second_and_the_end_is_silent():
    port, said = Port(), []
    play_rising(port, TONE, -25.0, 5.0, said.append)
    assert said == [-40, -34, -28, -25]
    assert port.told == [-40, -34, -28, -25, "silence"]
    assert port.renewed * FRAMES / RATE_HZ == pytest.approx(5.0, abs=0.05)


def test_the_level_is_the_signals_own_at_the_output():
    port = Port()
    play_rising(port, set_tone("check-level", "a test", 1000.0, -20.0), -40.0, 0.5, lambda _: None)
    assert port.told == [-20.0, "silence"]
    play_rising(port, silence(), -40.0, 0.5, lambda _: None)


def test_peaks_of_noise_count():
    noise = pink_noise("pink-noise", "a test", -20.0)
    port = Port()
    with pytest.raises(UsageError, match="would peak above -1 dBFS"):
        play_rising(port, noise, -8.0, 1.0, lambda _: None)
    assert port.told == []


def test_a_fault_leaves_it_silent():
    port = Port(fails_at_s=8.5)
    with pytest.raises(DeviceError):
        play_rising(port, TONE, -25.0, None, lambda _: None)
    assert port.told[-1] == "silence"
