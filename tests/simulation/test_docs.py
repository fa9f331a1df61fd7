"""The page on the simulated car names every key of a car file, and no other."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from levelset.simulation import car

PAGE = (Path(__file__).parents[2] / "docs" / "simulation.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    return PAGE.split(f"## {title}\n")[1].split("\n## ")[0]


def fields(truth: type) -> set[str]:
    return {field.name for field in dataclasses.fields(truth)}


@pytest.mark.parametrize(
    ("title", "truth", "named_otherwise"),
    [
        ("[source]", car.SourceTruth, {"taps": "[[source.tap]]", "channels": "channel"}),
        ("[processor]", car.ProcessorTruth, {}),
        ("[[amplifier]]", car.AmplifierTruth, {}),
    ],
)
def test_every_key_has_its_row(title: str, truth: type, named_otherwise: dict[str, str]) -> None:
    rows = [line.split("|")[1] for line in section(title).splitlines() if line.startswith("| `")]
    named = {name for row in rows for name in re.findall(r"`([^`]+)`", row)}
    assert named | set(named_otherwise) == fields(truth) | set(named_otherwise.values())


def test_the_smaller_tables_are_whole() -> None:
    text = section("[probe], [interface], [meter], [supply]")
    for truth in (car.ProbeTruth, car.InterfaceTruth, car.MeterTruth, car.SupplyTruth):
        for name in fields(truth):
            assert f"`{name}`" in text
