"""A real browser, and a session whose page it opens."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.review.from_truth import session_from_truth
from tests.review.looking import CLIPS

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
             "--disable-sync", "--no-first-run"]


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api",
                                     reason="playwright is not installed: the page was not tested")
    if not Path(CHROMIUM).exists():
        pytest.skip("no chromium on this machine: the page was not tested in a browser")
    with playwright.sync_playwright() as tool:
        running = tool.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield running
        running.close()


@pytest.fixture
def session(tmp_path):
    return session_from_truth(tmp_path / "evening", CLIPS)


@pytest.fixture
def opened(browser):
    """Open an address in a page of its own; the page must stay free of script errors."""
    made, faults = [], []

    def open_page(address: str, **options):
        context = browser.new_context(**({"viewport": {"width": 1440, "height": 1000}} | options))
        page = context.new_page()
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("console", lambda m: faults.append(m.text) if "Content Security" in m.text else None)
        page.goto(address)
        page.wait_for_selector("body[data-ready=yes]")
        made.append(context)
        return page

    yield open_page
    for context in made:
        context.close()
    assert faults == []
