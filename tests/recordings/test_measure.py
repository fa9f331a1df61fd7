"""``measure``: values against closed forms, and what each kind of file gets."""

import json
import math
import os
import signal
import subprocess
import sys
import time
import tracemalloc

import numpy as np
import pytest
import soundfile

from levelset.record.audio_files import open_recording
from levelset.recordings.measure import Wanted, measure
from levelset.recordings.scale import Scale
from tests.analysis import closed_forms as forms
from tests.recordings.recorded import RATE_HZ, tone, write

READING_KEYS = {
    "channel",
    "start_s",
    "duration_s",
    "void",
    "void_reason",
    "frequency_hz",
    "level_dbfs",
    "volts_rms",
    "volts_rms_total",
    "offset_fs",
    "thd_percent",
    "thd_harmonics",
    "thd_n_percent",
    "band_hz",
    "harmonics_percent",
    "crest_factor",
    "peak_dbfs",
    "hum_not_separable",
    "clipping",
    "drift",
}


def levelset(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "levelset", "measure", *map(str, arguments)],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )


def read(path, **more):
    wanted = Wanted(
        **{"scale": None, "channel": None, "window_s": None, "limit_percent": 1.0} | more
    )
    return list(measure(open_recording(path), wanted, lambda part: None))


def one_error(done, status=3):
    assert done.returncode == status, done.stderr
    [line] = done.stderr.splitlines()
    assert line.startswith("levelset: error: ")
    assert " - " in line


# Values.


@pytest.mark.parametrize("overdrive_db", [0.1, 1.0, 3.0])
@pytest.mark.parametrize("seconds", [0.4, 5.0, 9.9])
def test_clipped_sine_against_its_closed_form(tmp_path, seconds, overdrive_db):
    """THD of 40 harmonics, level, total and offset of a sine cut on one side."""
    frequency_hz, n = 97.3, int(seconds * RATE_HZ)
    series = forms.clipped_cosine(forms.below_nyquist(frequency_hz, RATE_HZ), overdrive_db, 0.0)
    x = 0.5 * forms.sampled(series, frequency_hz, RATE_HZ, n)
    x += forms.white_noise(np.random.default_rng(3), n, 0.5, 80.0)
    [found] = read(write(tmp_path / "r.wav", x), scale=Scale.typed(70.7))
    reading, result = found.reading, found.reading.tone
    assert abs(result.thd_percent.value - forms.thd_percent(series, 40)) <= max(
        0.002 * forms.thd_percent(series, 40), 2.0 * result.thd_percent.u
    )
    assert reading.volts_rms.value == pytest.approx(
        0.5 * series[1] * 70.7 / math.sqrt(2.0), abs=2.0 * reading.volts_rms.u
    )
    total = 0.5 * math.sqrt(float(np.square(series[1:]).sum()))
    assert reading.volts_rms_total.value == pytest.approx(total * 70.7 / math.sqrt(2.0), rel=1e-5)
    assert result.offset_fs.value == pytest.approx(0.5 * series[0], abs=2e-4)
    assert result.clipping.state == "hard_clipping"
    assert result.clipping.halves == "upper"
    assert result.clipping.overdrive_db.value == pytest.approx(overdrive_db, abs=0.03)


def test_thd_and_noise_by_construction(tmp_path):
    """Noise of known power within 20 Hz to 20 kHz of 24 kHz."""
    rng = np.random.default_rng(4)
    for seconds, noise_db in ((0.5, -60.0), (8.0, -60.0), (8.0, -40.0)):
        n = int(seconds * RATE_HZ)
        x = 0.4 * np.cos(2.0 * np.pi * 431.7 * np.arange(n) / RATE_HZ)
        x += forms.white_noise(rng, n, 0.4, -noise_db)
        [found] = read(write(tmp_path / "r.wav", x))
        expected = 100.0 * 10.0 ** (noise_db / 20.0) * math.sqrt(19980.0 / 24000.0)
        value = found.reading.tone.thd_n_percent.value
        assert 20.0 * math.log10(value / expected) == pytest.approx(0.0, abs=0.1)


