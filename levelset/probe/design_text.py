"""A probe's design as lines for a person."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from levelset.probe.design import ProbeDesign
    from levelset.probe.divider import DividerRange
    from levelset.probe.mistakes import Mistake


class Hazard(Protocol):
    """A caution: what the hazard is, and what to do about it."""

    @property
    def title(self) -> str:
        """The hazard in a few words."""
        ...

    @property
    def text(self) -> str:
        """What to do, in full sentences."""
        ...


_TIPS = {
    "one": "one tip",
    "two": "two tips on two inputs; every tip has these parts",
    "balanced": "two tips on one balanced input; every pin has these parts",
}


def design_lines(
    design: ProbeDesign, mistakes: Iterable[Mistake], cautions: Iterable[Hazard], width: int
) -> list[str]:
    """Return the page of a probe: its parts, what it reads, what every mistake does.

    Parameters
    ----------
    design : ProbeDesign
        The probe.
    mistakes : iterable of Mistake
        What happens where.
    cautions : iterable of Hazard
        What to mind while it is used.
    width : int
        Longest line, at least 58.

    Returns
    -------
    list of str
        Lines without an end of line.
    """
    column = min(16, (width - 29) // 2)
    need, low, high = design.requirement, design.low, design.high
    rows = [
        *_wrapped(
            f"Probe for {need.max_volts:g} V peak at an input of {need.full_scale_v_peak:g} V "
            f"peak, {_ohm(need.input_impedance_ohm)}: {_TIPS[need.tips]}.",
            width,
        ),
        f"Ground lead: {_ohm(design.ground_lead_ohm)} in the lead itself, at the clip.",
        "",
        f"{'':<29}{'low range':>{column}}{'high range':>{column}}",
    ]
    for name, text in _TABLE:
        rows.append(f"{name:<29}{text(low):>{column}}{text(high):>{column}}")
    for remark in design.remarks:
        rows += ["", *_wrapped(remark, width)]
    rows += ["", "What happens where:"]
    for mistake in mistakes:
        where = "right  " if mistake.right else "MISTAKE"
        on_chassis = ", interface also on chassis" if mistake.interface_on_chassis else ""
        rows += _wrapped(f"{where} {mistake.part} on {mistake.place}{on_chassis}", width, "  ")
        rows += _wrapped(mistake.consequence, width, "          ")
    rows += ["", "Cautions:"]
    for caution in cautions:
        rows += _wrapped(f"{caution.title}. {caution.text}", width, "  ")
    return rows


def _wrapped(text: str, width: int, indent: str = "") -> list[str]:
    return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=indent)


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
