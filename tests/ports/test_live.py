"""The live port through a real sound server: what is played comes back, and always ends."""

from __future__ import annotations

import itertools
import os
import random
import signal
import time
from collections.abc import Iterator
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from levelset.analysis.same_codes import effective_bits, joined_codes
from levelset.errors import DeviceError, UsageError
from levelset.ports.audio_process import devices
from levelset.ports.base import LEASE_S, Block
from levelset.ports.live import LivePort, open_live
from levelset.signals.signal import Component, Signal

pytestmark = pytest.mark.outside

RATE_HZ = 48_000
TONE = Signal("tone", "a test", (Component(997.0, 1.0, 0.0),))
QUIET = Signal("quiet", "a test", (Component(60.0, 0.25, 1.0), Component(3150.0, 0.25, 0.3)))


@pytest.fixture(scope="module")
def _open_port(server: Any) -> Iterator[LivePort]:
    opened = open_live("pulse", output="pulse", rate_hz=RATE_HZ, channels=2)
    yield opened
    opened.close()


@pytest.fixture
def port(_open_port: LivePort) -> LivePort:
    """Return an open port that was silent for a while."""
    _open_port.silence()
    assert not np.any(joined(take(_open_port, 0.25))[-1024:])
    return _open_port


def take(port: LivePort, seconds: float, *, renew: bool = True) -> list[Block]:
    """Return the blocks of the next seconds."""
    count = round(seconds * port.info.rate_hz / 1024)
    blocks = []
    for block in itertools.islice(port.blocks(), count):
        blocks.append(block)
        if renew:
            port.renew()
    return blocks


def joined(blocks: list[Block]) -> np.ndarray:
    return np.concatenate([block.samples for block in blocks])


def tone_fit(samples: np.ndarray, frequency_hz: float) -> tuple[complex, float]:
    """Return phasor and residual RMS of a sine of known frequency (linear least squares)."""
    angle = 2.0 * np.pi * frequency_hz * np.arange(len(samples)) / RATE_HZ
    basis = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    solution = np.linalg.lstsq(basis, samples, rcond=None)[0]
    rest = samples - basis @ solution
    return complex(solution[0], -solution[1]), float(np.sqrt(np.mean(rest**2)))


def test_a_tone_comes_back_at_its_level_without_a_gap(port: LivePort) -> None:
    port.play(TONE, -12.0)
    blocks = take(port, 3.5)
    for one, two in itertools.pairwise(blocks):
        assert two.first_frame == one.first_frame + 1024
        assert two.time_s == pytest.approx(one.time_s + 1024 / RATE_HZ, abs=1e-9)
    assert {block.stream for block in blocks} == {port.stream}
    assert not set().union(*(block.flags for block in blocks))
    steady = joined(blocks)[round(1.2 * RATE_HZ) :]
    phasor, rest = tone_fit(steady[:, 0], 997.0)
    assert abs(phasor) == pytest.approx(10.0 ** (-12.0 / 20.0), rel=1e-6)
    # One missing frame in two seconds would turn the phase by 0.13 rad and leave a rest of
    # some percent; what is left is rounding to 24 bits, 2**-23 / sqrt 12 RMS (uniform error).
    assert rest < 2.0 * 2.0**-23 / np.sqrt(12.0)
    assert np.array_equal(steady[:, 0], steady[:, 1])
    assert port.gate.faults(port.stream, blocks[40].first_frame, 2 * RATE_HZ) == ()
    assert effective_bits(joined_codes(steady)) == 24