def test_long_windows_reach_deeper_than_one_segment(tmp_path):
    """A harmonic 100 dB down in noise 60 dB down is seen in 10 s, within its uncertainty."""
    n = 10 * RATE_HZ
    angle = 2.0 * np.pi * 97.0 * np.arange(n) / RATE_HZ
    x = 0.5 * (np.cos(angle) + 1e-4 * np.cos(3.0 * angle + 1.0))
    x += forms.white_noise(np.random.default_rng(5), n, 0.5, 60.0)
    [found] = read(write(tmp_path / "r.wav", x))
    assert found.reading.tone.harmonics_percent[1] == pytest.approx(0.01, abs=0.0015)
    assert (
        abs(found.reading.tone.thd_percent.value - 0.01) <= 2.0 * found.reading.tone.thd_percent.u
    )


def test_drift_of_level_and_frequency_is_reported(tmp_path):
    n = 10 * RATE_HZ
    t = np.arange(n) / RATE_HZ
    angle = 2.0 * np.pi * (431.0 * t + 0.5 * 0.002 * t**2)  # 431 Hz, 0.02 Hz up in 10 s
    x = 0.5 * 10.0 ** (0.1 * t / 10.0 / 20.0) * np.cos(angle)  # 0.1 dB up
    x += 1e-4 * np.random.default_rng(6).normal(size=n)
    [found] = read(write(tmp_path / "r.wav", x))
    assert found.drift.level_db.value == pytest.approx(0.1, abs=0.002)
    assert found.drift.frequency_hz.value == pytest.approx(0.02, abs=0.001)
    assert found.reading.tone.frequency_hz.value == pytest.approx(431.01, abs=0.001)
    # The reading's uncertainty covers the level at both ends.
    assert found.reading.tone.level_dbfs.u > 0.04


def test_a_moving_frequency_does_not_hide_the_harmonics(tmp_path):
    """Clipped by 1 dB while the frequency wanders by 0.1 %: segments are fitted one by one."""
    n = 8 * RATE_HZ
    t = np.arange(n) / RATE_HZ
    turn = np.exp(2j * np.pi * (997.0 * t + 0.1 * np.sin(2.0 * np.pi * 0.4 * t)))
    series = forms.clipped_cosine(23, 1.0, 1.0)
    x = np.real(sum(h * turn**k for k, h in enumerate(series)))
    x = 0.4 * x + 1e-5 * np.random.default_rng(7).normal(size=n)
    [found] = read(write(tmp_path / "r.wav", x))
    assert found.reading.tone.void is None
    expected = forms.thd_percent(series, 20)
    assert found.reading.tone.thd_percent.value == pytest.approx(expected, rel=0.01)


def test_the_steady_part_of_a_short_file(tmp_path):
    """2 s of silence, 1 s of fade, tone, 1 s of fade: read where it stands."""
    x = tone(997.0, seconds=9.0, noise=1e-5)
    t = np.arange(x.size) / RATE_HZ
    x *= np.clip(t - 2.0, 0.0, 1.0) * np.clip(9.0 - t, 0.0, 1.0)
    [found] = read(write(tmp_path / "r.wav", x))
    assert found.reading.tone.level_dbfs.value == pytest.approx(-6.0206, abs=1e-3)
    assert 2.99 < found.reading.start_s < 3.3
    assert 7.7 < found.reading.start_s + found.reading.duration_s < 8.01


def test_windows(tmp_path):
    path = write(tmp_path / "r.wav", tone(997.0, seconds=24.0))
    assert [f.reading.start_s for f in read(path)] == [0.0, 10.0, 20.0]
    assert [f.reading.duration_s for f in read(path)] == [10.0, 10.0, 4.0]
    shorter = read(path, window_s=5.0)
    assert [f.reading.start_s for f in shorter] == [0.0, 5.0, 10.0, 15.0, 20.0]
    # A last part counts from 10 periods (10 ms here, 20 ms at least): 8 ms do not, 50 ms do.
    for extra_s, count in ((0.008, 1), (0.05, 2)):
        path = write(tmp_path / "p.wav", tone(997.0, seconds=10.0 + extra_s))
        assert len(read(path, window_s=10.0)) == count
    for extra_s, count in ((0.2, 2), (0.27, 3)):  # 10 periods of 43 Hz are 0.233 s
        path = write(tmp_path / "p.wav", tone(43.0, seconds=20.0 + extra_s))
        assert len(read(path)) == count


