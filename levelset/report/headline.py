"""How each channel ended: what a person looks for first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from levelset.plan.job import ChannelPlan
from levelset.quantity import Quantity
from levelset.record.comparison import is_number
from levelset.record.schema import quantity_from
from levelset.report.dossier import Dossier, Step
from levelset.report.plots import gauge
from levelset.report.words import LIMITED_BY, share_text, split_quantity, volts_text

Mood = Literal["good", "note", "bad", "open"]
"""How a state looks; its word and sign say the same."""


@dataclass(frozen=True, slots=True)
class State:
    """A state in a word, with how it looks.

    Parameters
    ----------
    mood : Mood
        Colour and sign.
    text : str
        The word.
    """

    mood: Mood
    text: str


@dataclass(frozen=True, slots=True)
class Headline:
    """One channel.

    Parameters
    ----------
    name : str
        Of the channel.
    state : State
        Set, limited, or not set.
    volts, u, unit : str
        As it was set; empty while it is not.
    target : str
        Where it was to go, with power and load.
    limited_by : str
        What ended the gain.
    margin : str
        How far below clipping it is.
    power : str
        Computed into the planned load.
    clean : str
        THD as it was set.
    checks : tuple of State
        Verification, DC, confirmation.
    gauge : str
        Bar as SVG; empty while nothing is set.
    """

    name: str
    state: State
    volts: str
    u: str
    unit: str
    target: str
    limited_by: str
    margin: str
    power: str
    clean: str
    checks: tuple[State, ...]
    gauge: str


def headline(dossier: Dossier, channel: ChannelPlan) -> Headline:
    """Return how a channel of the plan ended."""
    last = dossier.last_step("gain", channel.name)
    done = dossier.done_step("gain", channel.name)
    result = {} if done is None else done.result
    set_volts = quantity_from(result.get("set_volts_rms"), "V")
    planned = result.get("target_volts_rms")
    target_v = float(planned) if is_number(planned) else channel.target.volts_rms
    clip = quantity_from(result.get("clip_volts_rms"), "V")
    volts, u, unit = ("", "", "") if set_volts is None else split_quantity(set_volts)
    load = f"{channel.net_load_ohm:g} ohm"
    drawn = set_volts is not None and set_volts.value > 0.0
    return Headline(
        name=channel.name,
        state=_state(last, set_volts),
        volts=volts,
        u=u,
        unit=f"{unit} RMS" if unit else "",
        target=f"{volts_text(target_v)} for {channel.target.power_w:.4g} W into {load}",
        limited_by=_limited_by(result, channel),
        margin="" if set_volts is None else _margin(result, clip),
        power=_power(result, load),
        clean=_clean(result, dossier.plan.limit_percent),
        checks=_checks(dossier, channel.name, result),
        gauge=gauge(set_volts.value, target_v, None if clip is None else clip.value)
        if set_volts is not None and drawn
        else "",
    )


def verdict_row(dossier: Dossier, channel: str) -> dict[str, Any] | None:
    """Return what the newest verification says about a channel."""
    step = dossier.last_step("verify", None)
    rows = [] if step is None else step.result.get("channels", [])
    found = (row for row in rows if isinstance(row, dict) and row.get("channel") == channel)
    return next(found, None)


def _state(last: Step | None, set_volts: Quantity | None) -> State:
    if last is None:
        return State("open", "not set")
    if not last.data.done:
        return State("bad", f"not set: {last.data.outcome}")
    if set_volts is None:
        return State("bad", "no voltage recorded")
    if last.data.outcome == "limited":
        return State("note", "set, below the target")
    return State("good", "set")


def _limited_by(result: dict[str, Any], channel: ChannelPlan) -> str:
    word = result.get("limited_by")
    if not isinstance(word, str):
        return ""
    text = LIMITED_BY.get(word, word)
    if word == "target" and channel.target.limited_by == "loudspeaker":
        text += ", which the loudspeaker's rating sets"
    return text


def _margin(result: dict[str, Any], clip: Quantity | None) -> str:
    below = result.get("below_clipping_db")
    if clip is None:
        return "did not clip up to the set voltage"
    text = f"clips at {clip.text()}"
    return f"{float(below):.2f} dB below clipping; {text}" if is_number(below) else text


def _power(result: dict[str, Any], load: str) -> str:
    watts = quantity_from(result.get("watts"), "W")
    if watts is None:
        return ""
    connected = result.get("load_connected")
    measured = "whether a load was connected is not recorded"
    if isinstance(connected, bool):
        measured = "load connected" if connected else "measured with no load connected"
    return f"{watts.text()} computed into {load}; {measured}"


def _clean(result: dict[str, Any], limit_percent: float) -> str:
    thd = quantity_from(result.get("thd_percent"), "%")
    return "" if thd is None else f"THD {share_text(thd.value)} of {limit_percent:g} % allowed"


def _checks(dossier: Dossier, channel: str, result: dict[str, Any]) -> tuple[State, ...]:
    checks = []
    row = verdict_row(dossier, channel)
    gain, verify = dossier.last_step("gain", channel), dossier.last_step("verify", None)
    if row is None:
        checks.append(State("open", "not verified"))
    elif gain is not None and verify is not None and gain.seq > verify.seq:
        checks.append(State("open", "set again after it was verified"))
    elif row.get("verdict") == "ok":
        checks.append(State("good", "verified"))
    else:
        checks.append(State("bad", "look again"))
    offset = dossier.done_step("dc_offset", channel)
    if offset is not None:
        volts = quantity_from(offset.result.get("volts"), "V")
        good = offset.result.get("verdict") == "ok"
        text = "DC" if volts is None else f"DC {volts.text()}"
        checks.append(State("good" if good else "bad", text if good else f"{text}: look again"))
    seq = result.get("reading_seq")
    if isinstance(seq, int) and seq in dossier.unconfirmed:
        checks.append(State("bad", "unconfirmed: the probe's scale had changed"))
    return tuple(checks)
