"""Calibrations are kept whole, read strictly, and computed again from their evidence."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from levelset.errors import DamageError, InputError, LevelsetError, UsageError
from levelset.plan.job import MeterSpec
from levelset.record import calibrations as store
from levelset.record.calibration_evidence import (
    calibrate_recordings,
    check_evidence,
    touch_from_recording,
)
from levelset.record.stored_calibration import SetUp, StoredCalibration, warnings

METER = MeterSpec(0.8, 3.0, 0.01, (40.0, 400.0), True)
RATE = 48000
SQRT2 = 2.0**0.5


def record(path: Path, volts: float = 6.0, **more: Any) -> Path:
    """Write a recording of two tips at 150:1 with a fade at its beginning."""
    rate, seconds = more.get("rate", RATE), more.get("seconds", 3.0)
    t = np.arange(round(rate * seconds)) / rate
    tone = volts * SQRT2 / 150.0 * np.sin(2 * np.pi * more.get("hz", 94.0) * t)
    x = np.stack([tone, 0.998 * tone], axis=1) * np.minimum(1.0, 2.0 * t)[:, np.newaxis]
    x += 3e-6 * np.random.default_rng(1).standard_normal(x.shape)
    x = more.get("shape", lambda x, t: x)(x, t)
    soundfile.write(path, x, rate, subtype=more.get("subtype", "PCM_24"))
    return path


def make(
    tmp_path: Path, name: str = "bench high", volts: tuple[float, ...] = (3.0, 6.0)
) -> tuple[StoredCalibration, list[bytes]]:
    touches = [
        touch_from_recording(record(tmp_path / f"{v:g}.wav", v), (1, 2), round(v * 1.004, 2))
        for v in volts
    ]
    set_up = SetUp("inputs 1 and 2", RATE, (1, 2), "150 kohm", "high", 100.0, 1.5)
    return calibrate_recordings(
        touches,
        METER,
        set_up,
        name=name,
        coupling_hz=(3.3,),
        max_volts=200.0,
        ground_lead_ratio=0.0,
        high_corner_hz=None,
    )


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    stored, captures = make(tmp_path)
    return store.save_calibration(stored, captures, folder=tmp_path / "kept")


def test_it_comes_back_as_it_was_with_its_evidence(kept: Path) -> None:
    stored = store.load_calibration(kept)
    assert stored.calibration.volts_per_full_scale[0].value == pytest.approx(150.6, rel=2e-3)
    assert [touch.meter_volts_rms for touch in stored.touches] == [3.01, 6.02]
    assert stored.repeatability_percent is not None
    assert check_evidence(stored, kept) == ""
    # Readable with other means: the FLAC file holds the recording's own codes.
    codes, rate = soundfile.read(kept / f"{stored.touches[0].capture}.flac", dtype="int32")
    assert rate == RATE
    source, _ = soundfile.read(kept.parent.parent / "3.wav", dtype="int32")
    first = stored.touches[0].frames.first
    assert np.array_equal(codes, source[first : first + len(codes)])


def test_the_folder_holds_nothing_else(kept: Path) -> None:
    assert [p.name for p in kept.parent.iterdir()] == ["bench-high"]
    assert len(list(kept.iterdir())) == 3


def test_a_name_is_taken_once(tmp_path: Path, kept: Path) -> None:
    stored, captures = make(tmp_path, volts=(6.0,))
    with pytest.raises(UsageError, match="already"):
        store.save_calibration(stored, captures, folder=kept.parent)
    store.save_calibration(stored, captures, folder=kept.parent, replace=True)
    assert len(store.load_calibration(kept).touches) == 1
    assert [p.name for p in kept.parent.iterdir()] == ["bench-high"]


@pytest.mark.parametrize("name", ["...", "/", ""])
def test_a_name_without_a_letter_is_refused(tmp_path: Path, name: str) -> None:
    stored, captures = make(tmp_path, name, volts=(6.0,))
    with pytest.raises(UsageError, match="not usable"):
        store.save_calibration(stored, captures, folder=tmp_path / "kept")


def test_a_name_never_leaves_the_folder(tmp_path: Path) -> None:
    stored, captures = make(tmp_path, "../../etc", volts=(6.0,))
    path = store.save_calibration(stored, captures, folder=tmp_path / "kept")
    assert path.parent == tmp_path / "kept"


def test_captures_must_be_those_of_the_touches(tmp_path: Path) -> None:
    stored, captures = make(tmp_path)
    with pytest.raises(ValueError, match="captures"):
        store.save_calibration(stored, captures[::-1], folder=tmp_path / "kept")


def test_the_list_has_the_newest_first_and_says_what_is_damaged(tmp_path: Path, kept: Path) -> None:
    stored, captures = make(tmp_path, "other", volts=(6.0,))
    store.save_calibration(stored, captures, folder=kept.parent)
    (kept / "calibration.json").write_text("{")
    rows = store.list_calibrations(kept.parent)
    assert [path.name for path, _ in rows] == ["other", "bench-high"]
    assert isinstance(rows[1][1], DamageError)
    assert store.list_calibrations(tmp_path / "none") == []


Edit = Callable[[dict[str, Any]], Any]
BAD: list[tuple[Edit, str]] = [
    (lambda d: d.pop("meter"), "meter"),
    (lambda d: d.update(remark="x"), "unknown field $.remark"),
    (lambda d: d["calibration"].update(remark="x"), "unknown field"),
    (lambda d: d.update(schema="levelset.calibration.v2"), "newer levelset"),
    (lambda d: d.update(schema="something"), "not a calibration"),
    (lambda d: d.pop("schema"), "not a calibration"),
    (lambda d: d["calibration"].update(rate_hz=0), "rate"),
    (lambda d: d["calibration"].update(rate_hz=44100), "contradict"),
    (lambda d: d["calibration"]["volts_per_full_scale"].pop(), "1 scales for 2 channels"),
    (lambda d: d["calibration"]["volts_per_full_scale"].clear(), "scales"),
    (lambda d: d["calibration"]["volts_per_full_scale"][0].update(value=-1.0), "scale of -1"),
    (lambda d: d["calibration"]["volts_per_full_scale"][0].update(u=-1.0), "not a quantity"),
    (lambda d: d["calibration"].update(match=None), "match"),
    (lambda d: d["calibration"].update(coupling_hz=[0.0]), "coupling pole"),
    (lambda d: d["calibration"].update(max_volts="many"), "max_volts"),
    (lambda d: d["calibration"].update(name=""), "name"),
    (lambda d: d["calibration"].update(ground_lead_ratio=0.5), "ground lead"),
    (lambda d: d["calibration"]["scale_budget"][0].update(standard_uncertainty=-1), "uncertainty"),
    (lambda d: d["calibration"]["scale_budget"][0].update(dof=0.0), "budget"),
    (lambda d: d["calibration"]["scale_budget"][0].update(distribution="flat"), "flat"),
    (lambda d: d.update(touches=[]), "no touch"),
    (lambda d: d["touches"][0].update(capture="../../x"), "not the name of a capture"),
    (lambda d: d["touches"][0].update(capture="0" * 64), "missing"),
    (lambda d: d.update(created="yesterday"), "no time"),
    (lambda d: d.update(created="2031-01-01T00:00:00"), "offset"),
    (lambda d: d["set_up"].update(channels=[1]), "channels"),
    (lambda d: d["meter"].update(percent=-1.0), "percent"),
]


@pytest.mark.parametrize(("edit", "says"), BAD)
def test_a_file_that_cannot_be_true_is_refused(kept: Path, edit: Edit, says: str) -> None:
    data = json.loads((kept / "calibration.json").read_text())
    edit(data)
    (kept / "calibration.json").write_text(json.dumps(data))
    with pytest.raises(InputError) as caught:
        store.load_calibration(kept)
    assert says in caught.value.what + caught.value.todo
    assert caught.value.todo


@pytest.mark.parametrize(
    "raw", [b"", b"{", b"[]", b"null", b"\xff\xfe", b'{"schema": NaN}', b"[" * 5000]
)
def test_a_file_that_is_none_is_refused(kept: Path, raw: bytes) -> None:
    (kept / "calibration.json").write_bytes(raw)
    with pytest.raises(InputError):
        store.load_calibration(kept)


def test_an_altered_capture_is_found(kept: Path) -> None:
    path = next(kept.glob("*.flac"))
    data = bytearray(path.read_bytes())
    data[-20] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(DamageError, match="altered"):
        store.load_calibration(kept)


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        (lambda d: d["calibration"]["volts_per_full_scale"][1].update(value=151.0), "scale[1]"),
        (lambda d: d["calibration"]["match"].update(value=1.01), "match"),
        (lambda d: d["touches"][0].update(meter_volts_rms=3.05), "volts_per_full_scale[0]"),
        (lambda d: d["touches"][1].update(residual_percent=0.5), "residual_percent[1]"),
        (lambda d: d["set_up"].update(divider=200.0), "do not give a calibration"),
        (lambda d: d["touches"][0]["frames"].update(count=5), "frames"),
    ],
)
def test_numbers_that_the_evidence_does_not_give_are_found(
    kept: Path, edit: Edit, says: str
) -> None:
    data = json.loads((kept / "calibration.json").read_text())
    edit(data)
    (kept / "calibration.json").write_text(json.dumps(data))
    assert says in check_evidence(store.load_calibration(kept), kept)


def test_export_and_import(tmp_path: Path, kept: Path) -> None:
    file = tmp_path / "bench.zip"
    store.export_calibration(kept, file)
    with pytest.raises(UsageError, match="exists"):
        store.export_calibration(kept, file)
    path, stored = store.import_calibration(file, folder=tmp_path / "other")
    assert stored == store.load_calibration(kept) == store.load_calibration(path)
    assert check_evidence(stored, path) == ""
    assert {p.name for p in path.iterdir()} == {p.name for p in kept.iterdir()}


def rewrite(file: Path, change: Callable[[dict[str, bytes]], Any]) -> None:
    with zipfile.ZipFile(file) as archive:
        content = {name: archive.read(name) for name in archive.namelist()}
    change(content)
    with zipfile.ZipFile(file, "w") as archive:
        for name, data in content.items():
            archive.writestr(name, data)


def test_a_strange_export_is_refused_and_leaves_nothing(tmp_path: Path, kept: Path) -> None:
    def no_json(content: dict[str, bytes]) -> None:
        del content["calibration.json"]

    def no_capture(content: dict[str, bytes]) -> None:
        del content[next(name for name in content if name.endswith(".flac"))]

    def altered(content: dict[str, bytes]) -> None:
        name = next(name for name in content if name.endswith(".flac"))
        content[name] = content[name][:-1]

    def huge(content: dict[str, bytes]) -> None:
        content["calibration.json"] = b" " * (store.LONGEST_BYTES + 1)

    for change in (no_json, no_capture, altered, huge):
        file = tmp_path / f"{change.__name__}.zip"
        store.export_calibration(kept, file)
        rewrite(file, change)
        with pytest.raises(InputError):
            store.import_calibration(file, folder=tmp_path / "other")
    (tmp_path / "text.zip").write_text("no zip")
    for name in ("text.zip", "missing.zip"):
        with pytest.raises(InputError):
            store.import_calibration(tmp_path / name, folder=tmp_path / "other")
    assert store.list_calibrations(tmp_path / "other") == []


def test_further_files_of_an_export_are_left_alone(tmp_path: Path, kept: Path) -> None:
    file = tmp_path / "bench.zip"
    store.export_calibration(kept, file)
    rewrite(file, lambda content: content.update({"../evil": b"x", "notes.txt": b"x"}))
    path, _ = store.import_calibration(file, folder=tmp_path / "other")
    assert len(list(path.iterdir())) == 3
    assert not (tmp_path / "evil").exists()


def test_warnings_of_another_set_up_and_of_age(kept: Path) -> None:
    stored = store.load_calibration(kept)
    now = datetime.now(UTC)
    same = {
        "device": "inputs 1 and 2",
        "rate_hz": RATE,
        "range_name": "high",
        "divider": 100.0,
        "tips": 2,
    }
    assert warnings(stored, **same, now=now) == ()
    for key, value in (
        ("device", "input 3"),
        ("rate_hz", 96000),
        ("range_name", "low"),
        ("divider", 10.0),
        ("tips", 1),
    ):
        [sentence] = warnings(stored, **{**same, key: value}, now=now)
        assert str(value).removesuffix(".0") in sentence
    assert "400 days" in warnings(stored, now=now + timedelta(days=400.1))[0]
    assert "clock" in warnings(stored, now=now - timedelta(days=30))[0]


def several_levels(x: Any, t: Any) -> Any:
    return x * np.where(t < 3.0, 1.0, 0.8)[:, np.newaxis]


@pytest.mark.parametrize(
    ("more", "channels", "says"),
    [
        ({"shape": lambda x, t: 0.0 * x}, (1, 2), "no window"),
        ({"shape": lambda x, t: np.where(t[:, np.newaxis] > 0, np.nan, x), "subtype": "FLOAT"},
         (1, 2), "not numbers"),
        ({"shape": lambda x, t: x[:, :1]}, (1, 2), "has 1 channels, not 1, 2"),
        ({}, (1, 1), "channels"),
        ({}, (0, 1), "channels"),
        ({"seconds": 0.1}, (1, 2), "shorter"),
        ({"shape": several_levels, "seconds": 5.0}, (1, 2), "level moves"),
    ],
)  # fmt: skip
def test_a_recording_that_cannot_serve_is_refused(
    tmp_path: Path, more: dict[str, Any], channels: tuple[int, ...], says: str
) -> None:
    path = record(tmp_path / "x.wav", **more)
    with pytest.raises(InputError, match=says) as caught:
        touch_from_recording(path, channels, 6.0)
    assert str(path) in caught.value.what


def test_a_lossy_recording_is_refused(tmp_path: Path) -> None:
    t = np.arange(96000) / RATE
    path = tmp_path / "x.ogg"
    soundfile.write(path, 0.1 * np.sin(2 * np.pi * 94 * t), RATE, format="OGG", subtype="VORBIS")
    with pytest.raises(InputError, match="loss"):
        touch_from_recording(path, (1,), 6.0)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("seconds", [0.6, 1.4, 5.0])
def test_every_kind_of_recording_gives_the_level(
    tmp_path: Path, subtype: str, seconds: float
) -> None:
    def no_fade(x: Any, t: Any) -> Any:
        return x / np.minimum(1.0, 2.0 * t + 1e-9)[:, np.newaxis]

    path = record(tmp_path / "x.wav", subtype=subtype, seconds=seconds, shape=no_fade)
    level = touch_from_recording(path, (1, 2), 6.0).reading.legs[0].tone.amplitude_fs
    assert level is not None
    assert level.value == pytest.approx(6.0 * SQRT2 / 150.0, rel=1e-3)


def test_errors_of_the_store_are_of_the_tree(tmp_path: Path) -> None:
    with pytest.raises(LevelsetError):
        store.find_calibration("nothing", tmp_path)
    with pytest.raises(LevelsetError):
        store.find_calibration("x" * 5000, tmp_path)
    with pytest.raises(LevelsetError):
        store.find_calibration("a\0b", tmp_path)
    with pytest.raises(LevelsetError):
        store.load_calibration(tmp_path)
