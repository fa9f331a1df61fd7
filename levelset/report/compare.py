"""What moved between two jobs, or within one since it was set, and whether that is certain."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from statistics import NormalDist
from typing import Any

from levelset.errors import InputError
from levelset.probe.budget import ratio_budget
from levelset.probe.uncertainty import expanded_uncertainty
from levelset.quantity import Quantity
from levelset.report.dossier import Dossier, read_dossier
from levelset.report.evidence import NEPER_DB
from levelset.report.snapshot import Curve, Item, snapshot
from levelset.report.values import quantity_text
from levelset.report.words import INVENTED, day_text, volts_text
from levelset.units import db_from_ratio

SAME_CONDITION = 0.01
"""Targets, tones and volumes that differ by more than this part are different."""
THD_OWN_PERCENT = 0.01
"""Distortion of an interface itself, which differs with its input level and is in no reading's
uncertainty, percentage points (common practice, no source)."""
UNTOLD = frozenset(("cannot tell", "unknown", "skipped"))
"""Words of a result that say that nothing is known."""
VOLTAGE = ": voltage"
MOST_IN_A_SENTENCE = 3
NOTHING_MOVED = "Nothing moved beyond its uncertainty."


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two.

    Parameters
    ----------
    path, title, day, head_sha256 : str
        Folder, title, day of the first line, and hash of the newest line.
    """

    path: str
    title: str
    day: str
    head_sha256: str


@dataclass(frozen=True, slots=True)
class Movement:
    """One thing, then and now.

    Parameters
    ----------
    what : str
        In words.
    channel : str or None
        Amplifier channel.
    then, now : str
        Values as text.
    change : Quantity or None
        Now less then, dB for voltages; None for words.
    moved : bool
        Whether the change is larger than its 95 % uncertainty; for words, whether they differ.
    note : str
        What the uncertainty holds, or where a curve differs most.
    """

    what: str
    channel: str | None
    then: str
    now: str
    change: Quantity | None
    moved: bool
    note: str = ""

    @property
    def verdict(self) -> str:
        """The answer in a word or two."""
        if self.moved:
            return "moved"
        return "within uncertainty" if self.change is not None and self.change.u else "the same"

    @property
    def change_text(self) -> str:
        """The change with its uncertainty."""
        if self.change is None:
            return "changed" if self.moved else "the same"
        if self.change.u == 0.0:
            return f"{self.change.value:+.4g}" if self.change.value else "the same"
        return self.change.text(signed=True)

    @property
    def sentence(self) -> str:
        """The change as part of a sentence."""
        if self.change is not None and self.what.endswith(VOLTAGE):
            size = abs(self.change.value)
            word = "higher" if self.change.value > 0.0 else "lower"
            name = self.what.removesuffix(VOLTAGE)
            return f"{name} {size:.{1 if size >= 1.0 else 2}f} dB {word} than then"
        return f"{self.what} {self.now} instead of {self.then}"


@dataclass(frozen=True, slots=True)
class NotCompared:
    """One thing that was not compared.

    Parameters
    ----------
    what, why : str
        In words.
    """

    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two jobs, or one then and now.

    Parameters
    ----------
    then, now : Side
        The two.
    movements : tuple of Movement
        Everything that was compared.
    not_compared : tuple of NotCompared
        Everything else.
    notes : tuple of str
        What is worth knowing.
    """

    then: Side
    now: Side
    movements: tuple[Movement, ...]
    not_compared: tuple[NotCompared, ...]
    notes: tuple[str, ...]

    @property
    def moved(self) -> bool:
        """Whether anything moved beyond its uncertainty."""
        return any(one.moved for one in self.movements)

    @property
    def sentence(self) -> str:
        """What moved, in one sentence."""
        parts = [one.sentence for one in self.movements if one.moved]
        if not parts:
            return NOTHING_MOVED
        still = len(self.movements) - len(parts)
        if len(parts) > MOST_IN_A_SENTENCE:
            parts[MOST_IN_A_SENTENCE:] = [f"{len(parts) - MOST_IN_A_SENTENCE} more things moved"]
        if still:
            parts.append("everything else within uncertainty")
        return f"{'; '.join(parts)}."

    @property
    def reasons(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Why things were not compared, each reason once, with what it holds for."""
        found: dict[str, dict[str, list[str]]] = {}
        for one in self.not_compared:
            # Values of one step stand together.
            step = found.setdefault(one.why, {}).setdefault(one.what.partition(",")[0], [])
            step.append(one.what)
        return tuple(
            (
                why,
                tuple(
                    whats[0] if len(whats) == 1 else f"{step} ({len(whats)} values)"
                    for step, whats in steps.items()
                ),
            )
            for why, steps in found.items()
        )

    def as_json(self) -> dict[str, Any]:
        """Return ``job compare --json``."""
        rows = []
        for one in self.movements:
            row = asdict(one)
            change = one.change
            row["change"] = None if change is None else {**change.as_json(), "unit": change.unit}
            rows.append(row)
        return {
            "schema": "levelset.comparison.v1",
            "then": asdict(self.then),
            "now": asdict(self.now),
            "moved": self.moved,
            "sentence": self.sentence,
            "movements": rows,
            "not_compared": [asdict(one) for one in self.not_compared],
            "notes": list(self.notes),
        }

    def text(self) -> str:
        """Return the comparison as lines for a terminal, the sentence first."""
        rows = [self.sentence, ""]
        width = max((len(one.what) for one in self.movements), default=0)
        for one in self.movements:
            mark = "MOVED" if one.moved else "  ok "
            rows.append(f"{mark}  {one.what:<{width}}  {one.then} -> {one.now}: {one.change_text}")
        rows += [f"not compared, {why}: {'; '.join(whats)}" for why, whats in self.reasons]
        rows += [f"note: {note}" for note in self.notes]
        return "\n".join(rows)


