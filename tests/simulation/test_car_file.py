"""Car files: what is read, and one clear error for everything else."""

from __future__ import annotations

from pathlib import Path

import pytest

from levelset.errors import InputError, LevelsetError, UsageError
from levelset.plan.target import Rating
from levelset.simulation.car_file import load_car, load_demo_car

GOOD = """\
[source]
max_volume = 40
db_per_step = 1.5
volts_rms_at_max = 9.0
clip_volts_peak = 10.5
output = "bridged"
bias_volts = 6.1
offset_millivolts = 18
thd_percent = 0.05
polarity = "normal"
start_volume = 10
[[amplifier]]
name = "bass"
output = "grounded"
gain_db = [6.0, 34.0]
rail_volts_peak = 34.0
soft_knee = 0.0
thd_percent = 0.03
noise_millivolts = 2.0
output_offset_millivolts = 8
rated = [[4.0, 150.0], [2.0, 250.0]]
rated_supply = 14.4
load = "4||4"
band_hz = [25, 80]
[probe]
divider = 100.0
mismatch_percent = 0.3
max_volts = 120.0
[interface]
full_scale_volts_peak = 1.5
rate_hz = 48000
bits = 24
coupling_hz = [2.1, 0.9]
noise_dbfs = -100
clock_ppm = 35
channels = 2
[meter]
ac_percent = 0.8
ac_counts = 3
ac_resolution_v = 0.01
dc_percent = 0.5
dc_counts = 2
dc_resolution_v = 0.01
error = 0.3
[supply]
engine_off = 12.5
engine_on = 14.2
"""

OPTIONAL = {
    "[source]": [
        "highpass_hz = 0",
        "bass_withdrawn_db_at_max = 0.0",
        "limiter_volts_rms = 0",
        "equaliser = []",
        "bass_controls = []",
        "treble_controls = []",
        "noise_millivolts = 0",
        "hum_millivolts = 0",
        "delay_ms = 0",
    ],
    "[[amplifier]]": [
        "input_clip_volts_peak = 12.0",
        "regulated = true",
        "loudspeaker_w = 300",
        "subsonic_hz = 0",
        "lowpass_hz = 0",
        "highpass_hz = 0",
        "slope_db_per_octave = 0",
        "output_ohm = 0",
        'polarity = "reversed"',
        "carrier_volts = 0",
        "carrier_hz = 0",
    ],
    "[supply]": ["ohm = 0"],
}


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8")
    return path


def with_line(text: str, header: str, line: str) -> str:
    return text.replace(header + "\n", f"{header}\n{line}\n", 1)


def test_every_field_arrives(tmp_path: Path) -> None:
    car = load_car(written(tmp_path, GOOD))
    assert (car.source.max_volume, car.source.start_volume) == (40, 10)
    assert (car.source.output, car.source.clip_volts_peak) == ("bridged", 10.5)
    (bass,) = car.amplifiers
    assert bass.rated == (Rating(4.0, 150.0), Rating(2.0, 250.0))
    assert (bass.gain_db, bass.band_hz, bass.load) == ((6.0, 34.0), (25.0, 80.0), "4||4")
    assert (bass.loudspeaker_w, bass.input_clip_volts_peak, bass.regulated) == (None, None, False)
    assert car.interface.coupling_hz == (2.1, 0.9)
    assert (car.probe.max_volts, car.meter.error, car.supply.engine_on) == (120.0, 0.3, 14.2)


def test_optional_keys_are_accepted(tmp_path: Path) -> None:
    text = GOOD
    for header, lines in OPTIONAL.items():
        for line in lines:
            text = with_line(text, header, line)
    (bass,) = load_car(written(tmp_path, text)).amplifiers
    assert (bass.input_clip_volts_peak, bass.regulated) == (12.0, True)
    assert (bass.polarity, bass.loudspeaker_w) == ("reversed", 300.0)