def test_uncertainty_holds_the_truth(tmp_path):
    """93 to 99 % of 95 % intervals, here of 120: at least 87 % and the mean within a few u."""
    rng = np.random.default_rng(8)
    held = {"level": 0, "frequency": 0, "thd": 0}
    trials = 120
    for _ in range(trials):
        hz = math.exp(rng.uniform(math.log(25.0), math.log(9000.0)))
        n = int(rng.uniform(1.5, 4.0) * RATE_HZ)
        series = np.array([0.0, 1.0, 0.0, 0.002])
        x = 0.5 * forms.sampled(series, hz, RATE_HZ, n, rng.uniform(0, 6))
        x += forms.white_noise(rng, n, 0.5, rng.uniform(30.0, 70.0))
        [found] = read(write(tmp_path / "r.wav", x))
        result = found.reading.tone
        held["level"] += abs(result.amplitude_fs.value - 0.5) <= result.amplitude_fs.u
        held["frequency"] += abs(result.frequency_hz.value - hz) <= result.frequency_hz.u
        counted = 0.2 if 3.0 * hz < 20000.0 else 0.0
        if result.thd_percent is None:
            held["thd"] += 1
        else:
            held["thd"] += abs(result.thd_percent.value - counted) <= result.thd_percent.u
    assert min(held.values()) >= 0.87 * trials, held


# Calibration.


def test_volts_of_a_typed_scale(tmp_path):
    """S is peak volts per full scale: -6.02 dBFS of 70.7 V is 25 V RMS."""
    path = write(tmp_path / "r.wav", tone(97.0, noise=0.0, level=0.5))
    done = levelset(path, "--volts-per-full-scale", "70.7106781", "--json", "--explain")
    result = json.loads(done.stdout)
    assert result["calibration"] == {"name": None, "volts_per_full_scale": 70.7106781}
    [reading] = result["readings"]
    assert reading["volts_rms"]["value"] == pytest.approx(25.0, rel=1e-6)
    assert [line["name"] for line in reading["budget"]] == ["noise and fit"]


def test_volts_of_a_calibration_hold_its_whole_budget(tmp_path):
    from levelset.probe.calibration import Calibration
    from levelset.quantity import Quantity

    made = Calibration(
        name="two tips",
        port_name="invented",
        rate_hz=RATE_HZ,
        frequency_hz=94.0,
        volts_per_full_scale=(Quantity(100.0, 1.0, "V"), Quantity(101.0, 1.0, "V")),
        match=Quantity(1.01, 0.001, ""),
        coupling_hz=(2.0,),
        max_volts=150.0,
        meter_volts_rms=10.0,
        evidence=(),
    )
    x = np.stack((tone(30.0), tone(30.0, level=0.25), tone(30.0)), axis=1)
    path = write(tmp_path / "r.wav", x)
    first, second, third = read(path, scale=Scale.of(made, (1, 2), 3))
    # One pole f0: |H(30)/H(94)| = sqrt((1 + (f0/94)^2) / (1 + (f0/30)^2)), divided out.
    gain = math.sqrt((1.0 + (2.0 / 94.0) ** 2) / (1.0 + (2.0 / 30.0) ** 2))
    assert first.reading.volts_rms.value == pytest.approx(50.0 / math.sqrt(2) / gain, rel=1e-4)
    assert second.reading.volts_rms.value == pytest.approx(25.25 / math.sqrt(2) / gain, rel=1e-4)
    assert third.reading.volts_rms is None
    assert first.reading.volts_rms.u > 0.01 * first.reading.volts_rms.value
    assert {line.name for line in first.budget} >= {"scale", "input coupling", "noise and fit"}
    # Inputs that the recording does not have: tips in their order.
    assert Scale.of(made, (3, 4), 2).channels == (1, 2)


# Files.


