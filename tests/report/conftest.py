"""Makes the builders beside the tests, and those of the record, importable."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "record")]

from report_jobs import whole_job  # noqa: E402


@pytest.fixture(scope="session")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a finished job of two channels, read by the real analysis; never written to."""
    return whole_job(tmp_path_factory.mktemp("jobs"), channels=2)
