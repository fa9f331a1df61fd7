"""Recordings of every kind in blocks, and one clear error for each that cannot be used."""

from __future__ import annotations

import os
import signal
import struct
import subprocess
import sys
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from levelset.errors import InputError
from levelset.record.audio_files import open_recording

FRAMES = 12000


def noise(channels: int = 2, frames: int = FRAMES, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, 0.1, (frames, channels))


def read_all(path: Path, block: int = 1000) -> np.ndarray:
    return np.concatenate(list(open_recording(path).blocks(block)))


LOSSLESS = [
    ("WAV", "PCM_16", 2**-15),
    ("WAV", "PCM_24", 2**-23),
    ("WAV", "PCM_32", 2**-31),
    ("WAV", "FLOAT", 2**-24),
    ("WAV", "DOUBLE", 1e-300),
    ("WAV", "PCM_U8", 2**-7),
    ("WAVEX", "PCM_24", 2**-23),
    ("RF64", "PCM_24", 2**-23),
    ("W64", "PCM_24", 2**-23),
    ("AIFF", "PCM_24", 2**-23),
    ("CAF", "PCM_24", 2**-23),
    ("AU", "PCM_24", 2**-23),
    ("FLAC", "PCM_24", 2**-23),
    ("FLAC", "PCM_16", 2**-15),
]


@pytest.mark.parametrize(("container", "subtype", "step"), LOSSLESS)
@pytest.mark.parametrize("block", [777, 4096, 20000])
def test_every_lossless_kind_comes_back(
    tmp_path: Path, container: str, subtype: str, step: float, block: int
) -> None:
    path = tmp_path / f"r.{container.lower()}"
    soundfile.write(path, noise(), 44100, format=container, subtype=subtype)
    found = open_recording(path)
    assert (found.rate_hz, found.channels, found.frames) == (44100, 2, FRAMES)
    assert not found.lossy
    blocks = list(found.blocks(block))
    assert all(len(one) == block for one in blocks[:-1])
    assert all(one.dtype == np.float64 and one.shape[1] == 2 for one in blocks)
    np.testing.assert_allclose(np.concatenate(blocks), noise(), rtol=0.0, atol=step)


@pytest.mark.parametrize(("name", "frames"), [("r.ogg", FRAMES), ("r.mp3", FRAMES)])
def test_lossy_kinds_are_read_and_named_as_such(tmp_path: Path, name: str, frames: int) -> None:
    soundfile.write(tmp_path / name, noise(), 44100)
    found = open_recording(tmp_path / name)
    assert found.lossy
    assert len(read_all(tmp_path / name)) == found.frames == frames


@pytest.mark.parametrize("channels", [1, 2, 8])
@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000, 96000, 192000])
def test_integer_codes_are_exact(tmp_path: Path, channels: int, rate_hz: int) -> None:
    codes = np.random.default_rng(2).integers(
        -(2**23), 2**23 - 1, (3000, channels), dtype=np.int32, endpoint=True
    )
    for name in ("r.wav", "r.flac"):
        soundfile.write(tmp_path / name, codes << 8, rate_hz, subtype="PCM_24")
        assert open_recording(tmp_path / name).rate_hz == rate_hz
        np.testing.assert_array_equal(read_all(tmp_path / name) * 2**23, codes)


def test_a_recording_can_be_read_twice(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "r.wav", noise(), 48000)
    found = open_recording(tmp_path / "r.wav")
    first = next(found.blocks(100))
    np.testing.assert_array_equal(first, next(found.blocks(100)))
    assert sum(len(block) for block in found.blocks(999)) == FRAMES
    assert found.duration_s == FRAMES / 48000


def test_floating_point_files_may_hold_anything(tmp_path: Path) -> None:
    samples = np.array([[0.0], [np.nan], [np.inf], [-3.5]])
    soundfile.write(tmp_path / "r.wav", samples, 48000, subtype="FLOAT")
    np.testing.assert_array_equal(read_all(tmp_path / "r.wav"), samples)


