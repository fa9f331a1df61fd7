"""What a job does not hold: said on every page, so that nobody takes silence for a good result."""

from __future__ import annotations

from dataclasses import dataclass

from levelset.report.dossier import Dossier
from levelset.report.words import joined

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
    ("gain", "the gain"),
    ("dc_offset", "DC at the output"),
)
ALWAYS = (
    "Sound pressure and the loudspeakers themselves: levelset measures voltages.",
    "Power under load, heat and endurance: power is computed from a voltage.",
)
"""What no step of this version measures."""


@dataclass(frozen=True, slots=True)
class Missing:
    """What a job does not hold.

    Parameters
    ----------
    never : tuple of str
        What no step was made for, in words.
    unfinished : tuple of str
        What was begun and not finished, a sentence each.
    unconfirmed : tuple of str
        Values of the plan that came from a template and were never confirmed.
    """

    never: tuple[str, ...]
    unfinished: tuple[str, ...]
    unconfirmed: tuple[str, ...]


def not_recorded(dossier: Dossier) -> Missing:
    """Return what was not measured or not finished."""
    never, unfinished = [], []
    channels = [channel.name for channel in dossier.plan.channels]
    of_the_job = [*OF_THE_JOB]
    if dossier.plan.processor is not None:
        of_the_job.append(("processor", f"the output level of {dossier.plan.processor.name}"))
    for procedure, what in of_the_job:
        step = dossier.last_step(procedure, None)
        if step is None:
            never.append(what)
        elif not step.data.done:
            unfinished.append(f"{what}: {step.data.outcome}. {step.data.sentence}")
    for procedure, what in OF_A_CHANNEL:
        steps = {name: dossier.last_step(procedure, name) for name in channels}
        names = [name for name, step in steps.items() if step is None]
        if names:
            never.append(f"{what} of {joined(names)}")
        unfinished += [
            f"{what} of {name}: {step.data.outcome}. {step.data.sentence}"
            for name, step in steps.items()
            if step is not None and not step.data.done
        ]
    if not dossier.customer:
        never.append("the customer")
    return Missing(
        tuple(never), tuple(_upper(text) for text in unfinished), dossier.plan.unconfirmed
    )


def _upper(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"