def compare_jobs(then: Path, now: Path | None) -> Comparison:
    """Compare two jobs, or what was measured last in a job with what was set first.

    Parameters
    ----------
    then : Path
        Folder of the older job.
    now : Path or None
        Folder of the newer one; None compares within the older one.

    Returns
    -------
    Comparison
        Voltages as levels. What two readings with the same calibration have in common, mostly the
        multimeter, cancels (the covariance of JCGM 100:2008, 5.2.2, is subtracted by leaving it
        out); otherwise both uncertainties count in full.

    Raises
    ------
    InputError
        If a job cannot be read, or there is nothing in both that can be compared.
    """
    old = read_dossier(then)
    new = old if now is None else read_dossier(now)
    before = snapshot(old, first=now is None)
    after = snapshot(new, first=False)
    movements, skipped = [], []
    for key in dict.fromkeys((*before, *after)):
        found = _compared(before.get(key), after.get(key), one_job=now is None)
        if isinstance(found, Movement):
            movements.append(found)
        else:
            skipped.append(found)
    if not movements:
        why = f" ({skipped[0].what}: {skipped[0].why})" if skipped else ""
        where = f"{then}" if now is None else f"{then} and {now}"
        raise InputError(
            f"{where}: nothing can be compared{why}",
            "measure again with levelset run, then compare",
        )
    return Comparison(
        _side(old), _side(new), tuple(movements), tuple(skipped), tuple(_notes(old, new))
    )


def _compared(then: Item | None, now: Item | None, *, one_job: bool) -> Movement | NotCompared:
    if then is None or now is None:
        there = then or now
        assert there is not None
        return NotCompared(there.what, "measured then only" if now is None else "measured now only")
    if one_job and then.seq == now.seq:
        return NotCompared(then.what, "measured once only")
    for name in then.conditions.keys() | now.conditions.keys():
        why = _other_condition(name, then.conditions.get(name), now.conditions.get(name))
        if why:
            return NotCompared(then.what, why)
    for word, one in (("then", then), ("now", now)):
        if one.unconfirmed:
            return NotCompared(one.what, f"the reading of {word} is unconfirmed")
    if isinstance(then.value, Quantity) and isinstance(now.value, Quantity):
        return _of_quantities(then, then.value, now, now.value)
    if isinstance(then.value, str) and isinstance(now.value, str):
        for word, value in (("then", then.value), ("now", now.value)):
            if value in UNTOLD:
                return NotCompared(then.what, f"it could not be told {word}")
        differs = then.value != now.value
        return Movement(then.what, then.channel, then.value, now.value, None, differs)
    if isinstance(then.value, tuple) and isinstance(now.value, tuple):
        return of_curves(then, then.value, now.value)
    return NotCompared(then.what, "of another kind then")


def _other_condition(
    name: str, then: tuple[float, str] | None, now: tuple[float, str] | None
) -> str:
    """Return why a condition forbids the comparison, else nothing."""
    if then is None or now is None:
        return f"the {name} is recorded on one side only"
    if math.isclose(then[0], now[0], rel_tol=SAME_CONDITION):
        return ""
    texts = [
        volts_text(value) if unit == "V" else f"{value:g} {unit}".rstrip()
        for value, unit in (then, now)
    ]
    return f"another {name}: {texts[0]} then, {texts[1]} now"