def test_json(tmp_path):
    x = np.stack((tone(97.0), tone(97.0, level=0.1)), axis=1)
    path = write(tmp_path / "r.flac", x, subtype="PCM_24")
    done = levelset(path, "--json")
    assert done.returncode == 0
    assert done.stderr == ""
    result = json.loads(done.stdout)
    assert result["schema"] == "levelset.measurement.v1"
    source = result["source"]
    assert (source["kind"], source["path"]) == ("recording", str(path))
    assert (source["rate_hz"], source["channels"], source["frames"]) == (RATE_HZ, 2, 2 * RATE_HZ)
    assert result["calibration"] is None
    assert [r["channel"] for r in result["readings"]] == [1, 2]
    for reading in result["readings"]:
        assert set(reading) == READING_KEYS
        assert set(reading["level_dbfs"]) == {"value", "u"}
        assert reading["volts_rms"] is None


def test_json_lines_are_readings_and_nothing_else(tmp_path):
    x = np.concatenate((tone(97.0, seconds=10.0), np.zeros(5 * RATE_HZ)))
    done = levelset(write(tmp_path / "r.wav", x), "--json-lines")
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0
    assert [line["void"] for line in lines] == [None, "silent_input"]
    assert all(set(line) == READING_KEYS for line in lines)


def test_eight_channels(tmp_path):
    levels = 0.5 * 10.0 ** (-np.arange(8) / 20.0)
    x = np.stack([tone(997.0, level=level, seed=k) for k, level in enumerate(levels)], axis=1)
    path = write(tmp_path / "eight.wav", x)
    readings = [f.reading for f in read(path)]
    assert [r.channel for r in readings] == list(range(1, 9))
    for reading, level in zip(readings, levels, strict=True):
        assert reading.tone.amplitude_fs.value == pytest.approx(level, rel=1e-4)
    [only] = read(path, channel=8)
    assert only.reading.channel == 8
    done = levelset(path, "--channel", "9")
    one_error(done)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 96000, 192000])
@pytest.mark.parametrize("seconds", [1.0, 12.0])
def test_rates(tmp_path, rate_hz, seconds):
    x = tone(997.0, seconds=seconds, rate_hz=rate_hz)
    found = read(write(tmp_path / "r.wav", x, rate_hz, "PCM_24"))
    for one in found:
        assert one.reading.tone.void is None
        assert one.reading.tone.frequency_hz.value == pytest.approx(997.0, abs=2e-3)
        assert one.reading.tone.band_hz == (20.0, min(20000.0, 0.45 * rate_hz))
        assert one.reading.tone.clipping.state == "clean"


