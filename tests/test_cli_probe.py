"""The commands for the probe: ``probe`` and ``calibrate``."""

from __future__ import annotations

import json
import math
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from levelset.cli import cli
from levelset.errors import LevelsetError

RATE = 48000
METER = ["--meter-percent", "0.8", "--meter-counts", "3", "--meter-resolution", "0.01"]
SET_UP = [*METER, "--divider", "100", "--full-scale", "1.5", "--device", "inputs 1 and 2"]


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("LEVELSET_HOME", str(tmp_path / "home"))


def levelset(*arguments):
    """Return what was printed; a LevelsetError is raised as it is."""
    done = CliRunner().invoke(cli, [str(a) for a in arguments], standalone_mode=False)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def record(path, volts, hz=94.0, channels=2):
    t = np.arange(3 * RATE) / RATE
    tone = volts * math.sqrt(2.0) / 150.0 * np.sin(2.0 * np.pi * hz * t)
    noise = 3e-6 * np.random.default_rng(1).standard_normal((len(t), channels))
    soundfile.write(path, tone[:, np.newaxis] + noise, RATE, subtype="PCM_24")
    return path


def calibrate(tmp_path, *pairs, more=(), hz=94.0, channels=2, name="bench"):
    arguments = ["calibrate", "--name", name, *SET_UP, *more]
    for volts, shown in pairs:
        path = record(tmp_path / f"{volts}.wav", volts, hz, channels)
        arguments += ["--recording", path, "--meter-volts", shown]
    return levelset(*arguments)


def test_probe_prints_everything_that_is_asked_of_it():
    text = levelset("probe", "--max-volts", 120, "--full-scale", 1.5).output
    for words in (
        "low range", "high range", "R1 (E24)", "R2 (E24)", "C across R2", "ratio", "power",
        "voltage", "largest readable voltage", "noise floor", "lower corner", "upper corner",
        "tip on battery", "tip on chassis", "tip on leg", "ground clip on battery",
        "ground clip on leg", "ground clip on chassis", "Ground lead: 1 kohm",
        "Never ground a loudspeaker leg", "hazardous",
    ):  # fmt: skip
        assert " ".join(words.split()) in " ".join(text.split()), words


@pytest.mark.parametrize(
    ("more", "tips"), [([], "two"), (["--tips", "1"], "one"), (["--balanced"], "balanced")]
)
def test_probe_json_obeys_ohms_law(more, tips):
    done = levelset("probe", "--max-volts", 120, "--full-scale", 1.5, "--json", *more)
    data = json.loads(done.output)
    assert data["schema"] == "levelset.probe.v1"
    assert data["requirement"]["tips"] == tips
    assert {m["place"] for m in data["mistakes"]} >= {"battery", "leg", "chassis"}
    assert data["cautions"]
    pin = 10_000.0 / (2.0 if tips == "balanced" else 1.0)
    for part in data["ranges"].values():
        lower = part["r2_ohm"] * pin / (part["r2_ohm"] + pin)
        whole = part["r1_ohm"] + lower + (1000.0 if tips == "one" else 0.0)
        assert part["ratio"] == pytest.approx(whole / lower)
        assert part["volts_per_full_scale"] == pytest.approx(1.5 * part["ratio"])


@pytest.mark.parametrize(
    "more",
    [
        ["--max-volts", 0], ["--max-volts", "nan"], ["--full-scale", -1], ["--cable-pf", 1e6],
        ["--input-impedance", 10], ["--balanced", "--tips", "1"], ["--battery-volts", 400],
        ["--ground-lead-watts", 0], ["--resistor-volts", "inf"],
    ],
)  # fmt: skip
def test_probe_refuses_what_cannot_be(more):
    with pytest.raises(LevelsetError) as caught:
        levelset("probe", "--max-volts", 120, "--full-scale", 1.5, *more)
    assert caught.value.exit_status == 2
    assert caught.value.todo


def test_one_recording_calibrates(tmp_path):
    data = json.loads(calibrate(tmp_path, (6.0, 6.03), more=["--json"]).output)
    assert data["schema"] == "levelset.calibration.v1"
    assert data["calibration"]["volts_per_full_scale"][0]["value"] == pytest.approx(
        150.0 * 6.03 / 6.0, rel=1e-4
    )
    assert data["repeatability_percent"] is None
    assert data["calibration"]["max_volts"] == 150.0
    assert "kept with its evidence" in levelset("calibrate", "show", "bench").output.lower()


