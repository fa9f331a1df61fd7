"""The parts of a probe, and what it does."""

from __future__ import annotations

import textwrap
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from levelset.cli.common import print_json
from levelset.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from levelset.probe.design import ProbeDesign
    from levelset.probe.divider import DividerRange
    from levelset.probe.mistakes import Mistake

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
    default=10_000.0,
    show_default=True,
    help=f"Of the input, ohm ({_TYPICAL}).",
)
@click.option(
    "--cable-pf",
    type=float,
    default=150.0,
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
    default=5.0,
    show_default=True,
    help="Corner of the input's coupling capacitor, Hz; 0 where DC coupled.",
)
@click.option(
    "--noise-dbfs", type=float, default=-100.0, show_default=True, help="Noise of the input, dBFS."
)
@click.option(
    "--resistor-volts",
    type=float,
    default=200.0,
    show_default=True,
    help="Rated working voltage of one resistor, V.",
)
@click.option(
    "--resistor-watts",
    type=float,
    default=0.25,
    show_default=True,
    help="Rated power of one resistor, W.",
)
@click.option(
    "--ground-lead-watts",
    type=float,
    default=0.5,
    show_default=True,
    help="Rated power of the ground lead's resistor, W.",
)
@click.option(
    "--battery-volts",
    type=float,
    default=14.4,
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
        click.echo("\n".join(_lines(design, mistakes)))


def _cautions() -> tuple[Any, ...]:
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


_TIPS = {
    "one": "one tip",
    "two": "two tips on two inputs; every tip has these parts",
    "balanced": "two tips on one balanced input; every pin has these parts",
}


def _lines(design: ProbeDesign, mistakes: tuple[Mistake, ...]) -> list[str]:
    need, low, high = design.requirement, design.low, design.high
    rows = [
        f"Probe for {need.max_volts:g} V peak at an input of {need.full_scale_v_peak:g} V peak, "
        f"{_ohm(need.input_impedance_ohm)}: {_TIPS[need.tips]}.",
        f"Ground lead: {_ohm(design.ground_lead_ohm)} in the lead itself, at the clip.",
        "",
        f"{'':<29}{'low range':>16}{'high range':>16}",
    ]
    for name, text in _TABLE:
        rows.append(f"{name:<29}{text(low):>16}{text(high):>16}")
    for remark in design.remarks:
        rows += ["", *_wrapped(remark)]
    rows += ["", "What happens where:"]
    for mistake in mistakes:
        where = "right  " if mistake.right else "MISTAKE"
        on_chassis = ", interface also on chassis" if mistake.interface_on_chassis else ""
        rows.append(f"  {where} {mistake.part} on {mistake.place}{on_chassis}")
        rows += _wrapped(mistake.consequence, "          ")
    rows += ["", "Cautions:"]
    for caution in _cautions():
        rows += _wrapped(f"{caution.title}. {caution.text}", "  ")
    return rows


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, 96, initial_indent=indent, subsequent_indent=indent)


def _ohm(value: float) -> str:
    for size, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if value >= size:
            return f"{value / size:g} {unit}"
    return f"{value:g} ohm"


def _small(value: float, unit: str) -> str:
    for size, prefix in ((1.0, ""), (1e-3, "m")):
        if value >= size:
            return f"{value / size:.3g} {prefix}{unit}"
    return f"{value / 1e-6:.3g} u{unit}"


_TABLE: tuple[tuple[str, Callable[[DividerRange], str]], ...] = (
    ("R1 (E24)", lambda r: ("" if r.r1_count == 1 else f"{r.r1_count} x ") + _ohm(r.r1_each_ohm)),
    ("R2 (E24)", lambda r: _ohm(r.r2_ohm)),
    ("C across R2 (E12)", lambda r: "none" if r.c_pf is None else f"{r.c_pf:g} pF"),
    ("ratio", lambda r: f"{r.ratio:.4g} : 1"),
    ("full scale at the tip", lambda r: f"{r.volts_per_full_scale:.4g} V peak"),
    ("largest readable voltage", lambda r: f"{r.readable_v_peak:.4g} V peak"),
    ("resistors bear", lambda r: f"{r.stated_v_peak:.4g} V peak"),
    ("each resistor of R1: voltage", lambda r: f"{r.r1_each_v_peak:.3g} V peak"),
    ("each resistor of R1: power", lambda r: _small(r.r1_each_w, "W")),
    ("R2: power", lambda r: _small(r.r2_w, "W")),
    ("noise floor, 20 Hz to 20 kHz", lambda r: _small(r.noise_v_rms, "V")),
    ("lower corner", lambda r: f"{r.low_corner_hz:.2g} Hz" if r.low_corner_hz else "DC"),
    ("upper corner", lambda r: f"{r.high_corner_hz.value / 1e3:.0f} kHz"),
    ("ground lead / tip", lambda r: f"{r.ground_lead_ratio:.4f}"),
    ("loss at 20 kHz", lambda r: f"{r.loss_20k_db:.2f} dB"),
)
