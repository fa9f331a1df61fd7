"""Makes the builders beside the tests importable under any way of starting pytest."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from record_jobs import build_job  # noqa: E402


@pytest.fixture
def job_path(tmp_path: Path) -> Path:
    """Return a finished job whose readings come from the stand-in analysis."""
    return build_job(tmp_path)