BAD_OPTIONAL = [
    # header, line, what the error must name
    ("[source]", "highpass_hz = -1", "[source] highpass_hz is -1, out of range"),
    ("[source]", "highpass_hz = false", "[source] highpass_hz is False, not a number"),
    ("[source]", "bass_withdrawn_db_at_max = 90", "bass_withdrawn_db_at_max is 90, out of range"),
    ("[source]", "limiter_volts_rms = nan", "[source] limiter_volts_rms is nan"),
    ("[source]", "equaliser = 0", "[source] equaliser is 0"),
    ("[source]", "equaliser = [[100, 3]]", "[source] equaliser[1] is [100, 3]"),
    ("[source]", "equaliser = [[100, 3, 0]]", "[source] equaliser[1][3] is 0, out of range"),
    ("[source]", "equaliser = [[100, 3, 1], [1e9, 3, 1]]", "equaliser[2][1] is 1000000000.0"),
    ("[source]", "bass_controls = [[100, 3, 1.5]]", "bass_controls[1][3] is 1.5, no order"),
    ("[source]", "treble_controls = [[3000, 3, 3]]", "treble_controls[1][3] is 3, out of range"),
    ("[source]", "noise_millivolts = -1", "[source] noise_millivolts is -1, out of range"),
    ("[source]", 'hum_millivolts = "1"', "[source] hum_millivolts is '1', not a number"),
    ("[source]", "hum_hz = 400", "[source] hum_hz is 400, out of range"),
    ("[source]", "alternator_millivolts = inf", "[source] alternator_millivolts is inf"),
    ("[source]", "alternator_hz_per_rpm = 0", "alternator_hz_per_rpm is 0, out of range"),
    ("[source]", "delay_ms = 5000", "[source] delay_ms is 5000, out of range"),
    ("[source]", 'channel = "middle"', "[source] channel is 'middle'"),
    ("[source]", 'channel = "left"\nchannels = {left = 1}', "channels stands beside channel"),
    ("[source]", "channels = {left = 0}", "[source] channels add up to nothing"),
    ("[source]", "channels = {lef = 1}", "[source] channels lef is unknown"),
    ("[source]", "channels = 1", "[source] channels is not a table"),
    ("[source]", "tap = [{}]", "[source] tap 1 name is missing"),
    ("[source]", 'tap = [{name = "b"}, {name = "b"}]', "[source] tap 2 name 'b' is used twice"),
    ("[source]", 'tap = [{name = "b", delay = 1}]', "[source] tap 1 delay is unknown"),
    ("[[amplifier]]", "subsonic_hz = 1", "[amplifier 1] subsonic_hz is 1, out of range"),
    ("[[amplifier]]", 'lowpass_hz = "80"', "[amplifier 1] lowpass_hz is '80', not a number"),
    ("[[amplifier]]", "lowpass_hz = 80\nhighpass_hz = 80", "[amplifier 1] lowpass_hz is 80"),
    ("[[amplifier]]", "slope_db_per_octave = 13", "slope_db_per_octave is 13"),
    ("[[amplifier]]", 'alignment = "bessel"', "[amplifier 1] alignment is 'bessel'"),
    (
        "[[amplifier]]",
        'alignment = "linkwitz_riley"\nslope_db_per_octave = 18',
        "alignment of 18 dB per octave is none",
    ),
    ("[[amplifier]]", 'tap = "b"', "[amplifier 1] tap 'b' is no tap"),
    ("[[amplifier]]", "output_ohm = -0.1", "[amplifier 1] output_ohm is -0.1"),
    ("[[amplifier]]", "carrier_volts = 1000", "[amplifier 1] carrier_volts is 1000"),
    ("[[amplifier]]", "carrier_hz = 1000", "[amplifier 1] carrier_hz is 1000, out of range"),
    ("[supply]", "ohm = nan", "[supply] ohm is nan"),
    ("[supply]", "ohm = false", "[supply] ohm is False, not a number"),
    ("[supply]", "idle_rpm = 0", "[supply] idle_rpm is 0, out of range"),
]


