"""What moved: beyond the uncertainty or not, and what cannot be compared."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from GTC import log, uncertainty, ureal
from record_jobs import plan, step_data
from report_jobs import rewrite_line, whole_job
from tinyhtml5.parser import HTMLParser

from levelset.cli import cli
from levelset.errors import InputError
from levelset.probe.budget import OF_ONE_READING, ratio_budget
from levelset.probe.uncertainty import Component, combined_uncertainty, expanded_uncertainty
from levelset.quantity import Quantity
from levelset.record.job import Job
from levelset.report.compare import (
    NOTHING_MOVED,
    Movement,
    compare_jobs,
    of_curves,
    same_scale,
)
from levelset.report.dossier import read_dossier
from levelset.report.snapshot import Item, snapshot


def moved(comparison) -> list[str]:
    return [one.what for one in comparison.movements if one.moved]


def movement(comparison, what: str) -> Movement:
    return next(one for one in comparison.movements if one.what == what)


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return whole_job(tmp_path_factory.mktemp("base"), channels=2)


def test_the_same_again_has_not_moved(base: Path, tmp_path: Path) -> None:
    again = whole_job(tmp_path, channels=2, seed=30)
    comparison = compare_jobs(base, again)
    assert not comparison.moved
    assert comparison.sentence == NOTHING_MOVED
    assert movement(comparison, "channel 1: voltage").note.startswith("same calibration")


def test_lower_by_1_8_db_is_said(base: Path, tmp_path: Path) -> None:
    later = whole_job(tmp_path, channels=2, gain=0.2 * 10 ** (-1.8 / 20), seed=30)
    comparison = compare_jobs(base, later)
    assert moved(comparison) == ["channel 1: voltage", "channel 2: voltage"]
    change = movement(comparison, "channel 1: voltage").change
    assert change is not None
    assert change.value == pytest.approx(-1.8, abs=0.002)
    assert comparison.sentence == (
        "channel 1 1.8 dB lower than then; channel 2 1.8 dB lower than then; everything else "
        "within uncertainty."
    )


def test_the_other_way_round(base: Path, tmp_path: Path) -> None:
    later = whole_job(tmp_path, channels=2, gain=0.23, seed=30)
    there, back = compare_jobs(base, later), compare_jobs(later, base)
    for one, other in zip(there.movements, back.movements, strict=True):
        if one.change is not None:
            assert other.change.value == pytest.approx(-one.change.value)
            assert other.change.u == pytest.approx(one.change.u)
    assert "higher than then" in there.sentence


def test_the_multimeter_cancels_with_one_calibration_only(base: Path, tmp_path: Path) -> None:
    """A change of 0.5 % is certain with one calibration, and within 1 % scales with two."""
    same = compare_jobs(base, whole_job(tmp_path / "a", channels=2, gain=0.201, seed=30))
    other = compare_jobs(
        base, whole_job(tmp_path / "b", channels=2, gain=0.201, seed=30, scale=1.0001)
    )
    assert "channel 1: voltage" in moved(same)
    assert "channel 1: voltage" not in moved(other)
    small, large = (movement(c, "channel 1: voltage").change for c in (same, other))
    assert small.value == pytest.approx(20 * math.log10(0.201 / 0.2), abs=0.002)
    assert large.u > 4.0 * small.u


@pytest.mark.parametrize("shared", [True, False])
def test_standard_uncertainties_agree_with_an_independent_calculus(
    base: Path, tmp_path: Path, shared: bool
) -> None:
    """GTC propagates the ratio of two readings, with a common scale and without one."""
    then, now = pair_of(base, tmp_path, shared)
    errors: dict[str, object] = {}
    volts = []
    for item, own_name in ((then, "then"), (now, "now")):
        value = ureal(1.0, 0.0)
        for part in item.budget:
            common = shared and part.name not in OF_ONE_READING
            key = part.name if common else f"{part.name} {own_name}"
            value = value * errors.setdefault(key, ureal(1.0, part.contribution))
        volts.append(value)
    found = combined_uncertainty(ratio_of(then, now))
    assert found == pytest.approx(uncertainty(log(volts[1] / volts[0])), rel=1e-3)


@pytest.mark.parametrize("shared", [True, False])
def test_coverage_of_a_change(base: Path, tmp_path: Path, shared: bool) -> None:
    """A level that did not move is within the stated uncertainty in 95 % of trials.

    Propagation of distributions by random numbers: JCGM 101:2008.
    """
    rng = np.random.default_rng(3)
    then, now = pair_of(base, tmp_path, shared)
    relative = expanded_uncertainty(ratio_of(then, now))

    def drawn(part):
        if part.distribution == "rectangular":
            limit = part.contribution * math.sqrt(3.0)
            return rng.uniform(-limit, limit, 50_000)
        return rng.normal(0.0, part.contribution, 50_000)

    common: dict[str, np.ndarray] = {}
    logs = []
    for item in (then, now):
        total = np.zeros(50_000)
        for part in item.budget:
            if shared and part.name not in OF_ONE_READING:
                total += common.setdefault(part.name, drawn(part))
            else:
                total += drawn(part)
        logs.append(total)
    inside = np.abs(logs[1] - logs[0]) <= relative
    assert 0.93 < inside.mean() < 0.99


def ratio_of(then: Item, now: Item) -> tuple[Component, ...]:
    return ratio_budget(then.budget, now.budget, same_scale=same_scale(then, now))


def pair_of(base: Path, tmp_path: Path, shared: bool) -> tuple[Item, Item]:
    later = whole_job(tmp_path, channels=2, gain=0.19, seed=30, scale=1.0 if shared else 1.01)
    key = ("voltage", "channel 1")
    return tuple(snapshot(read_dossier(p), first=False)[key] for p in (base, later))


def test_another_target_is_said_and_not_compared(base: Path, tmp_path: Path) -> None:
    later = whole_job(tmp_path, channels=2, gain=0.1, target_volts_rms=11.4, seed=30)
    comparison = compare_jobs(base, later)
    assert ("another target: 22.80 V then, 11.40 V now", ("channel 1: voltage",)) in [
        (why, whats[:1]) for why, whats in comparison.reasons
    ]
    assert "channel 1: voltage" not in moved(comparison)


def test_missing_channels_are_said(base: Path, tmp_path: Path) -> None:
    comparison = compare_jobs(base, whole_job(tmp_path, channels=1, seed=30))
    reasons = dict(comparison.reasons)
    assert "channel 2: voltage" in reasons["measured then only"]
    assert not comparison.moved


def test_unconfirmed_readings_are_not_compared(base: Path, tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=2, gain=0.1, seed=30)
    with Job.open(path, writable=True) as job:
        (seq, _), *_ = job.calibrations()
        check = {
            "calibration_seq": seq,
            "start_seq": seq - 1,
            "end_seq": seq - 1,
            "change_percent": [{"value": 3.0, "u": 0.2}],
            "confirmed": False,
            "text": "Moved.",
        }
        job.append("probe_check", check)
    reasons = dict(compare_jobs(base, path).reasons)
    assert "channel 1: voltage" in reasons["the reading of now is unconfirmed"]


def test_today_against_the_baseline_of_one_job(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1, verify_gain=0.18)
    comparison = compare_jobs(path, None)
    assert moved(comparison) == ["channel 1: voltage"]
    change = movement(comparison, "channel 1: voltage").change
    assert change.value == pytest.approx(20 * math.log10(0.9), abs=0.002)
    assert "source: clean volume" in dict(comparison.reasons)["measured once only"]


def test_words_clean_volume_and_curves_move(base: Path, tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=2, seed=30)
    with Job.open(path, writable=True) as job:
        clean = next(s for s in job.steps() if s.procedure == "clean_volume").result
        job.append("step", step_data("clean_volume", None, {**clean, "volume": 28}))
        bands = [
            {"frequency_hz": hz, "level_db": {"value": -0.1 * n - 4.0 * (hz == 50), "u": 0.2}}
            for n, hz in enumerate((20, 50, 100, 500, 1000, 5000, 20000))
        ]
        job.append("step", step_data("response", None, {"loud": {"bands": bands, "volume": 30}}))
        offset = {"volts": {"value": 0.008, "u": 0.001}, "verdict": "too_much"}
        job.append("step", step_data("dc_offset", "channel 1", offset))
    comparison = compare_jobs(base, path)
    assert moved(comparison) == [
        "source: clean volume",
        "Frequency response, loud, bands",
        "channel 1: DC at the output, verdict",
    ]
    assert comparison.sentence.startswith("source: clean volume 28 instead of 30; ")
    response = movement(comparison, "Frequency response, loud, bands")
    assert response.change.value == pytest.approx(-4.0)
    # Six places together: z(0.5 + 0.95 ** (1/6) / 2) = 2.631 instead of 1.960 (Sidak's formula).
    assert response.change.u == pytest.approx(0.2 * math.sqrt(2.0) * 2.631 / 1.960, rel=1e-3)
    assert "at 50 Hz" in response.note
    assert dict(comparison.reasons)["another clean volume: 30 then, 28 now"]


def test_a_response_that_has_not_moved_is_rarely_said_to_have() -> None:
    """Of 400 pairs of responses at 30 places, about 5 % are beyond, not 79 %."""
    rng = np.random.default_rng(8)
    hz = tuple(20.0 * 1.26**n for n in range(30))
    item = Item(("response", ""), "response", None, "", 1)

    def drawn():
        return hz, tuple(Quantity(v, 0.2, "dB") for v in rng.normal(0.0, 0.2 / 1.96, 30))

    said = sum(of_curves(item, drawn(), drawn()).moved for _ in range(400))
    assert 8 <= said <= 34


def test_a_word_that_could_not_be_told_is_not_compared(base: Path, tmp_path: Path) -> None:
    then, now = (shutil.copytree(base, tmp_path / name) for name in ("then", "now"))
    for folder, word in ((then, "cannot_tell"), (now, "normal")):
        with Job.open(folder, writable=True) as job:
            job.append("step", step_data("tap_check", None, {"polarity": word, "volume": 30}))
    reasons = dict(compare_jobs(then, now).reasons)
    assert reasons["it could not be told then"] == ("Bias and offset at the source, polarity",)


def test_small_changes_of_distortion_are_those_of_the_interface(base: Path, tmp_path: Path) -> None:
    comparison = compare_jobs(base, whole_job(tmp_path, channels=2, seed=30))
    assert movement(comparison, "channel 1: THD").change.u >= 0.01


def test_a_long_list_stays_a_sentence() -> None:
    from levelset.report.compare import Comparison, Side

    rows = tuple(Movement(f"thing {n}", None, "a", "b", None, True) for n in range(6))
    side = Side("", "", "", "")
    sentence = Comparison(side, side, rows, (), ()).sentence
    assert sentence.count(";") == 3
    assert sentence.endswith("3 more things moved.")


def test_nothing_in_common_is_an_error(base: Path, tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    journal = path / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().split(b"\n")[0] + b"\n")
    (path / "head.json").unlink()
    with pytest.raises(InputError, match="nothing can be compared"):
        compare_jobs(base, path)
    with pytest.raises(InputError, match="nothing can be compared"):
        compare_jobs(path, None)


def test_other_vehicles_loads_and_damage_are_noted(base: Path, tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=2, text="another invented estate", seed=30)
    rewrite_line(path, 3, lambda line: line["data"].update(text="x"))

    def load(line):
        line["data"]["plan"]["channels"][0]["net_load_ohm"] = 4.0

    rewrite_line(path, 1, load)
    text = compare_jobs(base, path).text()
    assert "another vehicle: as it should be then, another invented estate now" in text
    assert "another load of channel 1: 2 ohm then, 4 ohm now" in text
    assert "the record of now does not hold" in text
    assert plan().vehicle != replace(plan(), vehicle="x").vehicle


# Commands


def test_commands(base: Path, tmp_path: Path) -> None:
    later = whole_job(tmp_path, channels=2, gain=0.15, seed=30)
    run = CliRunner().invoke
    page = tmp_path / "moved.html"
    done = run(cli, ["job", "compare", str(base), str(later), "--out", str(page)])
    assert done.exit_code == 1
    assert done.output.splitlines()[0].startswith("channel 1 2.5 dB lower than then; ")
    parser = HTMLParser()
    parser.parse(page.read_text("utf-8"))
    assert parser.errors == []
    assert "Levels have moved" in page.read_text("utf-8")

    data = json.loads(run(cli, ["job", "compare", str(base), str(later), "--json"]).output)
    assert data["schema"] == "levelset.comparison.v1"
    assert data["moved"] is True
    row = next(r for r in data["movements"] if r["what"] == "channel 1: voltage")
    assert row["change"]["unit"] == "dB"
    assert row["change"]["value"] == pytest.approx(-2.5, abs=0.01)
    same = run(cli, ["job", "compare", str(base), str(base)])
    assert same.exit_code == 0
    assert same.output.startswith(NOTHING_MOVED)


def test_report_command(base: Path, tmp_path: Path) -> None:
    run = CliRunner().invoke
    out = tmp_path / "page.html"
    done = run(cli, ["job", "report", str(base), "--short", "--out", str(out)])
    assert done.exit_code == 0
    assert done.output.strip() == str(out)
    data = json.loads(run(cli, ["job", "report", str(base), "--out", str(out), "--json"]).output)
    assert data["schema"] == "levelset.report.v1"
    assert data["bytes"] == out.stat().st_size
    assert data["head_sha256"] == Job.open(base, False).newest.sha256
    assert "levelset job report" in run(cli, ["job", "report", "--help"]).output