def test_several_recordings_measure_linearity_and_repeatability(tmp_path):
    pairs = ((3.0, 3.01), (6.0, 6.03), (12.0, 12.05))
    data = json.loads(calibrate(tmp_path, *pairs, more=["--json"]).output)
    scales = [150.0 * shown / volts for volts, shown in pairs]
    mean = sum(scales) / 3
    assert data["calibration"]["volts_per_full_scale"][0]["value"] == pytest.approx(mean, rel=1e-5)
    residuals = [touch["residual_percent"] for touch in data["touches"]]
    assert residuals == pytest.approx([100.0 * (s / mean - 1.0) for s in scales], abs=0.003)
    assert data["repeatability_percent"] == pytest.approx(
        100.0 * float(np.std(scales, ddof=1)) / mean, rel=0.05
    )


def test_a_probe_with_one_tip(tmp_path):
    data = json.loads(calibrate(tmp_path, (6.0, 6.0), more=["--json"], channels=1).output)
    assert data["set_up"]["channels"] == [1]
    assert data["calibration"]["match"] is None


@pytest.mark.parametrize(
    ("shown", "hz", "more", "says"),
    [
        (12.0, 94.0, [], "the meter reads the pair and the tips one leg"),
        (3.0, 94.0, [], "the meter reads one leg and the tips twice that"),
        (6.7, 94.0, [], "times the design"),
        (6.0, 94.0, ["--meter-range-hz", 45, 65], "outside the multimeter's range, 45 to 65 Hz"),
        (6.0, 997.0, ["--meter-range-hz", 40, 400], "997.0 Hz is outside"),
        (0.0, 94.0, [], "multimeter reads 0 V"),
        (6.0, 94.0, ["--coupling-hz", -1], "coupling pole"),
        (6.0, 94.0, ["--channel", 3], "has 2 channels"),
        (6.0, 94.0, ["--meter-volts", 3], "1 recordings and 2 readings"),
        (6.0, 94.0, ["--ground-lead-ratio", 0.3], "ground lead"),
        (6.0, 94.0, ["--meter-range-hz", 400, 40], "give its lowest frequency first"),
        (6.0, 94.0, ["--channel", 0], "there is no channel 0 - count channels from 1"),
        (6.0, 94.0, ["--channel", 2, "--channel", 2], "channel 2 is given twice"),
    ],
)
def test_a_calibration_that_would_not_be_honest_is_refused(tmp_path, shown, hz, more, says):
    with pytest.raises(LevelsetError) as caught:
        calibrate(tmp_path, (6.0, shown), hz=hz, more=more)
    assert says in str(caught.value)
    assert "No calibrations yet" in levelset("calibrate", "list").output


def test_list_show_export_import(tmp_path):
    calibrate(tmp_path, (6.0, 6.0))
    assert "bench" in levelset("calibrate", "list").output
    [row] = json.loads(levelset("calibrate", "list", "--json").output)["calibrations"]
    assert (row["name"], row["warnings"]) == ("bench", [])
    shown = levelset("calibrate", "show", "bench", "--rate", 96000, "--tips", 1, "--json").output
    assert len(json.loads(shown)["warnings"]) == 2
    levelset("calibrate", "export", "bench", tmp_path / "bench.zip")
    with pytest.raises(LevelsetError, match="already"):
        levelset("calibrate", "import", tmp_path / "bench.zip")
    assert "bench" in levelset("calibrate", "import", tmp_path / "bench.zip", "--replace").output


def test_show_fails_where_the_evidence_says_something_else(tmp_path):
    calibrate(tmp_path, (6.0, 6.0))
    file = tmp_path / "home" / "calibrations" / "bench" / "calibration.json"
    file.write_text(file.read_text().replace('"meter_volts_rms": 6.0', '"meter_volts_rms": 6.1'))
    done = levelset("calibrate", "show", "bench")
    assert "DOES NOT HOLD" in done.output
    assert done.return_value == 1 or done.exit_code == 1


def test_watch_says_that_the_calibration_is_of_another_input(tmp_path, monkeypatch):
    class Port:
        info = SimpleNamespace(name="another input", rate_hz=RATE)

        def close(self):
            pass

    monkeypatch.setattr("levelset.ports.live.open_live", lambda *_, **__: Port())
    monkeypatch.setattr("levelset.recordings.live.watch", lambda *_: ())
    calibrate(tmp_path, (6.0, 6.0))
    done = levelset("watch", "--calibration", "bench")
    assert done.stderr == (
        "calibration bench: The input is another input, the calibration was made with "
        "inputs 1 and 2.\n"
    )
    Port.info.name = "inputs 1 and 2"
    assert levelset("watch", "--calibration", "bench").stderr == ""


def test_options_before_a_subcommand_are_refused():
    with pytest.raises(LevelsetError, match="before list"):
        levelset("calibrate", "--name", "x", "list")
    with pytest.raises(LevelsetError, match="--recording"):
        levelset("calibrate", "--name", "x")
