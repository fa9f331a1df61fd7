"""Plans to begin with: invented vehicles whose every value waits for confirmation."""

from __future__ import annotations

from dataclasses import dataclass

from levelset.errors import UsageError

_COMMON = """
[probe]
divider = 100.0                     # of your probe: levelset probe designs one
max_volts = 150.0
full_scale_volts_peak = 1.5         # of the interface's input, from its data sheet
coupling_hz = [2.0]
tips = 2

[meter]
percent = 1.0                       # AC volts, from the multimeter's manual
counts = 3
resolution_v = 0.01
dc_percent = 0.5
dc_counts = 2
dc_resolution_v = 0.01
"""

_HEAD = """\
# A template: nothing in it is a real vehicle or product. Set every value to what labels and manuals
# say, then confirm it.

vehicle = "an invented vehicle"
tone_from = "vehicle"
limit_percent = 1.0
margin_db = 0.5

[source]
name = "factory radio"
kind = "speaker_bridged"
max_volume = 40
start_volume = 10
"""

_FRONT_AND_BASS = """
[[amplifier]]
name = "front amplifier"
rated = [[4.0, 75.0]]
rated_supply = 14.4
lowest_load_ohm = 2.0
class = "AB"
feed = { awg = "8", length_m = 5.0, material = "copper", return_m = 0.5, fuse = 50 }

[[amplifier]]
name = "bass amplifier"
rated = [[4.0, 160.0], [2.0, 280.0]]
rated_supply = 14.4
lowest_load_ohm = 2.0
class = "D"
feed = { awg = "4", length_m = 5.0, material = "copper", return_m = 0.5, fuse = 80 }

[[channel]]
name = "front left"
amplifier = "front amplifier"
load = "4"
band_hz = [80, 16000]
loudspeaker_w = 80
match = "front"

[[channel]]
name = "front right"
amplifier = "front amplifier"
load = "4"
band_hz = [80, 16000]
loudspeaker_w = 80
match = "front"

[[channel]]
name = "bass"
amplifier = "bass amplifier"
load = "4||4"
band_hz = [25, 80]
loudspeaker_w = 350
"""

_FOUR_AND_BASS = _FRONT_AND_BASS.replace(
    'awg = "8", length_m = 5.0, material = "copper", return_m = 0.5, fuse = 50',
    'awg = "4", length_m = 5.0, material = "copper", return_m = 0.5, fuse = 80',
).replace(
    """
[[channel]]
name = "bass"
""",
    """
[[channel]]
name = "rear left"
amplifier = "front amplifier"
load = "4"
band_hz = [80, 16000]
loudspeaker_w = 60
match = "rear"

[[channel]]
name = "rear right"
amplifier = "front amplifier"
load = "4"
band_hz = [80, 16000]
loudspeaker_w = 60
match = "rear"

[[channel]]
name = "bass"
""",
)

_BASS = _FRONT_AND_BASS[_FRONT_AND_BASS.index('\n[[amplifier]]\nname = "bass') :]
_BASS_ONLY = (
    _BASS[: _BASS.index('\n[[channel]]\nname = "front left"')]
    + _BASS[_BASS.index('\n[[channel]]\nname = "bass"') :]
)


@dataclass(frozen=True, slots=True)
class Template:
    """A plan to begin with.

    Parameters
    ----------
    name : str
        Plain name.
    text : str
        TOML.
    asked : tuple of str
        Values that differ from vehicle to vehicle, asked first.
    """

    name: str
    text: str
    asked: tuple[str, ...]


_ASKED_BASS = (
    "amplifier.bass amplifier.rated",
    "channel.bass.load",
    "channel.bass.loudspeaker_w",
)
_ASKED_FRONT = ("amplifier.front amplifier.rated", "channel.front left.loudspeaker_w")

TEMPLATES = (
    Template(
        "front pair and bass",
        _HEAD + _FRONT_AND_BASS + _COMMON,
        ("vehicle", "source.max_volume", *_ASKED_FRONT, *_ASKED_BASS, "probe.divider"),
    ),
    Template(
        "four channels and bass",
        _HEAD + _FOUR_AND_BASS + _COMMON,
        ("vehicle", "source.max_volume", *_ASKED_FRONT, *_ASKED_BASS, "probe.divider"),
    ),
    Template(
        "bass only",
        _HEAD + _BASS_ONLY + _COMMON,
        ("vehicle", "source.max_volume", *_ASKED_BASS, "probe.divider"),
    ),
)


def template_named(name: str) -> Template:
    """Return a template; raises UsageError naming those there are."""
    for one in TEMPLATES:
        if one.name == name:
            return one
    known = ", ".join(f'"{one.name}"' for one in TEMPLATES)
    raise UsageError(f"there is no template {name!r:.60}", f"take one of {known}")
