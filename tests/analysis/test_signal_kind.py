"""Test signals against real sounds that are none."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import numpy as np
import pytest

from levelset.analysis.signal_kind import signal_kind
from levelset.record.audio_files import open_recording
from levelset.signals.multitone import response_tones
from levelset.signals.noise import pink_noise
from levelset.signals.which_wire import wire_codes

RATE = 48_000.0
TIME = np.arange(int(3 * RATE)) / RATE
ALSA = Path("/usr/share/sounds/alsa")
DESKTOP = Path("/usr/share/sounds/freedesktop/stereo")


def sine(hz):
    return np.sin(2 * np.pi * hz * TIME)


TESTS = {
    "bass tone": ("tone", sine(43.0)),
    "upper tone": ("tone", sine(997.0)),
    "high tone": ("tone", sine(9973.0)),
    "clipped": ("tone", np.clip(3 * sine(151.0), -1, 1)),
    "square": ("tone", np.sign(sine(997.0))),
    "response": ("steady", response_tones("response", "", -6.0).at(TIME)),
    "pink noise": ("steady", pink_noise("pink", "", -20.0).at(TIME)),
    "hum of its own size": ("steady", sine(43.0) + 0.7 * sine(50.0)),
    "hum with multiples": (
        "steady",
        sine(43.0) + 0.5 * sine(50.0) + 0.3 * sine(100.0) + 0.2 * sine(150.0),
    ),
    "whine": ("steady", sine(997.0) + 0.6 * sine(990.0)),
    "left": ("steady", wire_codes(("left", "right"), -6.0)[0].at(TIME)),
    "one of eight": ("steady", wire_codes(tuple("abcdefgh"), -6.0)[5].at(TIME)),
}


@pytest.mark.parametrize("name", TESTS)
@pytest.mark.parametrize("snr_db", [200.0, 30.0])
def test_test_signals_are_recognised(name, snr_db):
    kind, x = TESTS[name]
    hiss = np.random.default_rng(0).standard_normal(x.size)
    got = signal_kind(0.1 * (x + np.std(x) * 10 ** (-snr_db / 20) * hiss), RATE, 1e-5)
    assert got.is_test_signal
    assert got.kind == kind


def test_silence_by_the_inputs_own_floor():
    hiss = 1e-5 * np.random.default_rng(0).standard_normal(TIME.size)
    assert signal_kind(hiss, RATE, 1e-5).kind == "silence"
    assert signal_kind(0.0 * hiss, RATE, None).kind == "silence"
    assert not signal_kind(hiss, RATE, 1e-5).is_test_signal


def test_a_tone_while_the_knob_is_turned():
    got = signal_kind(sine(997.0) * 10 ** (-np.minimum(TIME, 2.0) * 3 / 20), RATE, None)
    assert got.kind == "moving_tone"
    assert not got.is_test_signal


RINGING = {
    "rings twice a second": sine(800.0) * np.exp(-(TIME % 0.5) / 0.15),
    "switched eight times a second": sine(1000.0) * (np.sin(2 * np.pi * 8 * TIME) > 0),
    "one after the other": np.where(TIME % 1.0 < 0.5, sine(800.0), sine(640.0)),
    "two that ring out": sine(800.0) * np.exp(-TIME / 0.5) + sine(1600.0) * np.exp(-TIME / 0.2),
    "rings out slowly": sine(600.0) * np.exp(-TIME),
}


@pytest.mark.parametrize("name", RINGING)
@pytest.mark.parametrize("seconds", [0.8, 1.2, 3.0])
def test_what_rings_or_is_switched_is_no_steady_tone(name, seconds):
    hiss = 0.02 * np.random.default_rng(1).standard_normal(TIME.size)
    got = signal_kind(0.1 * (RINGING[name] + hiss)[: int(seconds * RATE)], RATE, 1e-5)
    assert not got.is_test_signal


def test_too_short():
    assert signal_kind(sine(997.0)[:20_000], RATE, None).kind == "too_short"


def heard(path: Path) -> tuple[np.ndarray, float]:
    """The loudest channel of a sound file through the product's own reader."""
    recording = open_recording(path)
    samples = np.concatenate(list(recording.blocks(1 << 16)))
    return np.ascontiguousarray(samples[:, samples.std(axis=0).argmax()]), float(recording.rate_hz)


def files(folder: Path, pattern: str) -> list[Path]:
    found = sorted(folder.glob(pattern)) if folder.is_dir() else []
    if not found:
        message = f"no {folder} (apt-get install alsa-utils sound-theme-freedesktop)"
        if os.environ.get("LEVELSET_REQUIRE_OUTSIDE") == "1":
            pytest.fail(message)
        pytest.skip(message)
    return found


@pytest.mark.outside
def test_spoken_channel_names_of_the_operating_system_are_speech():
    voices = files(ALSA, "*_*.wav")
    for path in voices:
        assert signal_kind(*heard(path), None).kind == "speech", path.name
    # The noise among them is steady: as a test signal it may be measured.
    assert signal_kind(*heard(ALSA / "Noise.wav"), None).kind == "steady"


@pytest.mark.outside
def test_sounds_of_the_desktop_are_never_measured():
    kinds = {
        path.stem: signal_kind(*heard(path), None)
        for path in files(DESKTOP, "*.oga")
        if path.stem != "audio-test-signal"
    }
    assert not [name for name, kind in kinds.items() if kind.is_test_signal]
    for chime in ("complete", "service-login", "phone-incoming-call", "alarm-clock-elapsed"):
        assert kinds[chime].kind == "chime", chime


@pytest.mark.outside
@pytest.mark.parametrize("voice", ["en", "de"])
def test_a_synthesised_prompt_is_speech(voice, outside_program, tmp_path):
    program, out = outside_program("espeak-ng"), tmp_path / "prompt.wav"
    text = "In three hundred metres turn left. Then follow the road for a long time."
    subprocess.run([program, "-v", voice, "-w", str(out), text], check=True)
    assert signal_kind(*heard(out), None).kind == "speech"


@pytest.mark.outside
@pytest.mark.parametrize("melody", [0, 1])
def test_plucked_strings_are_never_measured(melody, outside_program, tmp_path):
    program, out = outside_program("sox"), tmp_path / "music.wav"
    notes = ("A3", "C4", "E4", "A4", "G4") if melody == 0 else ("C2", "G2", "C3", "E3", "G3")
    parts: list[str] = []
    for note in notes:
        parts += [":"] * bool(parts) + ["synth", "0.5", "pluck", note]
    subprocess.run([program, "-R", "-n", "-r", "48000", str(out), *parts], check=True)
    got = signal_kind(*heard(out), None)
    assert not got.is_test_signal
    assert got.kind in ("music", "chime", "speech")
    noise = tmp_path / "noise.wav"
    subprocess.run(
        [program, "-R", "-n", "-r", "48000", str(noise), "synth", "3", "pinknoise"], check=True
    )
    assert signal_kind(*heard(noise), None).kind == "steady"
