"""What the documents say in numbers is what the program says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner
from worked_reading import worked

from levelset.cli import cli
from levelset.probe.budget import budget_lines
from levelset.probe.design import design_probe
from levelset.probe.requirement import Requirement
from levelset.probe.uncertainty import combined_uncertainty, expanded_uncertainty

DOCS = Path(__file__).parents[2] / "docs"
PROBE = (DOCS / "probe.md").read_text("utf-8")
CALIBRATION = (DOCS / "calibration.md").read_text("utf-8")


def test_the_parts_of_the_example_are_what_the_command_prints():
    [block] = re.findall(r"```\n\$ levelset (.*?)\n(.*?)```", PROBE, flags=re.DOTALL)
    printed = CliRunner().invoke(cli, block[0].split()).output
    assert printed.startswith(block[1].rstrip())


def test_the_check_with_a_multimeter_fits_the_example():
    design = design_probe(Requirement("two", 120.0, 1.5, 20e3, 200.0, 5.0, -100.0, 200.0, 0.25))
    for index, part in enumerate((design.low, design.high)):
        r1, r2 = part.r1_ohm, part.r2_ohm
        for name, ohm in (
            ("tip and inner", r1),
            ("inner and sleeve", r2),
            ("sleeve and clip", 1000.0),
            ("tip A and tip B", 2.0 * (r1 + r2)),
            ("tip and clip", r1 + r2 + 1000.0),
        ):
            [row] = [line for line in PROBE.splitlines() if line.startswith(f"| {name} |")]
            number, unit = row.split("|")[2 + index].split()
            assert float(number) * {"kohm": 1e3, "Mohm": 1e6}[unit] == pytest.approx(ohm)
        # Kirchhoff: 9 V over R1, R2 and the ground lead.
        volts = 9.0 * r2 / (r1 + r2 + 1000.0)
        assert f"{volts:.2f} V" in PROBE
        # Both tips on one point: 2 r / (1 + 2 r).
        r = part.ground_lead_ratio
        assert f"{100.0 * 2.0 * r / (1.0 + 2.0 * r):.1f} %" in PROBE


def test_the_worked_reading_is_what_the_program_computes():
    calibration, pair, budget = worked()
    assert f"{calibration.volts_per_full_scale[0].value:.1f} V" in CALIBRATION
    assert f"**{pair.volts_rms.value:.2f} V +- {pair.volts_rms.u:.2f} V**" in CALIBRATION
    assert f"{100.0 * combined_uncertainty(budget):.4f} %" in CALIBRATION
    assert f"**+-{100.0 * expanded_uncertainty(budget):.3f} %**" in CALIBRATION
    stated = dict(re.findall(r"^\| ([\w ]+) \| [^|]* \| ([\d.]+) % \|$", CALIBRATION, re.MULTILINE))
    lines = {line.name: line.percent for line in budget_lines(budget)}
    for name, percent in lines.items():
        assert float(stated.get(name, "0")) == pytest.approx(percent, abs=6e-5), name
    assert set(stated) <= {*lines, "root of the sum of squares"}
    assert abs(pair.volts_rms.value - 21.9) < pair.volts_rms.u


def test_the_worked_lines_by_hand():
    # The same closed forms as in the document, with nothing of the package.
    three = 3.0**0.5
    _, _, budget = worked()
    lines = {line.name: line.contribution for line in budget}
    assert lines["multimeter"] == pytest.approx((0.008 * 6.03 + 0.03) / 6.03 / three, rel=1e-6)
    assert lines["last digit of the meter"] == pytest.approx(0.005 / 6.03 / three, rel=1e-6)
    assert lines["drift since the calibration"] == pytest.approx(0.002 / three, rel=1e-6)

    def term(f):
        return 3.3**2 / (f**2 + 3.3**2)

    coupling = 0.1 * (term(43.0) - term(94.0)) / three
    assert lines["input coupling"] == pytest.approx(coupling, rel=1e-3)
    assert lines["waveform at calibration"] == pytest.approx(0.0005 / 3.0 / three, rel=0.02)
