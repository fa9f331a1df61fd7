"""A stretch of all tips as a whole: what each analysis finds, and what it refuses."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest

from levelset.probe.calibration import Calibration
from levelset.probe.kinds import KINDS, kind_of
from levelset.probe.reading import Frames
from levelset.probe.stretch import ANALYSES, read_stretch
from levelset.probe.stretch_reading import StretchSpec, stretch_as_json
from levelset.quantity import Quantity
from levelset.signals.multitone import response_tones
from levelset.signals.which_wire import wire_codes
from tests.analysis.test_signal_kind import ALSA, DESKTOP, files, heard

RATE = 48_000
CHANNELS = ["left", "right"]
PARAMETERS = {
    "which_wire": {"channels": CHANNELS},
    "two_taps": {"channels": CHANNELS},
    "response": {"peak_dbfs": -6.0, "fraction": 3},
    "noise": {},
    "signal_kind": {},
}
LEFT, RIGHT = (code for code in wire_codes(("left", "right"), -6.0))
TONES = response_tones("response", "", -6.0)


def spec(analysis, seconds=4.05):
    return StretchSpec(analysis, seconds, "bridged", True, PARAMETERS[analysis])


def times(seconds=4.05):
    return np.arange(round(seconds * RATE)) / RATE


def read(analysis, a, b=None, calibration=None):
    columns = [a] if b is None else [a, b]
    samples = np.round(np.stack(columns, axis=1) * 2**23) / 2**23
    frames = Frames(0, 0, len(samples), RATE)
    return read_stretch(samples, frames, spec(analysis), calibration)


def hiss(seed, count):
    return 1e-5 * np.random.default_rng(seed).standard_normal(count)


def calibration(ratio=1.0):
    scales = (Quantity(150.0, 1.5, "V"), Quantity(150.0 * ratio, 1.5, "V"))
    return Calibration("a", "b", RATE, 97.0, scales, None, (), 120.0, 5.0, ())


def test_every_analysis_is_in_the_table_and_the_kinds_name_their_lines():
    assert set(ANALYSES) == set(PARAMETERS)
    assert [kind.line for kind in KINDS.values()] == ["reading", "touch", "stretch"]
    assert kind_of(spec("noise")).read is read_stretch


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_wire_between_two_legs_of_different_scale(sign):
    """Half the voltage on each leg; tip B passes 2 % less and its scale says so."""
    t = times()
    x = 0.01 * sign * RIGHT.at(t + 0.3)
    reading = read("which_wire", 0.5 * x, -0.5 * x / 1.02, calibration(1.02))
    assert reading.void is None
    assert reading.found.channel == "right"
    assert reading.found.polarity == ("normal" if sign > 0 else "reversed")
    parts = json.loads(json.dumps(stretch_as_json(reading)))["found"]["parts"]
    assert parts[0]["channel"] == "right"
    assert "transfer" not in parts[0]


def test_two_taps_against_each_other():
    """Closed form: B is A delayed by 1 ms, 3 dB lower and turned."""
    t = times()
    a = 0.01 * LEFT.at(t + 0.5) + hiss(1, t.size)
    b = -0.01 * 10 ** (-3 / 20) * LEFT.at(t + 0.5 - 1e-3) + hiss(2, t.size)
    two = read("two_taps", a, b).found.compared
    assert two.polarity == "reversed"
    assert two.level_db.value == pytest.approx(-3.0, abs=0.01)
    assert two.delay_s.value == pytest.approx(1e-3, abs=2e-5)
    assert read("two_taps", a).void.code == "output_unknown"


def test_response_is_stored_point_by_point_with_its_uncertainty():
    t = times()
    reading = read("response", 0.02 * TONES.at(t) + hiss(3, t.size), hiss(4, t.size))
    bands = stretch_as_json(reading)["found"]["bands"]
    assert len(bands) == 31  # third octaves from 20 Hz to 20 kHz (IEC 61260-1)
    for band in bands:
        assert band["level_db"]["value"] == pytest.approx(20 * np.log10(0.02), abs=0.02)


def test_noise_in_volts():
    """White noise of 1 mV RMS in 20 Hz to 20 kHz, from the power of a band: 20 kHz of 24 kHz."""
    t = times()
    size = 1e-3 / 150.0 * np.sqrt(24_000.0 / 19_980.0)
    x = size * np.random.default_rng(5).standard_normal(t.size)
    reading = read("noise", x, 0.0 * x, calibration())
    volts = reading.found.unweighted.rms_fs.value * reading.volts_per_fs.value
    assert volts == pytest.approx(1e-3, rel=0.02)


def test_input_faults_void_a_stretch():
    t = times()
    loud = 1.2 * LEFT.at(t) / LEFT.peak_fs
    assert read("which_wire", np.clip(loud, -0.95, 0.95), 0 * t).void.code == "input_overload"
    broken = 0.01 * LEFT.at(t)
    broken[100] = np.nan
    samples = np.stack((broken, broken), axis=1)
    frames = Frames(0, 0, len(t), RATE)
    assert read_stretch(samples, frames, spec("which_wire"), None).void.code == "not_finite"
    other_rate = Calibration(
        "a", "b", 96_000, 97.0, (Quantity(150.0, 1.5, "V"),), None, (), 120.0, 5.0, ()
    )
    assert read("which_wire", 0.01 * LEFT.at(t), None, other_rate).void.code == "setup_changed"


def as_long_as(sound, rate_hz, seconds=4.05):
    """Repeat a sound with half a second of silence between, at 48 kHz and -20 dBFS."""
    gap = np.concatenate((sound, np.zeros(int(0.5 * rate_hz))))
    count = round(seconds * RATE)
    place = np.arange(count) * rate_hz / RATE
    whole = np.tile(gap, int(np.ceil(place[-1] / gap.size)) + 1)
    return 0.1 * np.interp(place, np.arange(whole.size), whole) / np.abs(whole).max()


def refused(sound, rate_hz, name):
    x = as_long_as(sound, rate_hz)
    for analysis in ("which_wire", "response", "noise"):
        reading = read(analysis, x + hiss(6, x.size), hiss(7, x.size))
        assert reading.void is not None, (name, analysis, reading.found)


@pytest.mark.outside
def test_sounds_of_the_operating_system_are_never_measured():
    for path in files(ALSA, "*_*.wav")[:3]:
        refused(*heard(path), path.name)
    for path in files(DESKTOP, "*.oga"):
        if path.stem in ("complete", "phone-incoming-call", "service-login", "alarm-clock-elapsed"):
            refused(*heard(path), path.name)


@pytest.mark.outside
def test_spoken_prompts_are_never_measured(outside_program, tmp_path: Path):
    program, path = outside_program("espeak-ng"), tmp_path / "prompt.wav"
    words = "In two hundred metres turn left, then keep to the right lane."
    subprocess.run([program, "-w", str(path), words], check=True)
    refused(*heard(path), "prompt")