def bad_files(folder):
    good = write(folder / "good.wav", tone(), subtype="PCM_16")
    raw = good.read_bytes()
    (folder / "empty.wav").write_bytes(b"")
    (folder / "text.wav").write_text("no audio at all\n" * 100, "utf-8")
    (folder / "truncated.wav").write_bytes(raw[: len(raw) // 2])
    (folder / "header.wav").write_bytes(raw[:44])
    (folder / "noise.flac").write_bytes(os.urandom(4096))
    flac = write(folder / "whole.flac", tone(seconds=30.0), subtype="PCM_16").read_bytes()
    (folder / "truncated.flac").write_bytes(flac[: len(flac) // 2])
    (folder / "folder.wav").mkdir()
    names = ["empty", "text", "truncated", "header", "folder", "missing"]
    return good, [folder / f"{n}.wav" for n in names] + [
        folder / "noise.flac",
        folder / "truncated.flac",
    ]


def test_files_that_cannot_be_used_and_the_others_are_done(tmp_path):
    good, bad = bad_files(tmp_path)
    done = levelset(good, *bad, good, "--json")
    assert done.returncode == 3
    results = [json.loads(line) for line in done.stdout.splitlines()]
    assert [r["source"]["path"] for r in results] == [str(good)] * 2
    errors = done.stderr.splitlines()
    assert len(errors) == len(bad)
    for line, path in zip(errors, bad, strict=True):
        assert line.startswith(f"levelset: error: {path}")
        assert " - " in line
    one_error(levelset(bad[0]))
    # As lines, what was read before the damage is there, and the status tells.
    done = levelset(bad[-1], "--json-lines")
    assert done.returncode == 3


def test_nan_is_a_void_not_an_error(tmp_path):
    x = tone(seconds=25.0)
    x[15 * RATE_HZ] = math.nan
    done = levelset(write(tmp_path / "nan.wav", x), "--json")
    assert done.returncode == 0
    voids = [r["void"] for r in json.loads(done.stdout)["readings"]]
    assert voids == [None, "not_finite", None]


@pytest.mark.parametrize(
    "options",
    [
        [],
        ["--limit", "0"],
        ["--limit", "nan"],
        ["--window", "0"],
        ["--window", "1e9"],
        ["--channel", "0"],
        ["--channel", "one"],
        ["--volts-per-full-scale", "-1"],
        ["--volts-per-full-scale", "inf"],
        ["--volts-per-full-scale", "70", "--calibration", "bench"],
        ["--json", "--json-lines"],
    ],
)
def test_wrong_usage(tmp_path, options):
    path = write(tmp_path / "r.wav", tone())
    done = levelset(*([path] if options else []), *options)
    one_error(done, 2)
    assert done.stdout == ""


def test_unknown_calibration(tmp_path):
    one_error(levelset(write(tmp_path / "r.wav", tone()), "--calibration", "nowhere"))


def test_text_says_what_was_read(tmp_path):
    path = write(tmp_path / "r.wav", np.clip(tone(level=0.5, noise=1e-5), -0.4, 0.4))
    done = levelset(path, "--volts-per-full-scale", "100", "--explain")
    assert "V RMS" in done.stdout
    assert "hard clipping" in done.stdout
    assert "noise and fit" in done.stdout
    assert done.stderr == ""


def test_ctrl_c_leaves_whole_lines_and_status_130(tmp_path):
    path = write(tmp_path / "r.wav", tone(seconds=600.0, rate_hz=16000), 16000, "PCM_16")
    process = subprocess.Popen(
        [sys.executable, "-m", "levelset", "measure", str(path), "--window", "0.05"]
        + ["--json-lines"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    first = process.stdout.readline()  # the first result comes long before the end
    process.send_signal(signal.SIGINT)
    rest, error = process.communicate(timeout=30)
    assert process.returncode == 130
    assert error == "levelset: error: stopped by the person - start again when ready\n"
    for line in [first, *rest.splitlines()]:
        assert set(json.loads(line)) == READING_KEYS
    assert len(rest.splitlines()) < 11990


def test_a_closed_pipe_ends_quietly(tmp_path):
    path = write(tmp_path / "r.wav", tone(seconds=60.0, rate_hz=8000), 8000, "PCM_16")
    with subprocess.Popen(
        [sys.executable, "-m", "levelset", "measure", str(path), "--window", "0.1", "--json-lines"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        process.stdout.readline()
        process.stdout.close()
        error = process.stderr.read()
    assert "Traceback" not in error


def test_memory_does_not_grow_with_the_length(tmp_path):
    def peak(seconds):
        path = tmp_path / "long.wav"
        with soundfile.SoundFile(path, "w", 8000, 2, "PCM_16") as file:
            for k in range(seconds):
                block = tone(200.0, seconds=1.0, rate_hz=8000, seed=k)
                file.write(np.stack((block, block), axis=1))
        tracemalloc.start()
        for _ in measure(open_recording(path), Wanted(None, None, None, 1.0), lambda part: None):
            pass
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    peak(20)
    # Decoding runs ahead of reading by a block or so; four times the length would show.
    assert peak(160) < 1.5 * peak(40)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo terminal")
def test_progress_is_on_the_terminal_only(tmp_path):
    import pty

    path = write(tmp_path / "r.wav", tone(seconds=25.0, rate_hz=8000), 8000, "PCM_16")
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "levelset", "measure", str(path), "--json"],
        stdout=subprocess.PIPE,
        stderr=slave,
        text=True,
    )
    out, _ = process.communicate(timeout=30)
    os.close(slave)
    time.sleep(0.05)
    shown = os.read(master, 100_000).decode()
    os.close(master)
    assert "%" in shown
    assert "#" in shown
    assert len(json.loads(out)["readings"]) == 3
