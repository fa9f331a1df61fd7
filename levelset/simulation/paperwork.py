"""What a person can read on labels, in manuals and on a display, as the plan of a job."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from levelset.plan.equipment import ProcessorPlan
from levelset.plan.job import JobPlan, MeterSpec, ProbePlan, SourcePlan, plan_channel
from levelset.plan.match import matched_targets
from levelset.signals.channels import LAYOUTS

if TYPE_CHECKING:
    from levelset.simulation.car import CarTruth

LIMIT_PERCENT = 1.0
"""Usual limit for "clean" (common practice, no source)."""

MARGIN_DB = 0.5
"""Usual back-off below the onset of clipping (common practice, no source)."""

TONE_FROM: Literal["vehicle"] = "vehicle"
"""The simulated car has a player of its own."""


def job_plan(truth: CarTruth) -> JobPlan:
    """Return the plan of a job on this car.

    Nothing in it comes from what only a measurement can show: clip points, true gains, mismatch,
    noise, clocks and the meter's error stay out.

    Parameters
    ----------
    truth : CarTruth
        The car.

    Returns
    -------
    JobPlan
        Marked as invented.

    Raises
    ------
    UsageError
        If a load is below the lowest rated one.
    """
    meter = truth.meter
    return JobPlan(
        vehicle="simulated car (invented)",
        invented=True,
        source=SourcePlan(
            max_volume=truth.source.max_volume,
            start_volume=truth.source.start_volume,
            player_channels=_player_channels(truth),
        ),
        channels=matched_targets(
            tuple(
                plan_channel(
                    name=amplifier.name,
                    load=amplifier.load,
                    ratings=amplifier.rated,
                    rated_supply_v=amplifier.rated_supply,
                    loudspeaker_w=amplifier.loudspeaker_w,
                    band_hz=amplifier.band_hz,
                    overlap_db=0.0,
                    match=amplifier.match or None,
                    input_range_v_rms=amplifier.input_range_volts,
                )
                for amplifier in truth.amplifiers
            )
        ),
        probe=ProbePlan(
            divider=truth.probe.divider,
            max_volts=truth.probe.max_volts,
            full_scale_volts_peak=truth.interface.full_scale_volts_peak,
            coupling_hz=truth.interface.coupling_hz,
            tips=2 if truth.interface.channels == 2 else 1,
            meter=MeterSpec(
                percent=meter.ac_percent,
                counts=meter.ac_counts,
                resolution_v=meter.ac_resolution_v,
            ),
            meter_dc=MeterSpec(
                percent=meter.dc_percent,
                counts=meter.dc_counts,
                resolution_v=meter.dc_resolution_v,
            ),
        ),
        tone_from=TONE_FROM,
        limit_percent=LIMIT_PERCENT,
        margin_db=MARGIN_DB,
        processor=_processor(truth),
    )


def _processor(truth: CarTruth) -> ProcessorPlan | None:
    found = truth.processor
    if found is None:
        return None
    name = f"invented {found.kind.replace('_', ' ')}"
    return ProcessorPlan(name, found.kind, found.max_input_volts, found.max_output_volts)


def _player_channels(truth: CarTruth) -> int:
    """Return the fewest channels of a player that has all those of the taps."""
    mixes = (truth.source.channels, *(tap.channels for tap in truth.source.taps))
    names = {name for mix in mixes for name, _ in mix}
    fits = [count for count, layout in sorted(LAYOUTS.items()) if names <= set(layout)]
    return fits[0] if fits else max(LAYOUTS)
