"""Noise of a silent output: hiss, hum, and whine that follows the engine."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from levelset.analysis.noise import NoiseReading, less_floor
from levelset.analysis.whine import Whine, find_whine
from levelset.ports.base import Point
from levelset.probe.stretch_reading import StretchReading, plain
from levelset.procedures import cautions
from levelset.procedures.common import (
    Steps,
    place_tips,
    set_volume,
    start_engine,
    stop_tone,
)
from levelset.procedures.protocol import Accept, Acknowledge, Act, Ask, Finish, Procedure
from levelset.procedures.stretching import listen_until_good, stretch_spec
from levelset.quantity import Quantity

if TYPE_CHECKING:
    from levelset.analysis.noise import NoiseLevel
    from levelset.plan.job import ChannelPlan, JobPlan
    from levelset.probe.reading import OutputKind
    from levelset.procedures.facts import Facts

SECONDS = 4.0
FAST_RPM = 1450.0
"""Well above idle (common practice, no source) and not twice that: at a simple ratio lines of one
speed fall on lines of the other, and look as if they stood still."""
OPEN = Point("open")


def noise(plan: JobPlan, facts: Facts, channel: ChannelPlan | None) -> Procedure:
    """Read the noise of the source, or of an amplifier channel, while nothing plays.

    Parameters
    ----------
    plan : JobPlan
        The plan of the job.
    facts : Facts
        Calibration, kind of output, clean volume.
    channel : ChannelPlan or None
        Amplifier channel; None for the source.
    """
    kind = facts.output_kind(None if channel is None else channel.name)
    if facts.calibration is None or kind == "unknown":
        yield Finish("skipped", "First calibrate the probe and find the kind of output.", {})
        return
    clean = facts.result("clean_volume", None)
    yield Acknowledge(cautions.PROBE)
    if channel is not None:
        yield Acknowledge(cautions.LOUDSPEAKER_OUT)
        yield Acknowledge(cautions.TOUCH)
    yield from stop_tone(plan)
    yield from place_tips("both tips together, touching each other and nothing else", OPEN, OPEN)
    own, own_seq = yield from read_silence("the input's own noise", "own_noise", kind)
    plus, minus = _points(channel)
    yield from start_engine(facts)
    yield from place_tips(
        "tip A on the positive and tip B on the negative "
        + ("wire of the source's tap" if channel is None else f"terminal of {channel.name}"),
        plus,
        minus,
    )
    if clean is not None:
        yield from set_volume(int(clean["volume"]))
    slow, slow_seq = yield from read_silence("the noise with the engine idling", "noise", kind)
    yield Acknowledge(cautions.ENGINE)
    yield Ask(
        f"Raise the engine speed to about {FAST_RPM:.0f} turns a minute and hold it.",
        Act("rev_engine", value=FAST_RPM),
    )
    fast, fast_seq = yield from read_silence(
        "the noise at the higher engine speed", "noise_fast", kind
    )
    yield Ask("Let the engine idle again.", Act("rev_engine"))
    yield from set_volume(plan.source.start_volume)

    assert slow.volts_per_fs is not None
    whine = find_whine(_of(slow), _of(fast))
    result: dict[str, Any] = {
        "stretch_seqs": {"own": own_seq, "slow": slow_seq, "fast": fast_seq},
        **noise_levels(slow, own, channel, facts),
        "whine": None if whine is None else _whine(whine, slow),
        "volume": None if clean is None else clean["volume"],
    }
    yield Finish("accepted", _sentence(result), result)


def read_silence(what: str, as_what: str, kind: OutputKind) -> Steps:
    """Read what stands on the tips while nothing plays; returns the reading and its line."""
    reading: StretchReading = yield from listen_until_good(
        stretch_spec("noise", SECONDS, kind), f"Hold the tips still: {what}."
    )
    seq: int = yield Accept(reading, as_what, {})
    return reading, seq


def _points(channel: ChannelPlan | None) -> tuple[Point, Point]:
    if channel is None:
        return Point("source", "positive"), Point("source", "negative")
    return Point("channel", "positive", channel.name), Point("channel", "negative", channel.name)


def _of(reading: StretchReading) -> NoiseReading:
    assert isinstance(reading.found, NoiseReading)
    return reading.found


def noise_levels(
    reading: StretchReading, own: StretchReading, channel: ChannelPlan | None, facts: Facts
) -> dict[str, Any]:
    """Return noise in volts and against what matters, and the mains hum in it.

    Parameters
    ----------
    reading, own : StretchReading
        Noise of the output, and of the input alone; same calibration.
    channel : ChannelPlan or None
        Amplifier channel; None for the source.
    facts : Facts
        Clean volume, gains.

    Returns
    -------
    dict
        ``unweighted``, ``a_weighted``, ``hum`` (JSON values).
    """
    return {
        "unweighted": _level("unweighted", reading, own, channel, facts),
        "a_weighted": _level("a_weighted", reading, own, channel, facts),
        "hum": _hum(reading),
    }


def _level(
    weighting: str,
    reading: StretchReading,
    own: StretchReading,
    channel: ChannelPlan | None,
    facts: Facts,
) -> dict[str, Any]:
    """Return one level in volts and against what matters, the input's own noise taken off."""
    total: NoiseLevel = getattr(_of(reading), weighting)
    level = less_floor(total, getattr(_of(own), weighting))
    scale = reading.volts_per_fs
    assert scale is not None
    relative = math.hypot(level.rms_fs.u / level.rms_fs.value, scale.u / scale.value)
    value_v = level.rms_fs.value * scale.value
    volts = Quantity(value_v, 0.0 if level.below else value_v * relative, "V")
    clean = facts.result("clean_volume", None)
    maximum_v = None if clean is None else float(clean["volts_rms"]["value"])
    one_watt_v = None
    if channel is not None:
        gain = facts.result("gain", channel.name)
        maximum_v = None if gain is None else float(gain["set_volts_rms"]["value"])
        one_watt_v = math.sqrt(channel.net_load_ohm)
    return {
        "volts_rms": volts.as_json(),
        "below": level.below,
        "own_volts_rms": level.floor_fs * scale.value,
        # The scale is the same in both: it cancels in a level against a measured maximum.
        "re_clean_maximum_db": _against(level, scale.value, maximum_v),
        "re_1_w_db": _against(level, scale.value, one_watt_v),
    }


