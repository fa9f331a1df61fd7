"""Captures are exact, and files that are none are clear errors."""

from __future__ import annotations

import io
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from levelset.errors import InputError
from levelset.record.audio_files import (
    CODE_HIGH,
    CODE_LOW,
    open_recording,
    read_capture,
    write_capture,
)


@pytest.mark.parametrize("channels", [1, 2, 8])
@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000, 96000, 192000])
def test_every_code_comes_back(tmp_path: Path, channels: int, rate_hz: int) -> None:
    rng = np.random.default_rng(channels * rate_hz)
    codes = rng.integers(CODE_LOW, CODE_HIGH, (5000, channels), dtype=np.int32, endpoint=True)
    codes[:4, 0] = CODE_LOW, CODE_HIGH, 0, -1
    write_capture(tmp_path / "c.flac", codes, rate_hz)
    again, rate = read_capture(tmp_path / "c.flac")
    assert rate == rate_hz
    assert again.dtype == np.int32
    np.testing.assert_array_equal(again, codes)


def test_one_frame_and_silence_are_captures_too(tmp_path: Path) -> None:
    for codes in (np.zeros((1, 1), np.int32), np.zeros((48000, 2), np.int32)):
        write_capture(tmp_path / "c.flac", codes, 48000)
        np.testing.assert_array_equal(read_capture(tmp_path / "c.flac")[0], codes)


@pytest.mark.outside
def test_another_decoder_reads_the_same_codes(
    tmp_path: Path, outside_program: Callable[[str], str]
) -> None:
    # sox decodes FLAC through libFLAC and writes raw signed 32-bit samples.
    codes = np.random.default_rng(5).integers(CODE_LOW, CODE_HIGH, (4800, 2), dtype=np.int32)
    write_capture(tmp_path / "c.flac", codes, 96000)
    sox = outside_program("sox")
    command = [sox, str(tmp_path / "c.flac"), "-t", "raw", "-e", "signed", "-b", "32", "-"]
    raw = subprocess.run(command, check=True, capture_output=True).stdout
    np.testing.assert_array_equal(np.frombuffer(raw, "<i4").reshape(-1, 2) >> 8, codes)
    rate = subprocess.run([sox, "--i", "-r", str(tmp_path / "c.flac")], capture_output=True)
    assert rate.stdout.strip() == b"96000"


@pytest.mark.parametrize(
    "codes",
    [
        np.zeros((0, 2), np.int32),
        np.zeros((4, 9), np.int32),
        np.zeros((4, 0), np.int32),
        np.zeros(4, np.int32),
        np.zeros((4, 2), np.int64),
        np.zeros((4, 2), np.float64),
        np.full((4, 2), CODE_HIGH + 1, np.int32),
        np.full((4, 2), CODE_LOW - 1, np.int32),
    ],
)
def test_what_is_no_24_bit_capture_is_refused(tmp_path: Path, codes: np.ndarray) -> None:
    with pytest.raises(ValueError, match="code|frame"):
        write_capture(tmp_path / "c.flac", codes, 48000)
    assert not (tmp_path / "c.flac").exists()


def test_a_place_that_cannot_be_written_is_an_os_error(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="could not be written"):
        write_capture(tmp_path / "none" / "c.flac", np.zeros((4, 1), np.int32), 48000)


@pytest.mark.parametrize("content", [b"", b"hello\n", b"\x00" * 5000, b"fLaC" + b"\x00" * 50])
def test_what_is_no_audio_file_is_an_input_error(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "c.flac").write_bytes(content)
    with pytest.raises(InputError, match=r"c\.flac: cannot be read as audio"):
        read_capture(tmp_path / "c.flac")
    with pytest.raises(InputError, match="a capture: cannot be read as audio"):
        read_capture(io.BytesIO(content), "a capture")


def test_missing_and_foreign_files_are_input_errors(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="missing"):
        read_capture(tmp_path / "none.flac")
    soundfile.write(tmp_path / "w.wav", np.zeros((10, 1)), 48000, subtype="PCM_24")
    with pytest.raises(InputError, match="WAV PCM_24, not 24-bit FLAC"):
        read_capture(tmp_path / "w.wav")
    soundfile.write(tmp_path / "s.flac", np.zeros((10, 1)), 48000, subtype="PCM_16")
    with pytest.raises(InputError, match="PCM_16"):
        read_capture(tmp_path / "s.flac")


def test_a_cut_capture_is_an_input_error_at_any_length(tmp_path: Path) -> None:
    codes = np.random.default_rng(1).integers(CODE_LOW, CODE_HIGH, (9000, 2), dtype=np.int32)
    write_capture(tmp_path / "c.flac", codes, 48000)
    data = (tmp_path / "c.flac").read_bytes()
    for size in range(0, len(data) - 1, len(data) // 37):
        with pytest.raises(InputError):
            read_capture(io.BytesIO(data[:size]), "cut")


@pytest.mark.skipif(os.name == "nt", reason="names are bytes on POSIX systems only")
def test_a_name_that_is_no_utf_8_is_read(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"caf\xe9.wav")
    soundfile.write(os.fsencode(path), np.zeros((100, 1)), 48_000, format="WAV")
    found = open_recording(path)
    assert sum(len(block) for block in found.blocks(64)) == 100