@pytest.mark.parametrize(
    ("header", "line", "named"), BAD_OPTIONAL, ids=[str(n) for n in range(len(BAD_OPTIONAL))]
)
def test_a_bad_optional_field_is_named(tmp_path: Path, header: str, line: str, named: str) -> None:
    with pytest.raises(UsageError) as caught:
        load_car(written(tmp_path, with_line(GOOD, header, line)))
    assert named in caught.value.what
    assert caught.value.todo


def test_optional_keys_arrive(tmp_path: Path) -> None:
    lines = {
        "[source]": """\
highpass_hz = 60
bass_withdrawn_db_at_max = 9
limiter_volts_rms = 4.5
equaliser = [[100, 3, 1], [2500, -4.5, 2.0]]
bass_controls = [[120, 5, 2]]
treble_controls = [[4000, -3.5, 1]]
noise_millivolts = 0.3
hum_millivolts = 2
hum_hz = 60
alternator_millivolts = 3
alternator_hz_per_rpm = 0.3
delay_ms = 2.5
channels = {left = 1.0, right = 0.5}
tap = [{name = "rear", channel = "rear-left", level_db = -3, polarity = "reversed"}]
""",
        "[[amplifier]]": """\
subsonic_hz = 20
lowpass_hz = 80
slope_db_per_octave = 12
alignment = "linkwitz_riley"
output_ohm = 0.1
carrier_volts = 0.2
carrier_hz = 90000
tap = "rear"
""",
        "[supply]": "ohm = 0.02\nidle_rpm = 750\n",
    }
    text = GOOD
    for header, more in lines.items():
        text = with_line(text, header, more.rstrip())
    car = load_car(written(tmp_path, text))
    source, (bass,) = car.source, car.amplifiers
    assert (source.highpass_hz, source.bass_withdrawn_db_at_max) == (60.0, 9.0)
    assert (source.limiter_volts_rms, source.noise_millivolts) == (4.5, 0.3)
    assert source.equaliser == ((100.0, 3.0, 1.0), (2500.0, -4.5, 2.0))
    assert (source.bass_controls, source.treble_controls) == (((120, 5, 2),), ((4000, -3.5, 1),))
    assert (source.hum_millivolts, source.hum_hz, source.delay_ms) == (2.0, 60.0, 2.5)
    assert (source.alternator_millivolts, source.alternator_hz_per_rpm) == (3.0, 0.3)
    assert source.channels == (("left", pytest.approx(2 / 3)), ("right", pytest.approx(1 / 3)))
    (rear,) = source.taps
    assert (rear.name, rear.channels, rear.level_db) == ("rear", (("rear-left", 1.0),), -3.0)
    assert (rear.polarity, rear.delay_ms) == ("reversed", 0.0)
    assert (bass.subsonic_hz, bass.highpass_hz, bass.lowpass_hz) == (20.0, None, 80.0)
    assert (bass.slope_db_per_octave, bass.alignment) == (12, "linkwitz_riley")
    assert (bass.output_ohm, bass.carrier_volts, bass.carrier_hz) == (0.1, 0.2, 90_000.0)
    assert (bass.tap, car.supply.ohm, car.supply.idle_rpm) == ("rear", 0.02, 750.0)


