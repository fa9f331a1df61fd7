"""The checklist before anything is measured: what is looked at, and what is wrong otherwise.

Common practice of the trade, no source. Every question is put so that ``yes`` is as it should be.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Answer = Literal["yes", "no", "absent", "skipped"]
"""``absent``: there is no such thing in this vehicle. ``skipped``: nobody looked."""


@dataclass(frozen=True, slots=True)
class CheckItem:
    """One thing to look at.

    Parameters
    ----------
    key : str
        Fixed word for the record.
    group : str
        What it belongs to.
    question : str
        As it is asked.
    otherwise : str
        What to do or expect where the answer is no, one sentence.
    """

    key: str
    group: str
    question: str
    otherwise: str


ITEMS = (
    CheckItem(
        "bass_boost_off",
        "amplifier",
        "Bass boost off on every amplifier?",
        "Turn bass boost off: it adds up to 18 dB after the gain and clips what the gain does not.",
    ),
    CheckItem(
        "remote_knob_up",
        "amplifier",
        "Remote bass knob at its maximum, or unplugged?",
        "Turn the remote knob up or unplug it: what it takes away now comes on top later.",
    ),
    CheckItem(
        "input_switch",
        "amplifier",
        "Input switch (line or speaker level) as the source needs it?",
        "Set the input switch: on the wrong one the input stage clips or the gain is too small.",
    ),
    CheckItem(
        "input_mode",
        "amplifier",
        "Input mode (number of inputs, stereo or mono) as planned?",
        "Set the input mode, else a channel stays silent or carries another one's signal.",
    ),
    CheckItem(
        "phase_switch",
        "amplifier",
        "Phase switches at 0, or their position noted?",
        "Set phase switches to 0: a reversed channel is then a fault of the wiring.",
    ),
    CheckItem(
        "filters_off",
        "amplifier",
        "Crossovers and subsonic filters off, or their positions noted?",
        "Switch filters off where possible: they hide clipping of everything before them.",
    ),
    CheckItem(
        "gains_low",
        "amplifier",
        "Every gain at its minimum?",
        "Turn every gain to its minimum before the first tone.",
    ),
    CheckItem(
        "equaliser_flat",
        "source",
        "Equaliser, bass and treble of the source flat?",
        "Set the tone controls flat: a boost clips the source earlier at its own frequency.",
    ),
    CheckItem(
        "loudness_off",
        "source",
        "Loudness off?",
        "Switch loudness off: it changes the level with the volume.",
    ),
    CheckItem(
        "levelling_off",
        "source",
        "Volume levelling and normaliser off, also in the player?",
        "Switch levelling off: it moves the level while it is measured.",
    ),
    CheckItem(
        "speed_volume_off",
        "source",
        "Speed-dependent volume off?",
        "Switch it off, else the car is louder on the road than at the clean volume.",
    ),
    CheckItem(
        "sound_stage_off",
        "source",
        "Sound stage, surround and time alignment of the source off?",
        "Switch sound effects off: they mix channels.",
    ),
    CheckItem(
        "balance_centred",
        "source",
        "Balance and fader in the middle?",
        "Set balance and fader to the middle.",
    ),
    CheckItem(
        "bass_level_noted",
        "source",
        "Bass or subwoofer level of the source noted?",
        "Note the bass level: a later change of it is a change of every gain behind it.",
    ),
    CheckItem(
        "start_volume_limited",
        "source",
        "Start-up volume limited?",
        "Limit the start-up volume, so that the first tone is not the loudest.",
    ),
    CheckItem(
        "chimes_low",
        "source",
        "Chime, navigation and telephone levels at their lowest?",
        "Turn chimes and announcements down: they come on top of the music.",
    ),
    CheckItem(
        "cancelling_off",
        "source",
        "Active noise cancelling and engine-sound enhancement off?",
        "Have them switched off: with other loudspeakers they can howl, and they play while one "
        "measures.",
    ),
    CheckItem(
        "lossless_player",
        "source",
        "Do the tracks come from a stick or a disc, without loss, not by Bluetooth?",
        "Use a stick: a lossy path gets a lower level and distorts the tone.",
    ),
    CheckItem(
        "negatives_apart",
        "loads",
        "No loudspeaker negative shared or on chassis?",
        "Part the negatives before anything is switched on: a shared one shorts bridged outputs.",
    ),
    CheckItem(
        "cable_fused",
        "feed",
        "Supply cable fused close to the battery, by what the cable bears?",
        "Fit that fuse first: without it a chafed cable burns.",
    ),
    CheckItem(
        "turn_on",
        "feed",
        "Does every amplifier turn on and off with the source?",
        "See to the turn-on wire or voltage; the amplifier's manual names what it needs.",
    ),
    CheckItem(
        "fuse_last",
        "feed",
        "Was the fuse fitted last, with every connection insulated?",
        "Take the fuse out until every connection is made and insulated.",
    ),
)

SOURCE_KIND_WORDS = {
    "speaker_bridged": "loudspeaker wires, bridged",
    "speaker_grounded": "loudspeaker wires, one grounded",
    "balanced_line": "balanced line",
    "line": "line output",
    "fixed_level": "fixed level",
    "digital": "digital only",
}
"""How a source gives out its signal, in words."""

SOURCE_KIND_FINDINGS = {
    "fixed_level": "The source does not follow its volume: levels are set at its one level.",
    "digital": "The source is digital only: there is nothing to tap, it needs a converter.",
}
"""What is to be said of a kind of source."""

LEAST_TO_CHASSIS_OHM = 1e6
"""Between a loudspeaker wire and chassis (common practice, no source), ohm."""
