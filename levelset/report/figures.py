"""Which pictures belong to a step."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from levelset.quantity import Quantity
from levelset.record.comparison import is_number
from levelset.record.schema import ReadingData, quantity_from
from levelset.report.captures import Curves, curves_of
from levelset.report.dossier import Dossier, Step
from levelset.report.evidence import output_of
from levelset.report.plots import response_curve, spectrum, transfer, volume_curve, waveform
from levelset.report.words import share_text

FEWEST_POINTS = 5
"""A list of fewer levels over frequency is a table, not a curve."""
SHAPES = {
    "clean": "clean",
    "hard_clipping": "tops flat",
    "soft_clipping": "tops compressed",
    "distorted": "distorted",
}


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture with its caption.

    Parameters
    ----------
    svg : str
        The drawing.
    caption : str
        What it shows.
    """

    svg: str
    caption: str


@dataclass(frozen=True, slots=True)
class Evidence:
    """The reading behind a result, drawn from its capture.

    Parameters
    ----------
    seq : int
        Line of the reading.
    figures : tuple of Figure
        Its pictures; empty where there are none.
    fault : str
        Why there are none, else nothing.
    text : str
        What the reading says, in one line.
    """

    seq: int
    figures: tuple[Figure, ...]
    fault: str
    text: str


def evidence_of(dossier: Dossier, step: Step | None, *, full: bool) -> Evidence | None:
    """Return the reading that a step names, with its pictures.

    Parameters
    ----------
    dossier : Dossier
        The job.
    step : Step or None
        A finished step.
    full : bool
        Whether transfer curve and spectrum are drawn besides the waveform.
    """
    named = None if step is None else dossier.reading_of(step.result)
    if named is None:
        return None
    seq, reading = named
    calibration = dossier.calibrations.get(reading.calibration_seq or 0)
    curves = curves_of(dossier.path, reading, calibration, dossier.head.analysis)
    text = reading_text(reading)
    if isinstance(curves, str):
        return Evidence(seq, (), curves, text)
    return Evidence(seq, _drawn(curves, full), "", text)


def _drawn(curves: Curves, full: bool) -> tuple[Figure, ...]:
    figures = [Figure(waveform(curves), "One period: measured (line), fitted sine (dashes)")]
    if full:
        figures += [
            Figure(transfer(curves), "Transfer curve: straight (dashes) where nothing clips"),
            Figure(spectrum(curves), "Spectrum"),
        ]
    return tuple(figures)


def reading_text(reading: ReadingData) -> str:
    """Return what a reading says in one line: volts, frequency, THD, harmonics, shape."""
    output = output_of(reading)
    if output.get("void"):
        return f"void: {output.get('void_reason') or output['void']}"
    parts = []
    volts = quantity_from(output.get("volts_rms"), "V")
    if volts is not None:
        parts.append(f"{volts.text()} RMS")
    hz = quantity_from(output.get("frequency_hz"), "Hz")
    if hz is not None:
        parts.append(f"{hz.value:.2f} Hz")
    for key, name in (("thd_percent", "THD"), ("thd_n_percent", "THD + noise")):
        share = quantity_from(output.get(key), "%")
        if share is not None:
            parts.append(f"{name} {share_text(share.value)}")
    crest = output.get("crest_factor")
    if is_number(crest):
        parts.append(f"crest factor {crest:.3f}")
    harmonics = output.get("harmonics_percent")
    if isinstance(harmonics, list):
        shown = [f"H{n} {share_text(h)}" for n, h in enumerate(harmonics[:4], 2) if is_number(h)]
        parts += [", ".join(shown)] if shown else []
    clipping = output.get("clipping")
    if isinstance(clipping, dict):
        state = str(clipping.get("state"))
        parts.append(f"shape: {SHAPES.get(state, state)}")
    return "; ".join(parts)


def step_figures(dossier: Dossier, step: Step) -> tuple[Figure, ...]:
    """Return the pictures that a step's own result holds."""
    if step.data.procedure == "clean_volume":
        drawn = volume_curve(step.result, dossier.plan.limit_percent)
        if drawn is None:
            return ()
        volts, thd = drawn
        crosses = "dots clean, crosses above the clean volume"
        second = step.result.get("second_tone_hz")
        dashes = f"; dashes at {second:g} Hz" if is_number(second) else ""
        figures = [Figure(volts, f"Volts at each volume; {crosses}{dashes}")]
        return (*figures, Figure(thd, f"THD at each volume; {crosses}")) if thd else tuple(figures)
    found = [*curves_in(step.result)]
    for line in dossier.of_kind("stretch"):
        if line.seq == step.result.get("stretch_seq"):
            found += curves_in(line.data.get("readings"))
    return tuple(
        Figure(
            response_curve(hz, levels), f"{name or 'level'}; grey: 95 % uncertainty".capitalize()
        )
        for name, hz, levels in found
    )


def curves_in(value: object, name: str = "") -> Iterator[tuple[str, list[float], list[Quantity]]]:
    """Find the lists of levels over frequency in a result, whatever step wrote it.

    Parameters
    ----------
    value : JSON value
        A result or a part of one.
    name : str
        What it is called.

    Yields
    ------
    name : str
        What the list is called, in words.
    hz : list of float
        Ascending, Hz.
    levels : list of Quantity
        dB; levels that are only an upper limit are left out.
    """
    if isinstance(value, dict):
        for key, part in value.items():
            yield from curves_in(part, ", ".join(filter(None, (name, key.replace("_", " ")))))
        return
    if not isinstance(value, list):
        return
    points = sorted(
        ((float(row["frequency_hz"]), level) for row in value if (level := _level(row))),
        key=lambda point: point[0],
    )
    if len(points) >= FEWEST_POINTS:
        yield name, [point[0] for point in points], [point[1] for point in points]
        return
    for part in value:
        yield from curves_in(part, name)


def without_curves(value: object) -> Any:
    """Return a result without the lists that are drawn: as tables they fill pages."""
    if isinstance(value, dict):
        drawn = {key for key, part in value.items() if _is_curve(part)}
        return {key: without_curves(part) for key, part in value.items() if key not in drawn}
    if isinstance(value, list):
        return [without_curves(part) for part in value]
    return value


def _is_curve(value: object) -> bool:
    return (
        isinstance(value, list) and sum(_level(row) is not None for row in value) >= FEWEST_POINTS
    )


def _level(row: object) -> Quantity | None:
    if not isinstance(row, dict) or row.get("below") is True:
        return None
    hz = row.get("frequency_hz")
    if not is_number(hz) or not hz > 0.0:
        return None
    return quantity_from(row.get("level_db"), "dB")
