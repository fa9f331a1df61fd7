"""A DC resistance read by the multimeter against the wiring that was planned.

The DC resistance of a voice coil is 0.6 to 0.95 of its nominal impedance (common practice, no
source; by IEC 60268-5 the impedance itself never falls below 80 % of the rated one within the rated
band, from memory). A wiring therefore reads 0.6 to 0.95 of its net load, plus the meter's leads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from levelset.plan.load import coils_of, net_load_ohm

DC_PART = (0.6, 0.95)
"""DC resistance over nominal impedance."""

LEADS_OHM = 0.2
"""What leads and contacts of a multimeter may add, ohm (common practice, no source)."""

SHORT_OHM = 0.5
"""A reading below this is a short, and below half of what the lowest wiring reads, ohm."""

OPEN_PART = 2.0
"""More than this times the highest wiring is open."""

MOST_COILS = 4
"""Up to so many coils every wiring is looked at; of more only the regular ones."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """A way to connect coils.

    Parameters
    ----------
    words : str
        Such as ``the coils in series``.
    ohm : float
        Its net load, ohm.
    """

    words: str
    ohm: float


@dataclass(frozen=True, slots=True)
class ResistanceVerdict:
    """What a reading says about the wiring.

    Parameters
    ----------
    verdict : {"fits", "contradicts", "unclear"}
        ``unclear``: neither the plan nor any other wiring of these coils reads so.
    reads_like : str or None
        The wiring that reads so, where it is not the planned one.
    sentence : str
        For a person.
    """

    verdict: Literal["fits", "contradicts", "unclear"]
    reads_like: str | None
    sentence: str


def judge_resistance(load: str, measured_ohm: float) -> ResistanceVerdict:
    """Compare a DC resistance with the planned wiring and with every other one.

    Parameters
    ----------
    load : str
        Planned wiring in textbook notation, such as ``4||4``.
    measured_ohm : float
        DC resistance across the pair, amplifier off and disconnected, ohm; infinity for open.

    Raises
    ------
    UsageError
        If the load cannot be read.
    """
    planned_ohm = net_load_ohm(load)
    expected = f"{_shown(DC_PART[0] * planned_ohm)} to {_shown(DC_PART[1] * planned_ohm)} ohm"
    reads = f"{_shown(measured_ohm)} ohm"
    wirings = possible_wirings(load)
    others = [w for w in wirings if _fits(measured_ohm, w.ohm)]
    # What the leads add only counts where no other wiring explains the reading without them.
    if _fits(measured_ohm, planned_ohm, 0.0 if others else LEADS_OHM):
        return ResistanceVerdict("fits", None, f"{reads} fits {_shown(planned_ohm)} ohm net.")
    lowest, highest = min(w.ohm for w in wirings), max(w.ohm for w in wirings)
    if measured_ohm > OPEN_PART * highest:
        like = "an open circuit"
        hint = ": a wire is off, or a capacitor of a crossover is in the way"
        reads = "No connection" if math.isinf(measured_ohm) else reads
    elif measured_ohm < min(SHORT_OHM, 0.5 * DC_PART[0] * lowest):
        like, hint = "a short circuit", ": connect nothing until it is found"
    else:
        fitting = others or [w for w in wirings if _fits(measured_ohm, w.ohm, LEADS_OHM)]
        if not fitting:
            return ResistanceVerdict(
                "unclear",
                None,
                f"{reads} is neither the plan, {expected}, nor another wiring of these coils: "
                "look at their label and measure again.",
            )
        best = min(fitting, key=lambda w: abs(math.log(measured_ohm / _typical(w.ohm))))
        like, hint = best.words, f", {_shown(best.ohm)} ohm net"
    return ResistanceVerdict(
        "contradicts",
        like,
        f"{reads} reads like {like}{hint}; the plan says {_plan_words(load)}, {expected}.",
    )


def possible_wirings(load: str) -> list[Wiring]:
    """Return the wirings that are possible with the coils of a load, the planned one left out."""
    coils = coils_of(load)
    planned_ohm = net_load_ohm(load)
    count = len(coils)
    found: list[Wiring] = []
    for size in range(1, min(count, MOST_COILS) + 1):
        for chosen in combinations(coils, size):
            found += _wirings(chosen, count)
    if count > MOST_COILS:
        found += _regular(coils)
    if count == 1:
        coil = coils[0]
        found += [
            Wiring(f"two coils of {_shown(coil)} ohm in parallel", coil / 2.0),
            Wiring(f"two coils of {_shown(coil)} ohm in series", coil * 2.0),
        ]
    distinct: dict[float, Wiring] = {}
    for wiring in found:
        distinct.setdefault(round(wiring.ohm, 6), wiring)
    return [w for w in distinct.values() if not math.isclose(w.ohm, planned_ohm, rel_tol=1e-6)] or [
        Wiring("the plan", planned_ohm)
    ]


def _wirings(chosen: tuple[float, ...], count: int) -> list[Wiring]:
    some = "the coils" if len(chosen) == count else f"only {len(chosen)} of {count} coils"
    if len(chosen) == 1:
        return [Wiring("a single coil", chosen[0])]
    series, parallel = sum(chosen), 1.0 / sum(1.0 / one for one in chosen)
    found = [Wiring(f"{some} in series", series), Wiring(f"{some} in parallel", parallel)]
    if len(chosen) == 4:
        a, b, c, d = chosen
        in_series = 1.0 / (1.0 / (a + b) + 1.0 / (c + d))
        in_parallel = a * b / (a + b) + c * d / (c + d)
        found.append(Wiring(f"{some} in pairs, series then parallel", in_series))
        found.append(Wiring(f"{some} in pairs, parallel then series", in_parallel))
    elif len(chosen) == 3:
        for one in range(3):
            rest = [ohm for n, ohm in enumerate(chosen) if n != one]
            pair = rest[0] * rest[1] / sum(rest)
            found.append(Wiring(f"{some}, two in parallel and one in series", chosen[one] + pair))
            beside = chosen[one] * sum(rest) / (chosen[one] + sum(rest))
            found.append(Wiring(f"{some}, two in series and one in parallel", beside))
    return found


def _regular(coils: tuple[float, ...]) -> list[Wiring]:
    """Return the wirings of many coils in equal groups, by their mean."""
    count, coil = len(coils), sum(coils) / len(coils)
    return [
        Wiring(f"the coils as {count // size} groups of {size} in series", coil * size**2 / count)
        for size in range(1, count + 1)
        if count % size == 0
    ]


def _fits(measured_ohm: float, nominal_ohm: float, leads_ohm: float = 0.0) -> bool:
    low, high = DC_PART
    return low * nominal_ohm <= measured_ohm <= high * nominal_ohm + leads_ohm


def _typical(nominal_ohm: float) -> float:
    return math.sqrt(DC_PART[0] * DC_PART[1]) * nominal_ohm


def _plan_words(load: str) -> str:
    return f"{load.strip()} = {_shown(net_load_ohm(load))} ohm net"


def _shown(ohm: float) -> str:
    return f"{ohm:.3g}"
