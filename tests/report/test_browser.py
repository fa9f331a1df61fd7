"""The report in a browser: nothing runs, nothing hangs over on a phone, it prints.

A browser is no part of the gate: without one these are skipped.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from html import escape, unescape
from pathlib import Path

import pytest
from report_jobs import whole_job

from levelset.report.page import make_report

pytestmark = pytest.mark.outside
HOSTILE = (
    "</style></svg><script>document.title='ran'</script>"
    "<img src=x onerror=\"document.title='ran'\">"
)
PHONE_PX = 390


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory):
    """Return a function that runs headless Chromium on a file."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("chromium is not installed (apt-get install chromium)")
    profile = tmp_path_factory.mktemp("profile")

    def run(page: Path, *options: str) -> str:
        done = subprocess.run(
            [
                program,
                "--headless=new",
                "--no-sandbox",
                "--disable-gpu",
                f"--user-data-dir={profile}",
                *options,
                page.as_uri(),
            ],
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
        return done.stdout

    return run


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return whole_job(
        tmp_path_factory.mktemp("hostile"),
        channels=2,
        names=[f"front {HOSTILE}", "bass"],
        title=HOSTILE,
        text=f"{HOSTILE} {'long' * 40}",
        customer={"name": HOSTILE},
    )


@pytest.mark.parametrize("short", [False, True])
def test_on_a_phone(browser, hostile: Path, tmp_path: Path, short: bool) -> None:
    """In a frame as wide as a phone: no script ran, nothing is wider than the frame."""
    page, _ = make_report(hostile, short=short)
    around = tmp_path / "around.html"
    around.write_text(
        f'<!doctype html><title>t</title><iframe id="f" style="width:{PHONE_PX}px;height:900px;'
        f'border:0" srcdoc="{escape(page)}"></iframe><pre id="o"></pre><script>'
        "onload=()=>{const d=f.contentDocument;o.textContent=JSON.stringify(["
        "d.documentElement.scrollWidth,d.title,d.querySelectorAll('script,img').length,"
        "d.body.innerText.includes('<script>')])}</script>",
        encoding="utf-8",
    )
    shown = browser(around, "--virtual-time-budget=3000", "--dump-dom")
    found = re.search(r'<pre id="o">(.*?)</pre>', shown, re.S)
    assert found is not None
    width, title, elements, as_text = json.loads(unescape(found[1]))
    assert width <= PHONE_PX
    assert title != "ran"
    assert HOSTILE in title
    assert elements == 0
    assert as_text is True


def test_it_prints(browser, job: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text(make_report(job, short=True)[0], encoding="utf-8")
    out = tmp_path / "page.pdf"
    browser(page, f"--print-to-pdf={out}", "--no-pdf-header-footer")
    data = out.read_bytes()
    assert data.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page[^s]", data)) == 1
