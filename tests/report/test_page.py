"""The report of a job: valid, alone, harmless, and it says what it holds and what it does not."""

from __future__ import annotations

import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import pytest
from record_jobs import build_job, step_data
from report_jobs import rewrite_line, whole_job
from tinyhtml5.parser import HTMLParser as StandardParser

from levelset.errors import InputError
from levelset.record.customer import write_customer
from levelset.record.job import Job
from levelset.report.page import make_report, write_report
from levelset.report.words import INVENTED, NOT_WHO

PAGES = [False, True]
HOSTILE = (
    "</title></style></svg></p></td><script>document.title='x'</script>"
    "<img src=x onerror=alert(1)>\"'><a href=javascript:alert(1)>&amp;{{ 7*7 }}{% raw %}"
    "\x85\0\u202e<!--"
)


class Page(HTMLParser):
    """Everything that a page holds: tags with their attributes, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.style = ""
        self.feed(page)
        self.close()
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        if self.tags and self.tags[-1][0] == "style" and not self.style:
            self.style = data
        else:
            self.words.append(data)


def page_of(path: Path, short: bool = False) -> Page:
    return Page(make_report(path, short=short)[0])


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a job with hostile text in every field that takes text."""
    names = [f"one {HOSTILE}", "two"]
    customer = {"name": HOSTILE, HOSTILE: [HOSTILE], "more": {HOSTILE: HOSTILE}}
    path = whole_job(
        tmp_path_factory.mktemp("hostile"),
        channels=2,
        names=names,
        title=HOSTILE,
        text=HOSTILE,
        customer=customer,
    )
    with Job.open(path, writable=True) as job:
        result = {
            HOSTILE: HOSTILE,
            "rows": [{HOSTILE: HOSTILE}],
            "deep": {"a": {"b": {HOSTILE: 1}}},
        }
        job.append("step", {**step_data(HOSTILE, HOSTILE, result), "sentence": HOSTILE})
    return path


@pytest.mark.parametrize("short", PAGES)
def test_it_is_valid_html(job: Path, hostile: Path, short: bool) -> None:
    """No parse error by the HTML standard (WHATWG, "Parsing HTML documents")."""
    for path in (job, hostile):
        parser = StandardParser()
        tree = parser.parse(make_report(path, short=short)[0])
        assert parser.errors == []
        assert tree.find(".//{http://www.w3.org/1999/xhtml}h1") is not None


@pytest.mark.parametrize("short", PAGES)
def test_it_needs_nothing_and_runs_nothing(job: Path, hostile: Path, short: bool) -> None:
    for path in (job, hostile):
        page = page_of(path, short)
        assert not {"script", "link", "iframe", "object", "embed", "img", "form"} & {
            tag for tag, _ in page.tags
        }
        for tag, attributes in page.tags:
            assert not [name for name in attributes if name.startswith("on")], tag
            assert not {"src", "srcset", "xlink:href", "action", "data"} & set(attributes), tag
            if "href" in attributes:
                assert re.fullmatch(r"#[a-z]+", attributes["href"] or ""), attributes
        assert not re.search(r"url\(|@import|expression\(", page.style)
        policy = next(a["content"] for t, a in page.tags if a.get("http-equiv"))
        assert policy == "default-src 'none'; style-src 'unsafe-inline'"


def test_hostile_text_is_text(hostile: Path) -> None:
    # Characters that no page can hold, and one that turns text around, are replaced by a mark.
    seen = re.sub("[\x85\0\u202e]", "\ufffd", HOSTILE)
    full, short = page_of(hostile), page_of(hostile, short=True)
    # Title, vehicle, caution, answer, sentence, note, customer, unknown step and its result.
    assert full.text.count(seen) >= 15
    assert short.text.count(seen) >= 4
    assert full.tags[-1][0] != "script"
    # The style sheet is the first and only one: nothing closed it early.
    assert [tag for tag, _ in full.tags].count("style") == 1


def test_the_result_comes_first(job: Path) -> None:
    page = page_of(job)
    text = page.text
    volts = [data for _, data in Job.open(job, False).readings() if data.as_what == "gain"]
    value = volts[0].readings[-1]["volts_rms"]["value"]
    assert f"{value:.2f}" in text[: text.index("What was not measured")]
    assert text.index("the target was reached") < text.index("What was not measured")
    assert text.index("What was not measured") < text.index("Plan and loads")
    assert "every channel set and verified" in text


def test_every_channel_has_its_pictures(job: Path) -> None:
    page = page_of(job)
    labels = [a["aria-label"] for tag, a in page.tags if tag == "svg"]
    for what in ("one period", "fitted sine in volts, with", "spectrum"):
        assert sum(what in (label or "") for label in labels) == 3, what  # source and two channels
    assert sum("against the volume" in (label or "") for label in labels) == 2
    assert sum("response" in (label or "") for label in labels) == 1
    assert all(a.get("role") == "img" and a.get("aria-label") for t, a in page.tags if t == "svg")


