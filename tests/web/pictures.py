"""The README's two pictures, into recordings-demo: ``python -m tests.web.pictures``.

The page that leads a hold, on a made-up session (the numbers are nobody's), and the first page of the report of the
simulated athlete A02. It needs chromium.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from biofeedback.cli import main as run_command

from ..requirements import CHROMIUM, CHROMIUM_ARGUMENTS
from .conftest import Page, Served
from .scenes import inside

FOLDER = Path(__file__).resolve().parents[2] / "recordings-demo"
HOLD, REPORT = FOLDER / "hold-page.png", FOLDER / "report-page.png"


def take_pictures() -> None:
    """Both, as small as they can be read."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver, tempfile.TemporaryDirectory() as folder:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        served = Served()
        served.up()
        page = Page(chromium, served, viewport={"width": 1120, "height": 700}, color_scheme="light")
        served.do(inside)
        page.tab.wait_for_timeout(1500)
        page.tab.screenshot(path=HOLD)
        page.context.close()
        served.end()
        report = Path(folder) / "report.html"
        if run_command(["report", str(FOLDER / "A02.hold"), "--out", str(report)]) != 0:
            raise SystemExit("no report was made")
        tab = chromium.new_page(viewport={"width": 760, "height": 900}, color_scheme="light")
        tab.goto(report.as_uri())
        tab.screenshot(path=REPORT)
        chromium.close()


if __name__ == "__main__":
    take_pictures()
