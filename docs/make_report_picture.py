"""Make docs/report.png: both pages of a job's report as a phone shows them.

    levelset demo --hands-free --fast --jobs JOBS
    python docs/make_report_picture.py JOBS/*

Needs chromium.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from levelset.report.page import write_report

WIDTH_PX, HEIGHT_PX, GAP_PX = 390, 980, 14
PICTURE = Path(__file__).parent / "report.png"


def main() -> None:
    """Write the picture."""
    job = Path(sys.argv[1])
    with tempfile.TemporaryDirectory() as folder:
        around = Path(folder) / "around.html"
        frames = []
        for short, place in ((True, ""), (False, "#result"), (False, "#channels")):
            page, _ = write_report(job, Path(folder) / f"{short}.html", short=short)
            frames.append(f'<iframe src="{page.as_uri()}{place}" scrolling="no"></iframe>')
        around.write_text(
            f"<!doctype html><style>body{{margin:{GAP_PX}px;display:flex;gap:{GAP_PX}px;"
            f"background:#87919b}}iframe{{border:0;width:{WIDTH_PX}px;height:{HEIGHT_PX}px}}</style>"
            + "".join(frames),
            encoding="utf-8",
        )
        size = f"{len(frames) * WIDTH_PX + (len(frames) + 1) * GAP_PX},{HEIGHT_PX + 2 * GAP_PX}"
        subprocess.run(
            [
                "chromium",
                "--headless=new",
                "--no-sandbox",
                "--disable-gpu",
                "--hide-scrollbars",
                "--allow-file-access-from-files",
                f"--user-data-dir={folder}/profile",
                f"--window-size={size}",
                f"--screenshot={PICTURE}",
                around.as_uri(),
            ],
            check=True,
            capture_output=True,
        )


if __name__ == "__main__":
    main()