@pytest.mark.outside
def test_the_same_samples_as_another_program_reads(
    tmp_path: Path, outside_program: Callable[[str], str]
) -> None:
    # sox makes the file, streamed with a length it does not know, and decodes it for comparison.
    sox = outside_program("sox")
    made = [sox, "-n", "-r", "48000", "-c", "2", "-b", "24", "-t", "wav", "-", "synth", "0.5"]
    wave = subprocess.run([*made, "sine", "441"], check=True, capture_output=True).stdout
    (tmp_path / "s.wav").write_bytes(wave)
    raw = [sox, "--ignore-length", "-t", "wav", "-", "-t", "raw", "-e", "signed", "-b", "32", "-"]
    codes = subprocess.run(raw, check=True, capture_output=True, input=wave).stdout
    expected = np.frombuffer(codes, "<i4").reshape(-1, 2) / 2.0**31
    np.testing.assert_array_equal(read_all(tmp_path / "s.wav"), expected)


def test_memory_does_not_grow_with_the_length(tmp_path: Path) -> None:
    path = tmp_path / "long.flac"
    with soundfile.SoundFile(path, "w", 48000, 2, subtype="PCM_16") as file:
        for seed in range(60):
            file.write(noise(frames=48000, seed=seed))
    peaks = []
    for seconds in (2, 60):
        tracemalloc.start()
        for number, block in enumerate(open_recording(path).blocks(12000)):
            assert len(block) == 12000
            if number == 4 * seconds - 1:
                break
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 100_000
    assert peaks[1] < 2_000_000


# Files that cannot be used


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "empty"),
        (b"just some text\n" * 50, "not an audio file"),
        (b"RIFF", "not an audio file"),
        (b"RIFF\x24\x00\x00\x00WAVE", "not an audio file"),
        (b"\x00" * 4000, "not an audio file"),
        (b"\x89PNG\r\n\x1a\n" + b"\x00" * 500, "not an audio file"),
    ],
)
def test_no_audio(tmp_path: Path, content: bytes, why: str) -> None:
    (tmp_path / "r.wav").write_bytes(content)
    with pytest.raises(InputError, match=why) as caught:
        open_recording(tmp_path / "r.wav")
    assert caught.value.exit_status == 3
    assert "\n" not in caught.value.line()


def test_missing_folders_raw_samples_and_no_permission(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(InputError, match="no such file"):
        open_recording(tmp_path / "none.wav")
    with pytest.raises(InputError, match="not a file"):
        open_recording(tmp_path)
    with pytest.raises(InputError, match="too long"):
        open_recording(tmp_path / ("x" * 300 + ".wav"))
    (tmp_path / "r.raw").write_bytes(b"\x00" * 1000)
    with pytest.raises(InputError, match="has no header"):
        open_recording(tmp_path / "r.raw")

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    soundfile.write(tmp_path / "r.wav", noise(), 48000)
    monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(InputError, match="Permission denied"):
        open_recording(tmp_path / "r.wav")


def test_no_samples(tmp_path: Path) -> None:
    for name in ("r.wav", "r.flac", "r.aiff"):
        soundfile.write(tmp_path / name, noise(frames=0), 48000)
        with pytest.raises(InputError, match="no samples|empty"):
            open_recording(tmp_path / name)


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "W64", "AIFF", "AU", "CAF", "FLAC"])
@pytest.mark.parametrize("part", [0.1, 0.5, 0.9, 0.999])
def test_a_truncated_file_is_never_read_as_a_whole_one(
    tmp_path: Path, container: str, part: float
) -> None:
    path = tmp_path / "r.audio"
    soundfile.write(path, noise(), 48000, format=container, subtype="PCM_24")
    os.truncate(path, int(part * path.stat().st_size))
    with pytest.raises(InputError, match="truncated|damaged|malformed"):
        read_all(path)


