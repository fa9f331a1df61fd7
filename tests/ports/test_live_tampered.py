"""A stream that is spoilt between a real sound server and levelset is void, and says why."""

from __future__ import annotations

import contextlib
import itertools
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from levelset.analysis.path_watch import SAME_CODES
from levelset.ports.live import LivePort, open_live
from levelset.probe.reading import Reading
from levelset.recordings.live import watch

pytestmark = pytest.mark.outside

HERE = Path(__file__).parent
RATE_HZ = 48_000


@contextlib.contextmanager
def player(server: Any, sink: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, str(HERE / "tampering_player.py")],
        env=os.environ | server.environment(sink=sink, source=f"{sink}.monitor"),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            assert pipe is not None
            pipe.close()


@pytest.fixture
def port(server: Any) -> Iterator[LivePort]:
    opened = open_live("pulse", output=None, rate_hz=RATE_HZ, channels=2)
    yield opened
    opened.close()


def readings(port: LivePort, windows: int) -> list[Reading]:
    return list(itertools.islice(watch(port, None, 1.0), 2 * windows))


def until_clean(port: LivePort) -> None:
    """Wait until the tone has come; the start of a stream may have gaps of its own."""
    for one in itertools.islice(watch(port, None, 1.0), 80):
        if one.channel == 2 and one.tone.void is None:
            return
    raise AssertionError("no clean reading came")


@pytest.mark.parametrize(
    ("order", "code", "words"),
    [
        ("drop 300", "drop_out", "samples are missing"),
        ("double 512", "repeated_block", "a block comes again, 512 samples"),
        ("zero 400", "drop_out", "samples are replaced by zeros, 400 samples"),
    ],
)
def test_it_is_named_once_with_place_and_length(
    server: Any, live: ModuleType, port: LivePort, order: str, code: str, words: str
) -> None:
    with player(server, live.SINKS[0]) as process:
        until_clean(port)
        assert process.stdin is not None
        process.stdin.write(f"{order}\n")
        process.stdin.flush()
        found = readings(port, 6)
    voids = [one.tone.void for one in found if one.tone.void is not None]
    assert {void.code for void in voids} == {code}, voids
    assert len(voids) == 2, "one window of both channels"
    assert words in voids[0].reason
    # Numbers of the rest are right: 0.1 of full scale.
    rest = [one.tone.amplitude_fs for one in found if one.tone.amplitude_fs is not None]
    assert [q.value for q in rest] == pytest.approx([0.1] * len(rest), rel=1e-4)


def test_a_mono_source_is_said(server: Any, live: ModuleType) -> None:
    """The server shows a source of one channel as two that are alike."""
    name = "one_channel"
    server.ask(
        "load-module", "module-remap-source", f"source_name={name}",
        f"master={live.SINKS[0]}.monitor", "channels=1", "master_channel_map=front-left",
        "channel_map=mono", "remix=no",
    )  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PULSE_SOURCE", name)
        port = open_live("pulse", output=None, rate_hz=RATE_HZ, channels=2)
    try:
        with player(server, live.SINKS[0]):
            time.sleep(1.0)
            found = readings(port, 8)[-4:]
    finally:
        port.close()
        for line in server.ask("list", "short", "modules").splitlines():
            if name in line:
                server.ask("unload-module", line.split("\t")[0])
    assert {one.tone.void.reason for one in found if one.tone.void} == {SAME_CODES}
