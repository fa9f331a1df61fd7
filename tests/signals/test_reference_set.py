"""The reference set: rebuilt code for code, and its values found again in the files."""

import hashlib
import json
import math

import numpy as np
import pytest
import soundfile

from testsignals import make

ENTRIES = json.loads(make.MANIFEST.read_text("utf-8"))["files"]


def codes_in(name):
    bits = ENTRIES[name]["bits"]
    values, rate_hz = soundfile.read(make.FOLDER / name, dtype="int32", always_2d=True)
    assert rate_hz == ENTRIES[name]["rate_hz"]
    return values >> (32 - bits), bits


def test_the_set_is_whole():
    assert {name for name, _, _ in make.short_tracks()} == set(ENTRIES)
    assert {path.name for path in make.FOLDER.glob("*.flac")} == set(ENTRIES)
    assert sum(path.stat().st_size for path in make.FOLDER.glob("*.flac")) < 1_000_000


@pytest.mark.parametrize(("name", "track", "bits"), list(make.short_tracks()))
def test_rebuilt_code_for_code(name, track, bits):
    assert make.entry(track, bits) == ENTRIES[name]
    stored, _ = codes_in(name)
    assert hashlib.sha256(stored.astype("<i4").tobytes()).hexdigest() == ENTRIES[name]["sha256"]


@pytest.mark.parametrize("name", [n for n, e in ENTRIES.items() if e["lines"]])
def test_lines_are_in_their_channel_and_in_no_other(name):
    """A DFT over one second, the period of the coded signals of two channels."""
    expected = ENTRIES[name]
    values, bits = codes_in(name)
    first, last = (int(s * expected["rate_hz"]) for s in expected["steady_s"])
    found = (
        2.0 * np.abs(np.fft.rfft(values[first:last] / 2.0 ** (bits - 1), axis=0)) / (last - first)
    )
    assert expected["channels"] == ["left", "right"]
    for channel, lines in enumerate(expected["lines"]):
        hz = [int(f) for f in lines]
        np.testing.assert_allclose(found[hz, channel], list(lines.values()), atol=5e-7)
        assert found[hz, 1 - channel].max() < 5e-7


@pytest.mark.parametrize("name", sorted(ENTRIES))
def test_values_are_in_the_file(name):
    """Plain sums over whole seconds, which hold whole periods of whole-hertz tones."""
    expected = ENTRIES[name]
    values, bits = codes_in(name)
    values = values[:, 0]
    first, last = (int(s * expected["rate_hz"]) for s in expected["steady_s"])
    x = values[first:last] / 2.0 ** (bits - 1)
    assert x.mean() == pytest.approx(expected["offset_fs"], abs=3e-4)
    if expected["frequency_hz"] is None:
        return
    turn = np.exp(-2j * np.pi * expected["frequency_hz"] * np.arange(x.size) / expected["rate_hz"])
    amplitude = 2.0 * abs(np.mean(x * turn))
    assert 20.0 * math.log10(amplitude) == pytest.approx(expected["level_dbfs"], abs=2e-4)
    assert x.mean() == pytest.approx(0.0, abs=1e-6)
    rest = math.sqrt(np.mean(x**2) - 0.5 * amplitude**2)
    assert rest == pytest.approx(0.5 * 2.0 ** (1 - bits), rel=0.05)