def test_a_truncated_mp3_file_ends_before_its_header_says(tmp_path: Path) -> None:
    # Its decoder ends without an error; only the count of frames tells.
    path = tmp_path / "r.mp3"
    soundfile.write(path, noise(frames=96000), 48000)
    os.truncate(path, path.stat().st_size // 2)
    with pytest.raises(InputError, match=r"truncated, \d+ of 96000 frames"):
        read_all(path)


def change(path: Path, at: int, form: str, value: int) -> None:
    data = bytearray(path.read_bytes())
    struct.pack_into(form, data, at, value)
    path.write_bytes(data)


@pytest.mark.parametrize("factor", [0.01, 0.3, 0.8, 1.01, 1.5, 1000.0])
def test_a_wave_header_that_lies_about_its_length(tmp_path: Path, factor: float) -> None:
    path = tmp_path / "r.wav"
    soundfile.write(path, noise(), 48000, subtype="PCM_16")
    at = path.read_bytes().index(b"data") + 4
    change(path, at, "<I", int(factor * FRAMES) * 4)
    with pytest.raises(InputError, match="its header names"):
        read_all(path)


@pytest.mark.parametrize("factor", [1.5, 1000.0])
def test_a_flac_header_that_names_more_than_there_is(tmp_path: Path, factor: float) -> None:
    # RFC 9639, 8.2: the last 36 bits before the checksum in STREAMINFO count the samples.
    path = tmp_path / "r.flac"
    soundfile.write(path, noise(), 48000, subtype="PCM_16")
    change(path, 22, ">I", int(factor * FRAMES))
    with pytest.raises(InputError, match="damaged|truncated"):
        read_all(path, block=5000)
    change(path, 22, ">I", 0)
    with pytest.raises(InputError, match="does not say how long"):
        open_recording(path)


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0x7FFFF000])
def test_a_streamed_wave_file_has_no_length_and_is_read_to_its_end(
    tmp_path: Path, size: int
) -> None:
    path = tmp_path / "r.wav"
    soundfile.write(path, noise(), 48000, subtype="PCM_16")
    at = path.read_bytes().index(b"data") + 4
    change(path, 4, "<I", size)
    change(path, at, "<I", size)
    assert len(read_all(path)) == FRAMES


def test_a_wave_file_whose_recorder_was_killed_is_read(tmp_path: Path) -> None:
    path = tmp_path / "r.wav"
    code = (
        "import os, numpy, soundfile\n"
        f"file = soundfile.SoundFile({str(path)!r}, 'w', 48000, 2, subtype='PCM_24')\n"
        f"file.write(numpy.full(({FRAMES}, 2), 0.25)); file.flush()\n"
        f"os.kill(os.getpid(), {signal.SIGKILL.value})\n"
    )
    subprocess.run([sys.executable, "-c", code], check=False)
    again = read_all(path)
    np.testing.assert_array_equal(again, np.full((FRAMES, 2), 0.25))


def test_damage_in_the_middle_of_a_flac_file_says_where(tmp_path: Path) -> None:
    path = tmp_path / "r.flac"
    soundfile.write(path, noise(frames=96000), 48000, subtype="PCM_24")
    data = bytearray(path.read_bytes())
    half = len(data) // 2
    data[half : half + 3000] = np.random.default_rng(3).bytes(3000)
    path.write_bytes(data)
    found = open_recording(path)
    with pytest.raises(InputError, match=r"damaged after 0\.\d s of 2\.0 s"):
        list(found.blocks(4096))


def test_random_damage_is_an_input_error_or_samples_and_never_anything_else(
    tmp_path: Path,
) -> None:
    rng = np.random.default_rng(4)
    for container in ("WAV", "FLAC", "AIFF", "OGG", "CAF"):
        whole = tmp_path / "whole"
        subtype = "VORBIS" if container == "OGG" else "PCM_16"
        soundfile.write(whole, noise(frames=4000), 48000, format=container, subtype=subtype)
        data = whole.read_bytes()
        for _ in range(40):
            damaged = bytearray(data)
            for _ in range(int(rng.integers(1, 6))):
                # Mostly in the header, where it decides how the rest is read.
                high = 60 if rng.random() < 0.7 else len(damaged)
                damaged[int(rng.integers(high))] = int(rng.integers(256))
            (tmp_path / "r.audio").write_bytes(damaged)
            try:
                for block in open_recording(tmp_path / "r.audio").blocks(1000):
                    assert len(block) <= 1000
            except InputError:
                pass  # the one error that is allowed