BAD = [
    # old, new, what the error must name
    ("max_volume = 40\n", "", "[source] max_volume is missing"),
    ("max_volume = 40", "max_volum = 40", "[source] max_volum is unknown"),
    ("max_volume = 40", "max_volume = 40.5", "[source] max_volume is 40.5, not a whole number"),
    ("max_volume = 40", "max_volume = true", "[source] max_volume is True, not a whole"),
    ("max_volume = 40", "max_volume = 0", "[source] max_volume is 0, out of range"),
    ("start_volume = 10", "start_volume = 41", "[source] start_volume is 41, out of range"),
    ("start_volume = 10", "start_volume = -1", "[source] start_volume is -1"),
    ("db_per_step = 1.5", "db_per_step = 0", "[source] db_per_step is 0, out of range"),
    ("db_per_step = 1.5", "db_per_step = nan", "[source] db_per_step is nan"),
    ("volts_rms_at_max = 9.0", "volts_rms_at_max = inf", "[source] volts_rms_at_max is inf"),
    ("volts_rms_at_max = 9.0", "volts_rms_at_max = -9.0", "[source] volts_rms_at_max is -9.0"),
    ("volts_rms_at_max = 9.0", 'volts_rms_at_max = "9"', "volts_rms_at_max is '9', not a number"),
    ("clip_volts_peak = 10.5", "clip_volts_peak = 1e9", "[source] clip_volts_peak is 1000000000"),
    ("clip_volts_peak = 10.5", "clip_volts_peak = 1" + "0" * 400, "clip_volts_peak is a huge"),
    ('output = "bridged"', 'output = "balanced"', "[source] output is 'balanced'"),
    ('output = "bridged"', "output = 1979-05-27", "[source] output is datetime.date"),
    ('output = "grounded"', 'output = "line"', "[amplifier 1] output is 'line'"),
    ('polarity = "normal"', 'polarity = "+"', "[source] polarity is '+'"),
    ('name = "bass"', 'name = ""', "[amplifier 1] name is ''"),
    ('name = "bass"', "name = 7", "[amplifier 1] name is 7, not a text"),
    ('name = "bass"', 'name = "a\\u0007b"', "[amplifier 1] name is 'a\\x07b'"),
    ('name = "bass"', f'name = "{"x" * 99}"', "[amplifier 1] name is 'xxx"),
    ("gain_db = [6.0, 34.0]", "gain_db = [34.0, 6.0]", "[amplifier 1] gain_db is [34, 6]"),
    ("gain_db = [6.0, 34.0]", "gain_db = [6.0]", "[amplifier 1] gain_db is [6.0]"),
    ("gain_db = [6.0, 34.0]", "gain_db = 6.0", "[amplifier 1] gain_db is 6.0"),
    ("gain_db = [6.0, 34.0]", 'gain_db = [6.0, "x"]', "[amplifier 1] gain_db[2] is 'x'"),
    ("rail_volts_peak = 34.0", "rail_volts_peak = 0", "[amplifier 1] rail_volts_peak is 0"),
    ("rail_volts_peak = 34.0\n", "", "[amplifier 1] rail_volts_peak is missing"),
    ("soft_knee = 0.0", "soft_knee = 1.5", "[amplifier 1] soft_knee is 1.5"),
    ("noise_millivolts = 2.0", "noise_millivolts = -2", "[amplifier 1] noise_millivolts is -2"),
    ("[[4.0, 150.0], [2.0, 250.0]]", "[]", "[amplifier 1] rated is []"),
    ("[[4.0, 150.0], [2.0, 250.0]]", "[[4.0]]", "[amplifier 1] rated[1] is [4.0]"),
    ("[[4.0, 150.0], [2.0, 250.0]]", "[[4.0, 0]]", "[amplifier 1] rated[1][2] is 0"),
    ("[[4.0, 150.0], [2.0, 250.0]]", "[[4, 9], [4, 8]]", "[amplifier 1] rated names a load twice"),
    ("rated_supply = 14.4", "rated_supply = 0", "[amplifier 1] rated_supply is 0"),
    ('load = "4||4"', 'load = "4||"', "[amplifier 1] load cannot be used"),
    ('load = "4||4"', 'load = "-4"', "[amplifier 1] load cannot be used"),
    ('load = "4||4"', f'load = "{"(" * 90}4{")" * 90}"', "[amplifier 1] load cannot be used"),
    ('load = "4||4"', "load = 2", "[amplifier 1] load is 2, not a text"),
    ("band_hz = [25, 80]", "band_hz = [80, 80]", "[amplifier 1] band_hz is [80, 80]"),
    ("divider = 100.0", "divider = 0", "[probe] divider is 0"),
    ("divider = 100.0", "divider = 100.0\nrange = 1", "[probe] range is unknown"),
    ("rate_hz = 48000", "rate_hz = 48000.0", "[interface] rate_hz is 48000.0, not a whole"),
    ("rate_hz = 48000", "rate_hz = 8000", "[interface] rate_hz is 8000, out of range"),
    ("bits = 24", "bits = 32", "[interface] bits is 32, out of range"),
    ("coupling_hz = [2.1, 0.9]", "coupling_hz = [2, 2, 2]", "[interface] coupling_hz is [2, 2, 2]"),
    ("coupling_hz = [2.1, 0.9]", "coupling_hz = [0]", "[interface] coupling_hz[1] is 0"),
    ("channels = 2", "channels = 3", "[interface] channels is 3"),
    ("error = 0.3", "error = 1.1", "[meter] error is 1.1"),
    ("ac_resolution_v = 0.01", "ac_resolution_v = 0", "[meter] ac_resolution_v is 0"),
    ("engine_on = 14.2", "engine_on = -14.2", "[supply] engine_on is -14.2"),
    ("[probe]", "[prob]", "table [prob] is unknown"),
    ("[[amplifier]]", "[amplifier]", "[[amplifier]] is not a list"),
    ("[supply]\nengine_off = 12.5\nengine_on = 14.2\n", "", "[supply] is missing"),
    ("[source]\n", "colour = 1\n[source]\n", "table [colour] is unknown"),
    (GOOD, "", "[source] is missing"),
    (GOOD, "source = 3\namplifier=1\nprobe=1\ninterface=1\nmeter=1\nsupply=1", "is not a table"),
    (GOOD, "this is no TOML", "is not TOML"),
    (GOOD, "x = " + "[" * 20_000, "nested too deep"),
    (GOOD, "x = 1" + "0" * 5000, "is not TOML"),
]


