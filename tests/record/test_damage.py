"""Every damage is found, and the first thing the report names is where it is."""

from __future__ import annotations

from pathlib import Path

from record_damage import DAMAGES, campaign


def test_500_random_damages_are_found_and_placed(tmp_path: Path) -> None:
    done, missed = campaign(500, 1, tmp_path)
    assert sum(done.values()) == 500
    assert set(done) == {damage.__name__ for damage in DAMAGES}
    assert missed == []
