"""Signals for several channels, and what they become in a file."""

import subprocess
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from levelset.record.audio_files import write_track
from levelset.signals.catalogue import Tones, catalogue
from levelset.signals.channels import CHANNELS, LAYOUTS, ChannelSignals, played_on, values_on
from levelset.signals.tones import set_tone, silence
from levelset.signals.track import codes
from levelset.signals.which_wire import TRACKS, which_wire_track, wire_codes

TONES = Tones(bass=43.0, midbass=128.0, mid=486.0, upper=997.0, calibrate=94.0)
BY_NAME = {track.name: track for track in catalogue(TONES)}


@pytest.mark.parametrize("count", sorted(LAYOUTS))
def test_the_track_holds_the_code_of_every_channel(count):
    track = which_wire_track(count)
    time_s = np.linspace(0.0, 3.0, 500)
    alone = wire_codes(LAYOUTS[count], -6.0)
    for n, code in enumerate(alone):
        np.testing.assert_array_equal(track.at(time_s, n), code.at(time_s))
    assert 0.49 < track.peak_fs <= 0.5012
    assert track.highest_hz == max(code.highest_hz for code in alone)
    assert track.level_dbfs == max(code.level_dbfs for code in alone)


def test_who_plays_what():
    tone = set_tone("set-bass", "a test", 43.0, 0.0)
    track = which_wire_track(4)
    assert played_on(tone, "low") == ((1.0, tone),)
    for channel, part in zip(track.channels, track.parts, strict=True):
        assert played_on(track, channel) == ((1.0, part),)
    left, right = which_wire_track(2).parts
    stereo = which_wire_track(2)
    for channel in CHANNELS:
        expected = ((1.0, left),) if "left" in channel else ((1.0, right),)
        if channel in ("centre", "low"):
            expected = ((0.5, left), (0.5, right))
        assert played_on(stereo, channel) == expected


def test_every_output_has_its_own_part():
    time_s = np.linspace(0.0, 0.1, 50)
    stereo = which_wire_track(2)
    found = dict(values_on(stereo, range(4), time_s))
    assert sorted(found) == [0, 1]
    for n, value in found.items():
        np.testing.assert_array_equal(value, stereo.parts[n].at(time_s))
    tone = set_tone("set-bass", "a test", 43.0, 0.0)
    alike = dict(values_on(tone, (0, 3), time_s))
    assert sorted(alike) == [0, 3]
    np.testing.assert_array_equal(alike[3], tone.at(time_s))


def test_silent_channels():
    quiet = ChannelSignals("quiet", "a test", ("left", "right"), (silence(), silence()))
    assert (quiet.peak_fs, quiet.level_dbfs, quiet.highest_hz) == (0.0, None, 0.0)


@pytest.mark.parametrize(("count", "ending"), [(2, "flac"), (4, "wav"), (6, "wav"), (6, "flac")])
def test_a_file_has_the_channels_in_their_order(tmp_path, count, ending):
    """Speakers of a WAV file: the mask of WAVE_FORMAT_EXTENSIBLE, front left 1, front right 2,
    front centre 4, low frequency 8, back left 16, back right 32 (from memory)."""
    track = replace(BY_NAME[TRACKS[count]], length_s=5.0)
    path = tmp_path / f"{track.name}.{ending}"
    write_track(path, codes(track, 48_000, 24, count), 48_000, count, 24)
    values, rate_hz = soundfile.read(path, always_2d=True)
    assert (rate_hz, values.shape) == (48_000, (240_000, count))
    steady = np.arange(3 * 48_000 + 100, 3 * 48_000 + 4100)
    for n in range(count):
        exact = track.gain(24) * track.signal.parts[n].at(steady / 48_000 - 2.0)
        np.testing.assert_allclose(values[steady, n], exact, atol=2.0**-22)
    if ending == "wav" and count > 2:
        head = path.read_bytes()[:48]
        assert int.from_bytes(head[20:22], "little") == 0xFFFE
        assert int.from_bytes(head[40:44], "little") == {4: 0x33, 6: 0x3F}[count]


@pytest.mark.outside
def test_another_program_finds_the_channels(outside_program, tmp_path):
    """sox takes out one channel; its lines are those of that channel."""
    track = replace(BY_NAME["which-wire-four"], length_s=7.0)
    path, one = tmp_path / "four.wav", tmp_path / "one.wav"
    write_track(path, codes(track, 48_000, 16, 4), 48_000, 4, 16)
    subprocess.run([outside_program("sox"), path, one, "remix", "3"], check=True, timeout=60)
    values, _ = soundfile.read(one)
    found = 2.0 * np.abs(np.fft.rfft(values[3 * 48_000 : 5 * 48_000])) / 96_000
    part = track.signal.parts[2]
    lines = [round(2.0 * c.frequency_hz) for c in part.components]
    expected = [c.amplitude_fs for c in part.components]
    np.testing.assert_allclose(found[lines], expected, atol=2e-6)


def test_a_coded_track_needs_its_channels():
    with pytest.raises(ValueError, match="which-wire has 2 channels, not 1"):
        next(codes(BY_NAME["which-wire"], 48_000, 16, 1))
