"""``signals list`` and ``signals write``: files, sheet, errors, interruption."""

import json
import signal
import subprocess
import sys
import time

import pytest
import soundfile

from levelset.record.audio_files import open_recording
from levelset.recordings.measure import Wanted, measure


def levelset(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "levelset", "signals", *map(str, arguments)],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )


def test_list_and_its_json_name_the_same():
    rows = json.loads(levelset("list", "--json").stdout)["signals"]
    text = levelset("list").stdout
    for row in rows:
        assert row["name"] in text
        assert row["purpose"] in text
        assert row["true_peak_dbfs"] is None or row["true_peak_dbfs"] <= 0.0


def test_wave_by_default_and_a_sheet(tmp_path):
    done = levelset("write", tmp_path / "new" / "stick", "--only", "set-bass", "--only", "silence")
    assert done.returncode == 0, done.stderr
    folder = tmp_path / "new" / "stick"
    assert sorted(p.name for p in folder.iterdir()) == ["set-bass.wav", "silence.wav", "tracks.txt"]
    info = soundfile.info(folder / "set-bass.wav")
    assert (info.samplerate, info.channels, info.subtype) == (44100, 2, "PCM_16")
    assert info.duration == 300.0
    sheet = (folder / "tracks.txt").read_text("utf-8")
    for word in ("set-bass", "43 Hz", "0.0 dBFS", "true peak -0.001 dB", "5:00", "Caution"):
        assert word in sheet
    assert "lowered by 2 codes" in sheet
    assert max(map(len, sheet.splitlines())) <= 80


def test_what_is_written_is_what_is_measured(tmp_path):
    done = levelset(
        "write", tmp_path, "--format=flac", "--bits=24", "--rate=48000", "--overlap=5",
        "--only=set-upper",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    wanted = Wanted(None, 1, None, 1.0)
    recording = open_recording(tmp_path / "set-upper.flac")
    readings = [f.reading for f in measure(recording, wanted, lambda part: None)]
    assert len(readings) == 30
    for reading in readings:
        tone = reading.tone
        assert tone.void is None
        assert tone.level_dbfs.value == pytest.approx(-5.0, abs=1e-5)
        assert tone.frequency_hz.value == pytest.approx(997.0, abs=1e-5)
        assert tone.thd_percent.value <= max(tone.thd_percent.u, 1e-5)


@pytest.mark.parametrize(
    ("options", "status"),
    [
        (["--only", "nothing"], 2),
        (["--rate", "8000"], 2),
        (["--bits", "20"], 2),
        (["--overlap", "20"], 2),
        (["--format", "mp3"], 2),
    ],
)
def test_wrong_usage_leaves_nothing(tmp_path, options, status):
    folder = tmp_path / "stick"
    done = levelset("write", folder, *options)
    assert done.returncode == status
    [line] = done.stderr.splitlines()
    assert line.startswith("levelset: error: ")
    assert not folder.exists()


def test_a_folder_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("in the way", "utf-8")
    done = levelset("write", tmp_path / "file", "--only", "silence")
    assert done.returncode == 3
    assert len(done.stderr.splitlines()) == 1


def test_ctrl_c_leaves_whole_tracks_only(tmp_path):
    process = subprocess.Popen(
        [sys.executable, "-m", "levelset", "signals", "write", str(tmp_path), "--bits", "24"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    give_up = time.monotonic() + 30.0
    while not list(tmp_path.glob("*.wav")) and time.monotonic() < give_up:
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    _, error = process.communicate(timeout=30)
    assert process.returncode == 130
    assert len(error.splitlines()) == 1
    assert not list(tmp_path.glob(".*"))
    tracks = list(tmp_path.glob("*.wav"))
    assert tracks
    assert all(soundfile.info(track).duration == 300.0 for track in tracks)
