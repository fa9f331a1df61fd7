"""A level that rises until it meets a rail, through a real sound server."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from levelset.ports.base import Block
from levelset.ports.live import open_live
from levelset.probe.reading import Reading
from levelset.recordings.live import follow

pytestmark = pytest.mark.outside

RATE_HZ = 48_000
START_FS = 0.06
RISE_DB, RISE_S = 16.0, 6.0
QUIET_S = 1.0
"""Before the tone, so that listening has begun when it comes."""
STEADY_S = 0.6
RAIL_DB = 13.0
"""Above the start; the ramp meets it at 13/16 of its way."""

TRIES = 3
"""A computer that is busy may starve the sound server, which then leaves a gap."""
LEVEL_WITHIN = 1e-3
SAID_WITHIN_S = 0.5


def amplitude(time_s: np.ndarray) -> np.ndarray:
    """Return the closed form of the level at times after the start, full scale."""
    gone = np.clip((time_s - STEADY_S) / RISE_S, 0.0, 1.0)
    return START_FS * 10.0 ** (RISE_DB * gone / 20.0)


class Listened:
    """A port whose blocks are kept, and where the last one ended."""

    def __init__(self, port: Any) -> None:
        self._port, self.info = port, port.info
        self.kept: list[Block] = []

    def blocks(self) -> Iterator[Block]:
        for block in self._port.blocks():
            self.kept.append(block)
            yield block

    def path_void(self, stream: int, first_frame: int, frames: int) -> Any:
        return self._port.path_void(stream, first_frame, frames)


def heard(
    server: Any, sink: str, wave: np.ndarray, folder: Path
) -> tuple[list[tuple[int, Reading]], np.ndarray]:
    """Play a wave from another process and follow it.

    Returns
    -------
    readings, samples
        Each reading with the frame that had arrived when it was said, and all that was heard,
        from the port's first frame on.
    """
    environment = server.environment(sink=sink, source=f"{sink}.monitor")
    with pytest.MonkeyPatch.context() as patch:
        for key, value in environment.items():
            patch.setenv(key, value)
        port = open_live("pulse", output=None, rate_hz=RATE_HZ, channels=1)
    listened = Listened(port)
    quiet = np.zeros(round(QUIET_S * RATE_HZ))
    np.repeat(np.concatenate((quiet, wave)).astype("<f4"), 2).tofile(folder / "wave")
    player = subprocess.Popen(
        ["pacat", "--raw", f"--device={sink}", "--format=float32le", f"--rate={RATE_HZ}",
         "--channels=2", "--latency-msec=500", str(folder / "wave")],
        env=os.environ | environment, stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    readings = []
    try:
        for reading in follow(listened, None, 1.0, 20.0):
            last = listened.kept[-1]
            arrived = last.first_frame + len(last.samples)
            assert reading.start_s >= listened.kept[0].time_s
            readings.append((arrived, reading))
            sounds = [bool(np.any(block.samples)) for block in listened.kept]
            if any(sounds) and not any(sounds[-20:]):
                break
            assert arrived < 20 * RATE_HZ, "the sound never ended"
    finally:
        player.kill()
        player.wait()
        port.close()
    first = listened.kept[0].first_frame
    samples = np.concatenate([block.samples[:, 0] for block in listened.kept])
    return readings, np.concatenate((np.zeros(first), samples))


@pytest.mark.parametrize("frequency_hz", [41.0, 997.0])
def test_the_level_is_right_all_along_and_clipping_is_said_soon_but_never_before(
    server: Any, live: ModuleType, tmp_path: Path, frequency_hz: float
) -> None:
    time_s = np.arange(round((STEADY_S + RISE_S + 0.6) * RATE_HZ)) / RATE_HZ
    rail = START_FS * 10.0 ** (RAIL_DB / 20.0)
    sine = amplitude(time_s) * np.sin(2.0 * np.pi * frequency_hz * time_s)
    onset = int(np.flatnonzero(np.abs(sine) > rail)[0])
    dither = np.random.default_rng(1).uniform(-8.0, 8.0, sine.size)
    wave = np.rint(np.clip(sine, -rail, rail) * 2.0**23 + dither) / 2.0**23
    for _ in range(TRIES):
        readings, samples = heard(server, live.SINKS[1], wave, tmp_path)
        # The path is exact to 24 bits: the wave stands in what was heard, frame by frame.
        start = int(np.flatnonzero(samples)[0] - np.flatnonzero(wave)[0])
        if np.array_equal(samples[start : start + wave.size], wave):
            break
    else:
        pytest.fail(f"the sound server itself lost samples {TRIES} times")

    levels = []
    said = None
    for arrived, reading in readings:
        first = round(reading.start_s * RATE_HZ) - start
        stop = first + round(reading.duration_s * RATE_HZ)
        clipping = reading.tone.clipping
        if clipping is not None and clipping.state == "hard_clipping":
            assert stop > onset, "clipping was said of a window that had none"
            said = said or arrived - start
        if first > 0 and stop < onset and reading.tone.amplitude_fs is not None:
            # A least-squares fit gives the mean of the amplitude over its window.
            mean_fs = float(amplitude(np.arange(first, stop) / RATE_HZ).mean())
            levels.append(reading.tone.amplitude_fs.value / mean_fs - 1.0)
    updates = 20.0 * onset / RATE_HZ
    assert len(levels) > 0.9 * updates
    assert np.abs(levels).max() < LEVEL_WITHIN
    assert said is not None
    assert 0 < said - onset < SAID_WITHIN_S * RATE_HZ
