"""The simulated car as another process on a sound server, measured through the live port.

The whole job that way, in real time: ``python tests/ports/live_job.py``.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from levelset.ports.base import Point
from levelset.ports.live import open_live
from levelset.signals.signal import Component, Signal
from levelset.simulation.car_file import load_demo_car

pytestmark = pytest.mark.outside

RATE_HZ = 48_000
PIECE = RATE_HZ // 4
PIECES = 5


def test_a_tone_of_known_level_travels_through_the_car(
    server: Any, beside: Callable[[str], ModuleType], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = beside("live_job")
    truth = load_demo_car()
    source, probe, interface = truth.source, truth.probe, truth.interface
    volume = 30
    tone = Signal("tone", "a test", (Component(1000.0, 0.5, 0.0),))
    for key, value in job.listening_environment(server).items():
        monkeypatch.setenv(key, value)
    with job.car_on_the_wire(server, None) as levers:
        levers.engine(True)
        levers.touch("A", Point("source", "positive"))
        levers.touch("B", Point("source", "negative"))
        assert levers.turn_volume(volume - levers.shown_volume()) == volume
        port = open_live("pulse", output="pulse", rate_hz=RATE_HZ, channels=2)
        try:
            port.play(tone, 0.0)
            blocks = []
            for block in itertools.islice(port.blocks(), 115):
                port.renew()
                blocks.append(block)
            heard = np.concatenate([b.samples for b in blocks])[-PIECES * PIECE :]
            faults = port.gate.faults(0, blocks[60].first_frame, RATE_HZ)
        finally:
            port.close()
    angle = 2 * np.pi * 1000.0 * np.arange(PIECE) / RATE_HZ
    pair = heard[:, 0] - heard[:, 1] / (1.0 + probe.mismatch_percent / 100.0)
    pieces = pair.reshape(PIECES, PIECE) @ np.exp(-1j * angle)
    # A sound server on a busy machine runs dry now and then, which spoils a piece, not the level.
    amplitude_fs = float(np.median(2.0 * np.abs(pieces) / PIECE))
    # From the car file: what the source gives at this volume for half of full scale.
    below_db = (source.max_volume - volume) * source.db_per_step
    volts_rms = 0.5 * source.volts_rms_at_max * 10.0 ** ((job.HEADROOM_DB - below_db) / 20.0)
    found_v = amplitude_fs * interface.full_scale_volts_peak * probe.divider / np.sqrt(2.0)
    assert found_v == pytest.approx(volts_rms, rel=1e-3)
    assert faults == ()
