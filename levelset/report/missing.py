"""What a job does not hold: said on every page, so that nobody takes silence for a good result."""

from __future__ import annotations

from levelset.report.dossier import Dossier

OF_THE_JOB = (
    ("checklist", "the checklist of the installation"),
    ("supply_voltage", "supply voltage at rest and running"),
    ("calibrate", "the scale of the probe against a multimeter"),
    ("tap_check", "bias and DC offset at the source"),
    ("output_kind", "the source's kind of output"),
    ("clean_volume", "the clean volume of the source"),
    ("response", "frequency response of the source"),
    ("noise", "noise of the source"),
    ("verify", "every channel once more, nothing touched"),
    ("probe_check", "the probe's scale at the end"),
)
OF_A_CHANNEL = (
    ("gain", "gain"),
    ("dc_offset", "DC at the output"),
)
ALWAYS = (
    "Sound pressure, listening and loudspeakers themselves: levelset measures voltages.",
    "Power under load, heat and endurance: power is computed from a voltage.",
)
"""What no step of this version measures."""


def not_recorded(dossier: Dossier) -> tuple[str, ...]:
    """Return what was not measured or not finished, a sentence each."""
    found = [
        text
        for procedure, what in OF_THE_JOB
        if (text := _unless_done(dossier, procedure, None, what))
    ]
    for procedure, what in OF_A_CHANNEL:
        names = {
            c.name: _unless_done(dossier, procedure, c.name, what) for c in dossier.plan.channels
        }
        open_names = [name for name, text in names.items() if text]
        if open_names and all(text.endswith("not recorded.") for text in names.values() if text):
            found.append(f"{_upper(what)} of {', '.join(open_names)}: not recorded.")
        else:
            found += [f"{name}: {text}" for name, text in names.items() if text]
    if not dossier.customer:
        found.append("Customer: not recorded.")
    return tuple(found)


def _unless_done(dossier: Dossier, procedure: str, channel: str | None, what: str) -> str:
    step = dossier.last_step(procedure, channel)
    if step is None:
        return f"{_upper(what)}: not recorded."
    if step.data.done:
        return ""
    return f"{_upper(what)}: {step.data.outcome}. {step.data.sentence}"


def _upper(text: str) -> str:
    return text if text[:1].isupper() else text[:1].upper() + text[1:]
