"""The comparison's page on a phone: nothing but its tables is wider than the screen."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from pipeline.compare.output import write_comparison

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: the page was not tested")
if not Path(CHROMIUM).exists():
    pytest.skip("no chromium on this machine: the page was not tested in a browser", allow_module_level=True)


def test_the_page_fits_a_phone(compared, four_evenings, tmp_path):
    page = write_comparison(tmp_path, compared, contacts=four_evenings[1], tracks=pd.DataFrame())
    with playwright.sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        shown = browser.new_page(viewport={"width": 390, "height": 800})
        shown.goto(page.as_uri())
        assert shown.evaluate("document.documentElement.scrollWidth") == 390
        browser.close()
