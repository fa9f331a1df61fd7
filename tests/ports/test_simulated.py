"""The simulated car as a port: blocks, and an output that always ends."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from levelset.errors import DeviceError, InputError, UsageError
from levelset.ports.base import LEASE_S, Point
from levelset.ports.simulated import Demo, SimulatedPort, open_demo
from levelset.signals.signal import Component, Signal
from levelset.simulation.car_file import load_demo_car
from levelset.simulation.chain import Car

TONE = Signal("tone", "a test", (Component(997.0, 1.0, 0.0),))
VOLUME = 32
FADE_S = 0.02
FILTER_S = 0.002


def on_the_tap() -> Demo:
    demo = open_demo(None, seed=1, fast=True)
    demo.levers.engine(True)
    demo.levers.turn_volume(VOLUME - demo.levers.shown_volume())
    demo.levers.touch("A", Point("source", "positive"))
    demo.levers.touch("B", Point("source", "negative"))
    for _, _ in zip(range(400), demo.port.blocks(), strict=False):
        pass  # until the step of the bias has decayed
    return demo


def take(demo: Demo, seconds: float, *, renew: bool = False) -> np.ndarray:
    """Return the pair over this time."""
    parts, blocks = [], demo.port.blocks()
    end = demo.port.time_s + seconds
    while demo.port.time_s < end:
        block = next(blocks)
        parts.append(block.samples[:, 0] - block.samples[:, 1])
        if renew:
            demo.port.renew()
    return np.concatenate(parts)


def last_tone_s(pair: np.ndarray, rate_hz: int) -> float:
    """Return when the pair last stood above the noise (which is 40 dB below the tone)."""
    return float(np.flatnonzero(np.abs(pair - np.median(pair)) > 1e-3)[-1] / rate_hz)


def test_blocks_follow_each_other() -> None:
    demo = open_demo(None, seed=3, fast=True)
    info = demo.port.info
    assert (info.rate_hz, info.channels, info.can_play) == (48_000, 2, True)
    frame = 0
    for count, block in enumerate(demo.port.blocks()):
        assert (block.stream, block.first_frame, block.flags) == (0, frame, frozenset())
        assert block.time_s == pytest.approx(frame / 48_000)
        assert block.samples.shape == (1024, 2)
        whole = block.samples * 2.0**23
        assert np.all(whole == np.round(whole))
        frame += len(block.samples)
        if count == 20:
            demo.port.close()
    assert frame == 21 * 1024


def test_the_same_seed_gives_the_same_samples() -> None:
    takes = [take(open_demo(None, seed=seed, fast=True), 0.2) for seed in (4, 4, 5)]
    assert np.array_equal(takes[0], takes[1])
    assert not np.array_equal(takes[0], takes[2])


def test_what_it_plays_is_as_loud_as_a_track() -> None:
    demo = on_the_tap()
    demo.levers.play_track(TONE)
    take(demo, 0.2)
    track = take(demo, 0.5).std()
    demo.levers.play_track(None)
    take(demo, 0.2)
    demo.port.play(TONE, -6.0)
    take(demo, 1.2, renew=True)
    # The source's own distortion changes its gain with the level by some thousandths.
    assert take(demo, 0.5, renew=True).std() == pytest.approx(track * 10.0**-0.3, rel=3e-3)


def test_it_is_faded_in() -> None:
    demo = on_the_tap()
    demo.port.play(TONE, 0.0)
    pair = take(demo, 1.5, renew=True)
    rate = demo.port.info.rate_hz
    half, full = pair[int(0.48 * rate) : int(0.52 * rate)], pair[int(1.1 * rate) :]
    assert half.std() / full.std() == pytest.approx(0.5, rel=0.01)
    assert np.abs(pair[:480]).max() < 0.02 * np.abs(full).max()


def test_without_renewal_it_falls_silent() -> None:
    demo = on_the_tap()
    demo.port.play(TONE, 0.0)
    take(demo, 1.0, renew=True)
    pair = take(demo, 1.0)
    end_s = last_tone_s(pair, demo.port.info.rate_hz)
    assert LEASE_S <= end_s <= LEASE_S + FADE_S + FILTER_S
    demo.port.renew()
    assert np.abs(take(demo, 0.5)).max() < 1e-3, "a lease that ran out cannot be renewed"


def test_it_plays_on_while_it_is_renewed() -> None:
    demo = on_the_tap()
    demo.port.play(TONE, 0.0)
    take(demo, 2.0, renew=True)
    assert take(demo, LEASE_S - 0.05).std() > 0.01


@pytest.mark.parametrize("end", ["silence", "close"])
def test_silence_and_close_end_the_tone(end: str) -> None:
    truth = load_demo_car()
    car = Car(truth, 1)
    car.volume = VOLUME
    port = SimulatedPort(car, fast=True)
    car.touch("A", Point("source", "positive"))
    car.touch("B", Point("source", "negative"))
    for _, _ in zip(range(400), port.blocks(), strict=False):
        pass
    port.play(TONE, 0.0)
    for _, _ in zip(range(60), port.blocks(), strict=False):
        port.renew()
    getattr(port, end)()
    getattr(port, end)()
    codes = np.concatenate([car.render(1024) for _ in range(20)])
    assert last_tone_s(codes[:, 0] - codes[:, 1], 48_000) <= FADE_S + FILTER_S
    if end == "close":
        assert list(port.blocks()) == []
        with pytest.raises(DeviceError):
            port.play(TONE, -20.0)
        assert list(port.blocks()) == []


@pytest.mark.parametrize("level", [0.1, float("nan"), float("inf"), -1000.0])
def test_impossible_levels(level: float) -> None:
    with pytest.raises(UsageError, match="cannot be played"):
        open_demo(None, seed=1, fast=True).port.play(TONE, level)


def test_real_time_waits_for_the_stream(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [1000.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    monkeypatch.setattr(time, "sleep", lambda s: now.__setitem__(0, now[0] + s))
    demo = open_demo(None, seed=1, fast=False)
    for count, block in enumerate(demo.port.blocks(), 1):
        arrived_s = block.time_s + len(block.samples) / block.rate_hz
        assert now[0] - 1000.0 == pytest.approx(arrived_s)
        if count == 50:
            break


def test_a_door_that_does_not_open(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        open_demo(tmp_path / "none.toml", seed=1, fast=True)
    with pytest.raises(UsageError):
        open_demo(None, seed=-1, fast=True)
