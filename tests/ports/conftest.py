"""A sound server for the tests of the live port."""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from levelset.errors import DeviceError
from levelset.ports.audio_process import devices

INSTALL = "apt-get install pulseaudio libportaudio2 libasound2-plugins"

HERE = Path(__file__).parent


def load(name: str) -> ModuleType:
    """Load a support module that stands beside the tests."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def beside() -> Callable[[str], ModuleType]:
    """Return a function that loads a support module."""
    return load


@pytest.fixture(scope="session")
def live() -> ModuleType:
    return load("live_support")


def absent(message: str) -> None:
    """Skip, or fail where comparisons with the outside are required."""
    if os.environ.get("LEVELSET_REQUIRE_OUTSIDE") == "1":
        pytest.fail(message)
    pytest.skip(message)


@pytest.fixture(scope="session")
def _server(live: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    for name in ("pulseaudio", "pactl", "parec"):
        if shutil.which(name) is None:
            absent(f"{name} is not installed ({INSTALL})")
    server = live.SoundServer(tmp_path_factory.mktemp("sound"))
    server.start()
    yield server
    server.stop()


@pytest.fixture(scope="module")
def server(_server: Any, live: ModuleType) -> Iterator[Any]:
    """Return a running server, with this process led to its first sink and that sink's monitor."""
    first = live.SINKS[0]
    with pytest.MonkeyPatch.context() as patch:
        for key, value in _server.environment(sink=first, source=f"{first}.monitor").items():
            patch.setenv(key, value)
        try:
            names = [device.name for device in devices().devices]
        except DeviceError as error:
            names = [error.line()]
        if "pulse" not in names:
            absent(f"PortAudio does not reach the sound server: {names} ({INSTALL})")
        yield _server
