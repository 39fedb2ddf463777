"""A report opened in a browser without a window, cut off from any network.

The driver is Playwright and the rules of accessibility are those of axe-core, both from the extra 'browser'; the
browser is the Chromium of the system. Without one of them the tests are skipped.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser_page import Opened
from small_shipped import ROOT, quicken

import margin

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium, without a window."""
    driver = pytest.importorskip("playwright.sync_api", reason="no driver: install the extra 'browser'")
    if CHROMIUM is None:
        pytest.skip("no browser: neither chromium nor google-chrome is on PATH")
    with driver.sync_playwright() as started:
        found = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield found
        found.close()


@pytest.fixture(scope="session")
def report(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the report of a shipped gripper, all its calibration options, with few units at four loads."""
    with pytest.MonkeyPatch.context() as patched:
        quicken(patched)
        case = margin.load(ROOT / "cases" / "gripper_amplifier" / "case.toml")
        study = margin.estimate(margin.change(case, {"load.check": 4, "study.units": 640, "study.outer": 20}))
    return study.save(tmp_path_factory.mktemp("browser") / "report").parent


@pytest.fixture
def opened(browser: Any, report: Path) -> Iterator[Opened]:
    """The report as a reader opens it from disk, on a screen of 1200 by 900; nothing but files is served."""
    context = browser.new_context(viewport={"width": 1200, "height": 900})
    page = context.new_page()
    found = Opened(page, report)

    def serve(route: Any) -> None:
        found.asked.append(route.request.url)
        if route.request.url.startswith("file:"):
            route.continue_()
        else:
            route.abort()

    page.route("**/*", serve)
    page.on("console", lambda told: found.complaints.append(f"{told.type}: {told.text}"))
    page.on("pageerror", lambda error: found.complaints.append(str(error)))
    page.goto((report / "report.html").as_uri())
    yield found
    context.close()
