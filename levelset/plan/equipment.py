"""What stands in the vehicle besides channels: amplifiers, processor, cables, more sources."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from levelset.errors import UsageError
from levelset.plan.target import Rating, rated_power_w

Material = Literal["copper", "copper_clad_aluminium"]
OutputStage = Literal["AB", "D"]
SourceKind = Literal[
    "speaker_bridged", "speaker_grounded", "balanced_line", "line", "fixed_level", "digital"
]
"""How a source gives out its signal."""


@dataclass(frozen=True, slots=True)
class CableRun:
    """A supply cable from its fuse to what it feeds, and the way back.

    Parameters
    ----------
    length_m : float
        One way, m.
    material : {"copper", "copper_clad_aluminium"}
        Of the conductor.
    awg : int or None
        Gauge by ASTM B258; 0 is 1/0, -1 is 2/0. Either this or the area is given.
    area_mm2 : float or None
        Nominal cross section, mm2.
    return_m : float or None
        Length of the ground cable of the same size, m; None where it was not noted.
    insulation_c : int
        Temperature rating of the insulation, degrees Celsius.
    fuse_a : float or None
        Fuse at its beginning, A; None where it was not noted.
    """

    length_m: float
    material: Material
    awg: int | None = None
    area_mm2: float | None = None
    return_m: float | None = None
    insulation_c: int = 60
    fuse_a: float | None = None


@dataclass(frozen=True, slots=True)
class SupplyRating:
    """A rating of the same amplifier at another supply voltage.

    Parameters
    ----------
    load_ohm, power_w, supply_v : float
        Load, ohm; power, W; supply voltage, V.
    """

    load_ohm: float
    power_w: float
    supply_v: float


@dataclass(frozen=True, slots=True)
class AmplifierPlan:
    """One amplifier, by its label and manual.

    Parameters
    ----------
    name : str
        Unique in the plan.
    rated : tuple of Rating
        Power of one channel by itself, per load.
    rated_supply_v : float
        Supply voltage of the ratings, V.
    rated_bridged : tuple of Rating
        Power of two channels bridged, per load; empty where the label has none.
    also_rated : tuple of SupplyRating
        Ratings of one channel at other supply voltages.
    lowest_load_ohm : float or None
        Lowest load that one channel bears, ohm; None takes the lowest rated one.
    lowest_bridged_ohm : float or None
        The same for two channels bridged; None means twice the lowest load of one channel.
    regulated : bool
        True where the supply voltage makes no difference.
    stage : {"AB", "D"} or None
        Class of its output stage; None where it is not known.
    input_range_v_rms : tuple of float or None
        Lowest and highest input voltage for full power between the ends of its gain knob, V.
    fuse_a : float or None
        Fuse in or beside the amplifier, by its manual, A.
    feed : CableRun or None
        Its own supply cable.
    """

    name: str
    rated: tuple[Rating, ...]
    rated_supply_v: float
    rated_bridged: tuple[Rating, ...] = ()
    also_rated: tuple[SupplyRating, ...] = ()
    lowest_load_ohm: float | None = None
    lowest_bridged_ohm: float | None = None
    regulated: bool = False
    stage: OutputStage | None = None
    input_range_v_rms: tuple[float, float] | None = None
    fuse_a: float | None = None
    feed: CableRun | None = None

    def ratings(self, *, bridged: bool) -> tuple[Rating, ...]:
        """Return the ratings of one output, that of a bridged pair where ``bridged``.

        Without ratings of its own a bridged pair into Z delivers twice what one channel delivers
        into Z/2: each half sees half the load and makes half the voltage (any circuit textbook).
        """
        if not bridged:
            return self.rated
        return self.rated_bridged or tuple(
            Rating(2.0 * one.load_ohm, 2.0 * one.power_w) for one in self.rated
        )

    def refuse_load(self, net_load_ohm: float, channel: str, *, bridged: bool) -> None:
        """Raise UsageError where a load is below what this amplifier bears."""
        half = f", {net_load_ohm / 2.0:g} ohm on each of its halves," if bridged else ""
        lowest = self.lowest_bridged_ohm if bridged else self.lowest_load_ohm
        if lowest is None and bridged and self.lowest_load_ohm is not None:
            lowest = 2.0 * self.lowest_load_ohm
        if lowest is not None and net_load_ohm < lowest * (1.0 - 1e-6):
            how = " bridged" if bridged else ""
            raise UsageError(
                f"channel {channel}: {net_load_ohm:g} ohm{half} is below the lowest load of "
                f"{self.name}{how}, {lowest:g} ohm",
                "wire the voice coils for a higher load or use another amplifier",
            )

    def clip_ratio(self, net_load_ohm: float, supply_v: float, *, bridged: bool) -> float:
        """Return the voltage where it clips at a supply voltage over that at the rated one.

        Between two supply voltages with ratings for this load the voltage follows a straight line
        through both; else it is proportional to the supply, or constant where regulated (common
        practice, no source).
        """
        if self.regulated:
            return 1.0
        load_ohm = net_load_ohm / 2.0 if bridged else net_load_ohm
        known = {self.rated_supply_v: math.sqrt(rated_power_w(self.rated, load_ohm) * load_ohm)}
        for one in self.also_rated:
            if math.isclose(one.load_ohm, load_ohm, rel_tol=1e-6):
                known[one.supply_v] = math.sqrt(one.power_w * load_ohm)
        rated_v = known[self.rated_supply_v]
        below = [v for v in known if v <= supply_v]
        above = [v for v in known if v >= supply_v]
        if not below or not above:
            nearest = max(below) if below else min(above)
            return known[nearest] / rated_v * supply_v / nearest
        low, high = max(below), min(above)
        part = 0.0 if low == high else (supply_v - low) / (high - low)
        return (known[low] + part * (known[high] - known[low])) / rated_v


@dataclass(frozen=True, slots=True)
class ProcessorPlan:
    """A sound processor or line converter between source and amplifiers.

    Parameters
    ----------
    name : str
        What it is.
    kind : {"processor", "line_converter"}
        Which of both.
    max_input_v_rms, max_output_v_rms : float or None
        Largest clean voltage at its input and output, by its manual, V; None where not known.
    """

    name: str
    kind: Literal["processor", "line_converter"]
    max_input_v_rms: float | None = None
    max_output_v_rms: float | None = None


@dataclass(frozen=True, slots=True)
class SupplyPlan:
    """The vehicle's supply.

    Parameters
    ----------
    rest_v, running_v : float or None
        Voltage at rest and with the engine running, as far as it is known beforehand, V.
    main : CableRun or None
        A cable that several amplifiers share.
    """

    rest_v: float | None = None
    running_v: float | None = None
    main: CableRun | None = None
