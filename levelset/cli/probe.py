"""The parts of a probe, and what it does."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from levelset.cli.common import print_json
from levelset.errors import UsageError
from levelset.probe.requirement import TYPICAL

if TYPE_CHECKING:
    from levelset.probe.design import ProbeDesign
    from levelset.probe.divider import DividerRange
    from levelset.probe.mistakes import Mistake
    from levelset.procedures.cautions import Caution

_TYPICAL = "common practice; the data sheet knows better"


@click.command()
@click.option("--max-volts", type=float, required=True, help="Largest voltage at a tip, V peak.")
@click.option(
    "--full-scale",
    type=float,
    required=True,
    help="Full scale of the input, V peak (between the pins where balanced).",
)
@click.option(
    "--input-impedance",
    type=float,
    default=TYPICAL["input_impedance_ohm"],
    show_default=True,
    help=f"Of the input, ohm ({_TYPICAL}).",
)
@click.option(
    "--cable-pf",
    type=float,
    default=TYPICAL["cable_pf"],
    show_default=True,
    help="Capacitance of cable and input from each tip's R2 on, pF (about 100 pF a metre).",
)
@click.option(
    "--tips", type=click.Choice(["1", "2"]), default="2", show_default=True, help="Number of tips."
)
@click.option("--balanced", is_flag=True, help="Two tips on both pins of one balanced input.")
@click.option(
    "--coupling-hz",
    type=float,
    default=TYPICAL["coupling_hz"],
    show_default=True,
    help="Corner of the input's coupling capacitor, Hz; 0 where DC coupled.",
)
@click.option(
    "--noise-dbfs",
    type=float,
    default=TYPICAL["noise_dbfs"],
    show_default=True,
    help="Noise of the input, dBFS.",
)
@click.option(
    "--resistor-volts",
    type=float,
    default=TYPICAL["resistor_v"],
    show_default=True,
    help="Rated working voltage of one resistor, V.",
)
@click.option(
    "--resistor-watts",
    type=float,
    default=TYPICAL["resistor_w"],
    show_default=True,
    help="Rated power of one resistor, W.",
)
@click.option(
    "--ground-lead-watts",
    type=float,
    default=TYPICAL["ground_lead_w"],
    show_default=True,
    help="Rated power of the ground lead's resistor, W.",
)
@click.option(
    "--battery-volts",
    type=float,
    default=TYPICAL["battery_v"],
    show_default=True,
    help="Vehicle's battery voltage with the engine running, V.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def probe(
    max_volts: float,
    full_scale: float,
    input_impedance: float,
    cable_pf: float,
    tips: str,
    balanced: bool,
    coupling_hz: float,
    noise_dbfs: float,
    resistor_volts: float,
    resistor_watts: float,
    ground_lead_watts: float,
    battery_volts: float,
    as_json: bool,
) -> None:
    r"""Design the resistor probe: parts, what it reads, what every mistake does.

    \b
    Example:
      levelset probe --max-volts 120 --full-scale 1.5 --input-impedance 20000 --cable-pf 200
    """
    from levelset.probe.design import design_probe
    from levelset.probe.design_text import design_lines
    from levelset.probe.mistakes import consequences
    from levelset.probe.requirement import Requirement

    if balanced and tips == "1":
        raise UsageError("--balanced has two tips", "leave out --tips 1")
    design = design_probe(
        Requirement(
            tips="balanced" if balanced else "one" if tips == "1" else "two",
            max_volts=max_volts,
            full_scale_v_peak=full_scale,
            input_impedance_ohm=input_impedance,
            cable_pf=cable_pf,
            coupling_hz=coupling_hz,
            noise_dbfs=noise_dbfs,
            resistor_v=resistor_volts,
            resistor_w=resistor_watts,
        )
    )
    mistakes = consequences(design, battery_volts, ground_lead_watts)
    if as_json:
        print_json(_as_json(design, mistakes))
    else:
        click.echo("\n".join(design_lines(design, mistakes, _cautions(), 96)))


def _cautions() -> tuple[Caution, ...]:
    from levelset.procedures.cautions import PROBE, TOUCH

    return (PROBE, TOUCH)


def _as_json(design: ProbeDesign, mistakes: tuple[Mistake, ...]) -> dict[str, Any]:
    def one(part: DividerRange) -> dict[str, Any]:
        return {
            **asdict(part),
            "r1_ohm": part.r1_ohm,
            "high_corner_hz": part.high_corner_hz.as_json(),
        }

    return {
        "schema": "levelset.probe.v1",
        "requirement": asdict(design.requirement),
        "ranges": {"low": one(design.low), "high": one(design.high)},
        "ground_lead_ohm": design.ground_lead_ohm,
        "hazardous": design.hazardous,
        "remarks": list(design.remarks),
        "mistakes": [asdict(mistake) for mistake in mistakes],
        "cautions": [asdict(caution) for caution in _cautions()],
    }
