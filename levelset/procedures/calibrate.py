"""Probe set-up: both tips and the multimeter on one terminal, one number typed in."""

from __future__ import annotations

from levelset.plan.job import JobPlan
from levelset.plan.set_tone import calibration_tone_hz
from levelset.ports.base import Point, PortInfo
from levelset.probe.calibrate import calibrate_from_common_touch
from levelset.probe.reading import TipsReading, ToneSpec
from levelset.procedures import cautions
from levelset.procedures.common import (
    AT_END,
    NO_CHANGE,
    Patience,
    Steps,
    ask_volume,
    place_tips,
    settle,
    start_tone,
    tip_a_of,
    tone_spec,
    void_guidance,
)
from levelset.procedures.covered import CoveredWatch, one_click_up
from levelset.procedures.facts import Facts
from levelset.procedures.input_level import calibration_track, full_scale_volts_peak
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Act,
    Answer,
    Ask,
    Finish,
    Guidance,
    Listen,
    Procedure,
)
from levelset.procedures.steady import FLAT_DB, LevelWatch, is_flat, over_limit
from levelset.procedures.what_plays import WhatPlays
from levelset.quantity import Quantity
from levelset.units import SQRT2

JUDGED_FS = 0.01
"""Amplitude below which rounding to 16 bits alone may distort by the half per cent that ends the
climb: a sine of A codes by some 41 / A % (error of 1 / sqrt 12 of a code), with a margin of 4."""

ENOUGH_V_RMS = 3.0
"""Voltage at which a hand-held meter's last digit no longer matters, V."""

MOST_STAYS = 3
"""After so many clicks in a row without a change a limiter holds the level: it must do."""


def calibrate(plan: JobPlan, info: PortInfo, facts: Facts) -> Procedure:
    """Compare the probe with a multimeter on the source's positive leg.

    Both tips on one terminal also give the match of the tips. The meter stands on the same leg
    against chassis, so that no leg is ever grounded. The probe's design is compared with the
    plan's full scale, or with the one that the input was set to in this job.
    """
    probe = plan.probe
    design_v = probe.divider * full_scale_volts_peak(plan, facts)
    frequency_hz = calibration_tone_hz()
    spec = tone_spec(frequency_hz, "unknown" if probe.tips == 2 else "line", plan)
    leg = Point("source", "positive")

    yield Acknowledge(cautions.PROBE)
    yield Acknowledge(cautions.HEARING)
    yield from place_tips(
        "both tips on the positive wire of the source's tap, ground lead on chassis", leg, leg
    )
    yield from start_tone(calibration_track(frequency_hz), plan)
    volume = yield from ask_volume("Which volume does the display show now?", plan)
    volume = yield from _loud_enough(spec, volume, design_v, plan)

    reading, meter_v, seq = yield from common_touch(spec, leg, plan, "calibration")
    calibration = calibrate_from_common_touch(
        reading,
        meter_v,
        probe.meter,
        port_name=info.name,
        coupling_hz=probe.coupling_hz,
        max_volts=probe.max_volts,
        design_volts_per_full_scale=design_v,
        name=f"{info.name}, {probe.divider:g}:1",
        evidence=(seq,),
        ground_lead_ratio=probe.ground_lead_ratio,
    )
    scales = [scale.as_json() for scale in calibration.volts_per_full_scale]
    first = calibration.volts_per_full_scale[0]
    yield Finish(
        "accepted",
        f"One full scale is {first.value:.2f} V peak at tip A, "
        f"± {100.0 * first.u / first.value:.1f} %; the multimeter is most of that.",
        {
            "volts_per_full_scale": scales,
            "match": None if calibration.match is None else calibration.match.as_json(),
            "meter_volts_rms": meter_v,
            "frequency_hz": frequency_hz,
            "level_dbfs": [level.as_json() for level in levels_dbfs(reading)],
            "volume": volume,
            "reading_seq": seq,
        },
        calibration,
    )