def test_the_hash_can_be_read_out(job: Path) -> None:
    newest = Job.open(job, False).newest
    for short in PAGES:
        page, _ = make_report(job, short=short)
        groups = re.findall(r"<span>([0-9a-f]{4})</span>", page)
        assert len(groups) == 16
        assert "".join(groups) == newest.sha256
        assert NOT_WHO in Page(page).text


def test_it_adds_nothing_to_the_record(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    before = {p: p.read_bytes() for p in path.rglob("*") if p.is_file()}
    target, _ = write_report(path, None, short=False)
    assert target == path / "report.html"
    after = {p: p.read_bytes() for p in path.rglob("*") if p.is_file() and p != target}
    assert after == before
    first = target.read_bytes()
    write_report(path, None, short=False)
    assert target.read_bytes() == first


def test_what_was_not_measured_is_said(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=2)
    for short in PAGES:
        text = page_of(path, short).text
        missing = text[text.index("What was not measured") :]
        assert "Not recorded: the checklist" in missing
        assert "noise of the source" in missing
        assert "supply voltage at rest and running" in missing
        assert "the customer" in missing
        assert "frequency response" not in missing[: missing.index(".")]
    with Job.open(path, writable=True) as job:
        data = {**step_data("noise", None, {}), "outcome": "failed", "sentence": "No quiet found."}
        job.append("step", data)
    assert "Noise of the source: failed. No quiet found." in page_of(path).text


def test_values_of_a_template_are_said(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    names = ["channel.channel 1.load", "probe.divider"]
    rewrite_line(path, 1, lambda line: line["data"]["plan"].update(unconfirmed=names))
    said = "never confirmed: channel.channel 1.load; probe.divider."
    assert all(said in page_of(path, short).text for short in PAGES)


def test_nothing_measured_yet(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    journal = path / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().split(b"\n")[0] + b"\n")
    (path / "head.json").unlink()
    text = page_of(path).text
    assert "not finished: channel 1 not set" in text
    assert "clean volume not recorded" in text
    assert "Nothing was measured on this channel." in text
    assert "No calibration: nothing is known in volts." in text


def test_a_later_step_supersedes(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    with Job.open(path, writable=True) as job:
        result = {"volts": {"value": 0.9, "u": 0.01}, "verdict": "too_much"}
        job.append("step", {**step_data("dc_offset", "channel 1", result), "sentence": "Much DC."})
    page = page_of(path)
    assert "done; superseded" in page.text
    assert "DC 900 ± 10 mV: look again" in page.text
    assert page.text.count("Much DC.") == 2  # its channel, and the list of all steps
    assert "DC 8.0" not in page.text


def test_set_again_after_verification_is_said(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    with Job.open(path, writable=True) as job:
        job.append("step", {**step_data("gain", "channel 1", {}), "outcome": "failed"})
    text = page_of(path).text
    assert "set again after it was verified" in text
    assert "not finished: channel 1 not set" in text


def test_unconfirmed_readings_are_marked(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    with Job.open(path, writable=True) as job:
        (seq, _), *_ = job.calibrations()
        last = job.readings()[-1][0]
        check = {
            "calibration_seq": seq,
            "start_seq": seq - 1,
            "end_seq": last,
            "change_percent": [{"value": 3.0, "u": 0.2}],
            "confirmed": False,
            "text": "The scale has moved.",
        }
        job.append("probe_check", check)
    text = page_of(path).text
    assert "Unconfirmed reading" in text
    assert "unconfirmed: the probe's scale had changed" in text
    assert "UNCONFIRMED" in text[text.index("Every step and every accepted reading") :]


def test_a_record_that_does_not_hold_says_so_first(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    rewrite_line(path, 3, lambda line: line["data"].update(text="Nothing to fear."))
    for short in PAGES:
        text = page_of(path, short).text
        assert "the record does not hold" in text[: text.index("±")]
        assert "The record does not hold: journal.jsonl line 3: altered" in text


def test_a_line_that_cannot_be_read_is_left_out_and_said(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    steps = [line.seq for line in Job.open(path, False).lines() if line.kind == "step"]
    rewrite_line(path, steps[-1], lambda line: line["data"].update(outcome="perfect"))
    text = page_of(path).text
    assert f"seq {steps[-1]}" in text
    assert "it is left out" in text
    assert "not verified" in text


@pytest.mark.parametrize("what", ["altered", "missing"])
def test_a_capture_that_does_not_hold_gives_no_picture(tmp_path: Path, what: str) -> None:
    path = whole_job(tmp_path, channels=1)
    gain = next(d for _, d in Job.open(path, False).readings() if d.as_what == "gain")
    other = next(d for _, d in Job.open(path, False).readings() if d.as_what == "verify")
    file = path / "captures" / f"{gain.capture}.flac"
    if what == "altered":
        shutil.copy(path / "captures" / f"{other.capture}.flac", file)
    else:
        file.unlink()
    page = page_of(path)
    labels = [a["aria-label"] or "" for tag, a in page.tags if tag == "svg"]
    assert sum("one period" in label for label in labels) == 1  # the source alone
    said = "the capture is altered" if what == "altered" else "the capture cannot be read"
    assert f"The record does not hold: {said}" in page.text
    assert "No pictures of reading" in page.text


def test_numbers_that_the_capture_does_not_give_are_not_drawn(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    seq = next(s for s, d in Job.open(path, False).readings() if d.as_what == "gain")

    def louder(line):
        line["data"]["readings"][-1]["volts_rms"]["value"] *= 1.01

    rewrite_line(path, seq, louder)
    assert "computed again, it.volts_rms.value is" in page_of(path).text


def test_customer_data_are_there_and_can_go(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1, customer={"name": "Invented Person", "telephone": "0"})
    for short in PAGES:
        assert "Invented Person" in page_of(path, short).text
    write_customer(path, {})
    for short in PAGES:
        assert "Invented Person" not in page_of(path, short).text
    (path / "customer.json").write_text('{"a":' * 900 + "1" + "}" * 900)
    assert "in the journal" in page_of(path).text
    (path / "customer.json").write_text("[1]")
    assert "The customer's data cannot be read" in page_of(path).text


def test_a_demonstration_is_marked(job: Path) -> None:
    for short in PAGES:
        assert page_of(job, short).text.count(INVENTED) == 1


def test_a_step_of_a_newer_version_is_shown(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    with Job.open(path, writable=True) as job:
        result = {
            "delay_ms": {"value": 1.25, "u": 0.02},
            "own_volts_rms": 0.0012,
            "limit": {"volts_rms": {"value": 0.5, "u": 0.0}, "below": True},
            "rows": [{"band_hz": 63, "level_db": {"value": -3.0, "u": 0.1}}],
            "reading_seq": 3,
        }
        job.append("step", step_data("walk_about", None, result))
    text = page_of(path).text
    assert "Walk about" in text
    assert "delay 1.250 ± 0.020 ms" in text
    assert "own 1.2 mV RMS" in text
    assert "voltage below 500 mV RMS" in text
    assert "band, Hz level, dB 63 -3.00 ± 0.10" in text
    assert "reading seq 3" not in text


def test_an_unknown_kind_of_line_is_listed(tmp_path: Path) -> None:
    path = whole_job(tmp_path, channels=1)
    rewrite_line(path, 2, lambda line: line.update(kind="weather", data={"rain_mm2": 3}))
    assert "weather, seq 2 rain 3 mm²" in page_of(path).text


def test_the_uncertainty_is_explained(job: Path) -> None:
    text = page_of(job).text
    part = text[text.index("Voltages: 95 % uncertainty") :]
    assert re.search(r"channel 1 [\d.]+ ± [\d.]+ V RMS ± [\d.]+ % scale [\d.]+ %", part)
    assert "JCGM 100:2008" in part


def test_a_record_of_the_stand_in_analysis_says_that_it_differs(tmp_path: Path) -> None:
    """A reading that the analysis of today does not give again is never drawn."""
    page = page_of(build_job(tmp_path))
    assert "computed again" in page.text


def test_a_job_of_the_first_version_gets_its_report() -> None:
    first = Path(__file__).parent.parent / "record" / "jobs" / "first-version"
    page = page_of(first)
    assert "every channel set and verified" in page.text
    assert "does not hold" not in page.text
    assert sum("one period" in (a.get("aria-label") or "") for t, a in page.tags if t == "svg") == 2


def test_no_place_to_write(tmp_path: Path, job: Path) -> None:
    with pytest.raises(InputError, match="cannot be written") as caught:
        write_report(job, tmp_path / "no" / "where.html", short=True)
    assert "--out" in caught.value.todo
    with pytest.raises(InputError, match="no such job"):
        make_report(tmp_path / "nothing", short=True)


def test_colours_can_be_read(job: Path) -> None:
    """Contrast of text on its ground: at least 4.5, WCAG 2.2 success criterion 1.4.3."""
    style = page_of(job).style
    colour = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", style))
    pairs = [("ink", "paper"), ("soft", "paper"), ("blue", "paper")]
    pairs += [(name, f"{name}-wash") for name in ("good", "note", "bad")]
    pairs += [(name, "paper") for name in ("good", "note", "bad")]
    assert len(pairs) == 9
    for text, ground in pairs:
        light, dark = sorted((luminance(colour[text]), luminance(colour[ground])), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (text, ground)


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_states_differ_by_sign_and_word(job: Path) -> None:
    style = page_of(job).style
    signs = re.findall(r"\.state\.(\w+)::before \{ content: \"([^\"]+)\"", style)
    assert len(signs) == 4
    assert len({sign for _, sign in signs}) == 4
