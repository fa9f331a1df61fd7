"""The cautions, each shown at the step where it applies and again when the state changes.

Sources: common practice unless a standard is named in the text.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One hazard and what to do about it.

    Parameters
    ----------
    key : str
        Fixed word for the record.
    title : str
        The hazard in a few words.
    text : str
        What to do, in full sentences.
    """

    key: str
    title: str
    text: str


PROBE = Caution(
    "probe_ground",
    "Ground lead first on, last off",
    "Put the probe's ground lead, through its own resistor, on the amplifier's ground terminal or "
    "the radio's chassis before a tip touches anything, and take it off last. Never ground a "
    "loudspeaker leg. Never connect a leg, tap or terminal straight to a sound card. Phantom and "
    "plug-in power off; run the laptop on its battery.",
)
TOUCH = Caution(
    "touch_voltage",
    "Terminals can carry a hazardous voltage",
    "Above 30 V RMS or 60 V DC treat the terminals as hazardous: do not touch bare metal, place "
    "the tips with the amplifier off. Large amplifiers exceed it.",
)
CHECKLIST = Caution(
    "before_power",
    "Supply off while wires are loose",
    "Read resistances with the amplifiers off and the loudspeaker wires taken off their terminals. "
    "Take battery negative off before you work on the supply. On electric and hybrid vehicles "
    "leave orange cables and airbag plugs alone. The vehicle's and the equipment's manuals, local "
    "electrical and vehicle codes, and licensed practice come first.",
)
LOUDSPEAKER_OFF = Caution(
    "loudspeaker_off",
    "Take the loudspeaker off this channel",
    "A full-scale tone at full power burns a voice coil in seconds. Disconnect the loudspeaker at "
    "the amplifier, insulate its wires, and set the amplifier's gain to minimum.",
)
LOUDSPEAKER_OUT = Caution(
    "loudspeaker_out",
    "Take the loudspeaker off this channel",
    "A full-scale tone at full power burns a voice coil in seconds. Disconnect the loudspeaker at "
    "the amplifier and insulate its wires; leave the gain where it is.",
)
AMPLIFIERS_DOWN = Caution(
    "amplifiers_down",
    "Amplifiers down, loudspeakers off",
    "The tone goes on to every amplifier and rises with the level that is turned here; at full "
    "power it burns a voice coil in seconds. Take the loudspeakers off, insulate their wires, turn "
    "every gain to its minimum, and protect your hearing.",
)
HEARING = Caution(
    "hearing",
    "Ears and tweeters",
    "The clean-volume search plays a loud tone on whatever is connected. Switch tweeters off, "
    "keep the level as low as the search allows, and protect your hearing.",
)
ENGINE = Caution(
    "engine_running",
    "Engine running",
    "Run the engine in open air only and keep hands, leads and hair away from moving parts. On "
    "electric and hybrid vehicles do not touch orange cables or airbag plugs.",
)
BATTERY = Caution(
    "battery",
    "A battery drives hundreds of amperes",
    "Take rings and watch straps off. Let nothing but a tip or a meter lead touch the positive "
    "terminal, and never bridge the terminals. Leave the engine off.",
)
SUPPLY = Caution(
    "supply",
    "Supply terminals drive hundreds of amperes",
    "Take rings and watch straps off. Let nothing but a tip or a meter lead touch a positive "
    "terminal, and never bridge it to ground or chassis. With the engine running read at an "
    "amplifier, away from moving parts.",
)
LOOP = Caution(
    "loop",
    "Nothing that sounds on this output",
    "The check plays tones of up to -10 dBFS. Let no loudspeaker, headphones or amplifier hang on "
    "this output; where the sound server leads it back, see that it also goes nowhere else.",
)
STILL_OFF = Caution(
    "loudspeakers_stay_off",
    "Leave the loudspeakers off",
    "Tones play once more through the whole system, at the level that was set. Leave every "
    "loudspeaker off and every gain as it is until they are stopped, and protect your hearing.",
)
RESTORE = Caution(
    "restore",
    "Volume down before anything is connected again",
    "Turn the volume down and stop the tone before loudspeakers are connected again. The "
    "vehicle's and the equipment's manuals, local electrical and vehicle codes, and licensed "
    "practice come before anything shown here.",
)
