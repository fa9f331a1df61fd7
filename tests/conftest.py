"""Shared fixtures: programs that are not part of the project, and a clean environment."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable

import pytest

INSTALL = "apt-get install ngspice sox jq flac espeak-ng alsa-utils sound-theme-freedesktop"


@pytest.fixture
def outside_program() -> Callable[[str], str]:
    """Return a function that finds an outside program.

    A machine without it skips the comparison and says so; where comparisons are required
    (LEVELSET_REQUIRE_OUTSIDE=1, as in the gate) its absence is a failure.
    """

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is None:
            message = f"{name} is not installed ({INSTALL})"
            if os.environ.get("LEVELSET_REQUIRE_OUTSIDE") == "1":
                pytest.fail(message)
            pytest.skip(message)
        return path

    return find


@pytest.fixture(autouse=True)
def _own_home(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Keep every test away from the person's own jobs and settings."""
    monkeypatch.setenv("LEVELSET_HOME", str(tmp_path_factory.mktemp("home")))