def test_the_path_is_exact_to_the_bit(port: LivePort) -> None:
    port.play(QUIET, -6.0)
    heard = joined(take(port, 2.0))[:, 0]
    start = int(np.flatnonzero(heard)[0])
    # The first sample is exactly 0 (faded in), so one frame of doubt remains.
    late = round(1.2 * RATE_HZ)
    ratio = 10.0 ** (-6.0 / 20.0)
    matches = []
    for first in range(start - 400, start + 1):
        frames = np.arange(late, len(heard)) - first
        wanted = np.rint(ratio * QUIET.at(frames[:64] / RATE_HZ) * 2**23) / 2**23
        if np.allclose(heard[late : late + 64], wanted, atol=1e-6):
            whole = np.rint(ratio * QUIET.at(frames / RATE_HZ) * 2**23) / 2**23
            matches.append(np.count_nonzero(whole != heard[late:]))
    assert matches == [0]


def test_a_new_level_of_the_same_tone_keeps_its_phase(port: LivePort) -> None:
    port.play(TONE, -20.0)
    take(port, 1.2)
    port.play(TONE, -10.0)
    rising = joined(take(port, 1.5))[:, 0]
    assert np.abs(np.diff(rising)).max() < 2 * np.pi * 997.0 / RATE_HZ * 10 ** (-10 / 20) * 1.01
    assert np.abs(rising[-RATE_HZ // 4 :]).max() == pytest.approx(10 ** (-10 / 20), rel=1e-3)


def test_left_only(port: LivePort) -> None:
    port.play(TONE, -20.0, outputs=(0,))
    heard = joined(take(port, 1.5))
    assert np.abs(heard[:, 0]).max() > 0.05
    assert not np.any(heard[:, 1])


def test_silence_fades_and_is_final(port: LivePort) -> None:
    port.play(TONE, -12.0)
    take(port, 1.2)
    assert port.sounding
    port.silence()
    heard = joined(take(port, 0.4))[:, 0]
    last = int(np.flatnonzero(heard)[-1])
    falling = np.abs(heard[max(last - 960, 0) : last + 1])
    # A fade of 20 ms: no step larger than the tone's own slope.
    assert np.abs(np.diff(heard)).max() < 2 * np.pi * 997.0 / RATE_HZ * 0.2512 * 1.05
    assert falling[-48:].max() < 0.1 * falling[:200].max()
    assert not port.sounding
    port.silence()


def test_without_renewal_the_tone_ends_and_says_so(port: LivePort) -> None:
    port.play(TONE, -12.0)
    take(port, 1.2)
    heard = joined(take(port, 0.7, renew=False))[:, 0]
    silent_from = int(np.flatnonzero(heard)[-1]) / RATE_HZ
    # Counted from the last renewal; the sound server's own buffers come on top.
    assert LEASE_S - 0.05 < silent_from < 0.5
    with pytest.raises(DeviceError, match="held up for over 0.3 s"):
        port.renew()
    assert not np.any(joined(take(port, 0.1)))
    port.play(TONE, -12.0)
    assert np.any(joined(take(port, 0.5)))


@pytest.mark.parametrize(
    ("level_dbfs", "outputs", "match"),
    [
        (-0.5, None, "peak at -0.5 dBFS"),
        (float("nan"), None, "cannot be played"),
        (float("inf"), None, "cannot be played"),
        (-20.0, (2,), "no output channel 3"),
    ],
)
def test_what_cannot_be_played(
    port: LivePort, level_dbfs: float, outputs: tuple[int, ...] | None, match: str
) -> None:
    with pytest.raises(UsageError, match=match):
        port.play(TONE, level_dbfs, outputs=outputs)
    assert not port.sounding


def test_listening_only_opens_no_output(server: Any) -> None:
    port = open_live("pulse", output=None, rate_hz=RATE_HZ, channels=1)
    try:
        assert not port.info.can_play
        assert port.info.name.endswith("/ to_car.monitor")
        assert take(port, 0.1)[0].samples.shape == (1024, 1)
        with pytest.raises(DeviceError, match="no output is open"):
            port.play(TONE, -20.0)
    finally:
        port.close()
    assert list(port.blocks()) == []
    port.close()


def test_output_alone_paces_empty_blocks(server: Any, live: ModuleType) -> None:
    with live.Recorder(server, "to_car") as recorder:
        port = open_live(None, output="pulse", rate_hz=RATE_HZ, channels=0)
        try:
            port.play(TONE, -20.0)
            blocks = take(port, 1.5)
        finally:
            port.close()
        assert blocks[-1].samples.shape == (1024, 0)
        assert recorder.peak_after(0.0) == pytest.approx(0.1, rel=1e-3)


def test_wrong_devices_and_rates(server: Any) -> None:
    with pytest.raises(DeviceError, match='no sound input is called "no such device"'):
        open_live("no such device", output=None, rate_hz=RATE_HZ, channels=2)
    with pytest.raises(DeviceError, match="runs .* at 48000 Hz and would convert 96000 Hz"):
        open_live("pulse", output=None, rate_hz=96_000, channels=2)
    with pytest.raises(DeviceError, match="an alias that may convert"):
        open_live("default", output=None, rate_hz=RATE_HZ, channels=2)
    with pytest.raises(UsageError, match="a rate of 8000 Hz"):
        open_live("pulse", output=None, rate_hz=8000, channels=2)
    with pytest.raises(UsageError, match="0 input channels"):
        open_live("pulse", output=None, rate_hz=RATE_HZ, channels=0)


def test_the_list_is_fresh_and_judged(server: Any) -> None:
    listing = devices()
    found = {device.name: device for device in listing.devices}
    assert found["pulse"].use == "server"
    assert found["default"].use == "refused"
    assert listing.as_json()["schema"] == "levelset.devices.v1"


def test_a_lost_device_gives_one_sentence_and_reopen_goes_on(port: LivePort) -> None:
    blocks = port.blocks()
    seen = list(itertools.islice(blocks, 30))
    assert port.process_id is not None
    os.kill(port.process_id, signal.SIGKILL)
    with pytest.raises(DeviceError) as caught:
        seen.extend(blocks)
    assert caught.value.line() == (
        'levelset: error: "pulse" was lost: the audio process has ended - '
        "check its plug and the sound server, then open it again"
    )
    with pytest.raises(DeviceError, match="closed"):
        port.play(TONE, -20.0)
    port.reopen()
    after = next(blocks)
    assert (after.stream, after.first_frame) == (seen[-1].stream + 1, 0)
    assert after.time_s >= seen[-1].time_s
    port.play(TONE, -20.0)
    assert np.any(joined(take(port, 0.5)))


def test_a_reader_that_falls_behind_is_told_of_the_gap(
    server: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("levelset.ports.ring.KEEP_S", 0.2)
    port = open_live("pulse", output=None, rate_hz=RATE_HZ, channels=2)
    try:
        blocks = port.blocks()
        before = next(blocks)
        time.sleep(0.5)
        after, later = next(blocks), next(blocks)
        assert after.first_frame > before.first_frame + 1024
        assert after.flags == {"gap"}
        assert later.first_frame == after.first_frame + 1024
        faults = port.gate.faults(0, before.first_frame, later.first_frame)
        assert {fault.cause for fault in faults} >= {"drop_out"}
    finally:
        port.close()


# A hundred moments: tests/benchmarks/bench_live_kills.py.
@pytest.mark.parametrize(
    "scenario",
    [
        "kill_reader",
        "kill_audio",
        "stop_reader",
        "stop_audio",
        "restart_server",
        "remove_sink",
    ],
)
def test_the_tone_ends_whatever_happens(server: Any, live: ModuleType, scenario: str) -> None:
    found = live.run_scenario(server, scenario, random.Random(scenario).uniform(0.0, 0.3))
    assert found["silent_after_s"] < live.ENOUGH_S
    if scenario == "kill_reader":
        assert found["audio_process_ended"]
        return
    assert found["error"].startswith("levelset: error: ")
    assert "\n" not in found["error"]
    assert found["stderr"] == ""
    assert found["stream"] == 1