def common_touch(spec: ToneSpec, point: Point, plan: JobPlan, as_what: str) -> Steps:
    """Read the multimeter and the tips on one point.

    Parameters
    ----------
    spec : ToneSpec
        What to listen for.
    point : Point
        Where the tips are.
    plan : JobPlan
        The plan of the job.
    as_what : str
        What the reading is, for the record.

    Returns
    -------
    reading : TipsReading
        Steady and accepted.
    meter_v : float
        What the multimeter read, V RMS.
    seq : int
        Line of the reading.
    """
    answer: Answer = yield Ask(
        "Multimeter on AC volts, red lead on the same wire, black lead on chassis. "
        "What does it read?",
        Act("read_meter", red=point, black=None),
        "number",
        unit="V",
        low=0.01,
        high=float(plan.probe.max_volts),
    )
    guidance = Guidance("Keep the tips where they are.", Act("wait"), headline="HOLD STILL")
    reading: TipsReading = yield from settle(spec, guidance, of=tip_a_of, again_after_s=1.0)
    meter_v = float(answer.value)
    seq: int = yield Accept(reading, as_what, {"meter_volts_rms": meter_v})
    return reading, meter_v, seq


def levels_dbfs(reading: TipsReading) -> list[Quantity]:
    """Return the level of every tip that has one."""
    return [leg.tone.level_dbfs for leg in reading.legs if leg.tone.level_dbfs is not None]


def _loud_enough(spec: ToneSpec, volume: int, design_v: float, plan: JobPlan) -> Steps:
    """Turn up click by click until the meter can be trusted, and not into clipping.

    Returns
    -------
    int
        The volume it ended at.
    """
    watch = LevelWatch()
    patience = Patience("The tone did not become loud enough to calibrate with")
    guidance = Guidance("Leave the volume where it is.", Act("wait"), headline="HOLD")
    shown, stays, taken = guidance, 0, False
    what, covered = WhatPlays(spec.output), CoveredWatch()
    while True:
        event: TipsReading | Answer = yield Listen(spec, shown, (AT_END, NO_CHANGE))
        if isinstance(event, Answer):
            # What does not come to rest is not known to stay.
            stays += watch.steady and event.value == NO_CHANGE.word
            if event.value == AT_END.word or stays >= MOST_STAYS:
                return min(volume, plan.source.max_volume)
            volume += 1
            guidance = shown = _one_more(volume)
            continue
        leg = tip_a_of(event)
        watch.add(leg)
        patience.wait(leg)
        heard: str = yield from what.look(leg)
        shown = guidance if leg.tone.void is None else void_guidance(leg, guidance.act, heard)
        if not watch.new_level or leg.tone.amplitude_fs is None:
            # Hum covers the first level only; those above it are louder.
            restless = not (taken or watch.steady) and volume < plan.source.max_volume
            if restless and covered.look(leg, heard):
                volume += 1
                guidance = shown = yield from one_click_up(covered, volume)
                patience.progress()
            continue
        loud = leg.tone.amplitude_fs.value >= JUDGED_FS
        judged = loud or is_flat(leg, doubtful=False, least_db=FLAT_DB)
        if judged and over_limit(leg, plan.limit_percent / 2.0, doubtful=False):
            yield Ask(
                "The tone is no longer clean here. Turn the volume down by 2.",
                Act("volume_down", value=2.0),
            )
            return max(volume - 2, 0)
        if leg.tone.amplitude_fs.value * design_v / SQRT2 >= ENOUGH_V_RMS:
            return volume
        watch.take()
        patience.progress()
        volume, stays, taken = volume + 1, 0, True
        guidance = shown = _one_more(volume)


def _one_more(volume: int) -> Guidance:
    return Guidance(
        f"Turn the volume up one click and wait: levelset stops you near {ENOUGH_V_RMS:g} V.",
        Act("volume_up_one", value=float(volume)),
        headline="TURN UP",
        direction="up",
    )