def _of_quantities(one: Item, then: Quantity, other: Item, now: Quantity) -> Movement:
    texts = quantity_text(then), quantity_text(now)
    if then.u == 0.0 and now.u == 0.0:
        texts = f"{then.value:g}", f"{now.value:g}"
    note = ""
    if one.key[0] in ("voltage", "clip") and then.value > 0.0 and now.value > 0.0:
        relative = math.hypot(then.u / then.value, now.u / now.value)
        if one.budget and other.budget:
            same = same_scale(one, other)
            note = "same calibration: the multimeter's part cancels" if same else ""
            budget = ratio_budget(one.budget, other.budget, same_scale=same)
            relative = expanded_uncertainty(budget)
        change = Quantity(db_from_ratio(now.value / then.value), NEPER_DB * relative, "dB")
    else:
        extra = THD_OWN_PERCENT if one.key[0] == "thd" else 0.0
        change = Quantity(now.value - then.value, math.hypot(then.u, now.u, extra), then.unit)
    moved = abs(change.value) > change.u
    return Movement(one.what, one.channel, *texts, change, moved, note)


def of_curves(one: Item, then: Curve, now: Curve) -> Movement | NotCompared:
    """Compare two responses where both have a level, and name the place that differs most."""
    later = dict(zip(*now, strict=True))
    pairs = [
        (hz, level, match)
        for hz, level in zip(*then, strict=True)
        if (match := _near(later, hz)) is not None
    ]
    if not pairs:
        return NotCompared(one.what, "at other frequencies then")

    factor = _for_all(len(pairs))

    def change_of(pair: tuple[float, Quantity, Quantity]) -> Quantity:
        _, old, new = pair
        return Quantity(new.value - old.value, factor * math.hypot(old.u, new.u), "dB")

    def excess(pair: tuple[float, Quantity, Quantity]) -> float:
        change = change_of(pair)
        return abs(change.value) / max(change.u, 1e-9)

    hz, old, new = furthest = max(pairs, key=excess)
    change = change_of(furthest)
    note = f"at {hz:.4g} Hz, where it differs most; 95 % for all {len(pairs)} places together"
    texts = f"{old.text()} at {hz:.4g} Hz", f"{new.text()} at {hz:.4g} Hz"
    return Movement(one.what, one.channel, *texts, change, abs(change.value) > change.u, note)


def _for_all(places: int) -> float:
    """Return how much wider 95 % intervals are that hold for all of many places together.

    Z. Sidak, Journal of the American Statistical Association 62 (1967): 0.95 to the power of
    1 / places for each (from memory).
    """
    normal = NormalDist()
    each = 0.95 ** (1.0 / places)
    return normal.inv_cdf(0.5 + 0.5 * each) / normal.inv_cdf(0.975)


def _near(levels: dict[float, Quantity], hz: float) -> Quantity | None:
    nearest = min(levels, key=lambda other: abs(other - hz), default=None)
    if nearest is None or not math.isclose(nearest, hz, rel_tol=SAME_CONDITION):
        return None
    return levels[nearest]


def same_scale(one: Item, other: Item) -> bool:
    """Return whether two readings were made with one calibration, whatever line holds it."""
    a, b = one.calibration, other.calibration
    if a is None or b is None:
        return False
    return replace(a, evidence=(), dc=None) == replace(b, evidence=(), dc=None)


def _side(dossier: Dossier) -> Side:
    first = dossier.lines[0]
    return Side(str(dossier.path), dossier.head.title, day_text(first.time), dossier.newest.sha256)


def _notes(old: Dossier, new: Dossier) -> list[str]:
    notes = [INVENTED] if old.plan.invented or new.plan.invented else []
    for word, one in (("then", old), ("now", new)):
        notes += [f"the record of {word} does not hold: {fault}" for fault in one.faults]
    if old is new:
        return list(dict.fromkeys(notes))
    if old.lines[0].time > new.lines[0].time:
        notes.append("the first of the two jobs is the newer one")
    if old.plan.vehicle != new.plan.vehicle:
        notes.append(f"another vehicle: {old.plan.vehicle} then, {new.plan.vehicle} now")
    loads = {channel.name: channel.net_load_ohm for channel in old.plan.channels}
    notes += [
        f"another load of {c.name}: {loads[c.name]:g} ohm then, {c.net_load_ohm:g} ohm now"
        for c in new.plan.channels
        if c.name in loads and not math.isclose(loads[c.name], c.net_load_ohm)
    ]
    return notes