@pytest.mark.parametrize(("old", "new", "named"), BAD, ids=[str(n) for n in range(len(BAD))])
def test_a_bad_field_is_named(tmp_path: Path, old: str, new: str, named: str) -> None:
    assert old in GOOD
    with pytest.raises(UsageError) as caught:
        load_car(written(tmp_path, GOOD.replace(old, new, 1)))
    line = caught.value.line()
    assert named in caught.value.what
    assert "car.toml" in line
    assert caught.value.exit_status == 2
    assert caught.value.todo
    assert len(line) < 400 + len(str(tmp_path))


def test_every_required_key_is_required(tmp_path: Path) -> None:
    lines = GOOD.splitlines()
    for number, line in enumerate(lines):
        if " = " not in line:
            continue
        text = "\n".join(lines[:number] + lines[number + 1 :])
        with pytest.raises(UsageError, match=f"{line.split(' ')[0]} is missing"):
            load_car(written(tmp_path, text))


def test_a_name_is_used_once(tmp_path: Path) -> None:
    channel = GOOD[GOOD.index("[[amplifier]]") : GOOD.index("[probe]")]
    twice = GOOD.replace(channel, channel + channel)
    with pytest.raises(UsageError, match=r"\[amplifier 2\] name 'bass' is used twice"):
        load_car(written(tmp_path, twice))
    two = GOOD.replace(channel, channel + channel.replace("bass", "front"))
    assert [a.name for a in load_car(written(tmp_path, two)).amplifiers] == ["bass", "front"]


def test_unreadable_files(tmp_path: Path) -> None:
    for path in (tmp_path / "nowhere.toml", tmp_path, Path("a\0b")):
        with pytest.raises(InputError) as caught:
            load_car(path)
        assert caught.value.exit_status == 3
    binary = tmp_path / "binary.toml"
    binary.write_bytes(bytes(range(256)))
    with pytest.raises(UsageError, match="not UTF-8"):
        load_car(binary)
    long = tmp_path / "long.toml"
    long.write_bytes(b"#" * 2_000_000)
    with pytest.raises(UsageError, match="larger than"):
        load_car(long)


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert load_car(path).source.max_volume == 40


def test_a_control_character_never_reaches_the_terminal(tmp_path: Path) -> None:
    text = with_line(GOOD, "[probe]", '"\\u001b[2J" = 1')
    with pytest.raises(LevelsetError) as caught:
        load_car(written(tmp_path, text))
    assert caught.value.line().isprintable()


def test_the_invented_car_loads() -> None:
    assert load_demo_car().amplifiers