def _against(level: NoiseLevel, scale_v: float, reference_v: float | None) -> Any:
    if reference_v is None:
        return None
    return level.against(Quantity(reference_v, 0.0, "V"), scale_v).as_json()


def _hum(reading: StretchReading) -> dict[str, Any] | None:
    hum, scale = _of(reading).hum, reading.volts_per_fs
    if hum is None or scale is None:
        return None
    return {
        "mains_hz": hum.mains_hz,
        "volts_rms": hum.rms_fs * scale.value,
        "lines": [
            {"frequency_hz": line.frequency_hz, "volts_rms": line.rms_fs * scale.value}
            for line in hum.lines
        ],
    }


def _whine(whine: Whine, reading: StretchReading) -> dict[str, Any]:
    assert reading.volts_per_fs is not None
    scale_v = reading.volts_per_fs.value
    return {
        "speed_ratio": whine.speed_ratio,
        "base_hz": plain(whine.base_hz),
        "slow_volts_rms": whine.slow_rms_fs * scale_v,
        "fast_volts_rms": whine.fast_rms_fs * scale_v,
        "lines_hz": [line.frequency_hz for line in whine.slow],
    }


def _sentence(result: dict[str, Any]) -> str:
    parts = []
    for key, name in (("unweighted", "Noise"), ("a_weighted", "A-weighted")):
        row = result[key]
        text = f"{name} {'below ' if row['below'] else ''}{_volts(row['volts_rms']['value'])}"
        for which, words in (
            ("re_clean_maximum_db", "against the clean maximum"),
            ("re_1_w_db", "against 1 W"),
        ):
            if row[which] is not None:
                text += f", {row[which]['value']:.1f} dB {words}"
        parts.append(text)
    hum, whine = result["hum"], result["whine"]
    parts.append(
        "no mains hum stands out"
        if hum is None
        else f"mains hum at {len(hum['lines'])} multiples of {hum['mains_hz']:.2f} Hz, "
        f"{_volts(hum['volts_rms'])}: look at grounds, and at the laptop's charger"
    )
    parts.append(
        "nothing follows the engine"
        if whine is None
        else f"a whine follows the engine, {_volts(whine['fast_volts_rms'])} at the higher speed: "
        "look at the alternator's and the amplifier's ground"
    )
    return "; ".join(parts) + "."


def _volts(value_v: float) -> str:
    return f"{1e3 * value_v:.3g} mV" if value_v < 1.0 else f"{value_v:.3g} V"
