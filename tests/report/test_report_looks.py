"""report.html in a real browser: readable on a telephone, nothing shown that is empty."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd

from calibration.store import read_calibrations, write_calibrations
from pipeline.report import write_report
from shared.columns import SHOTS
from tests.review.conftest import browser  # noqa: F401  a fixture
from tests.review.from_truth import session_from_truth


def test_a_telephone_shows_low_rows_and_no_empty_tables(tmp_path: Path, browser) -> None:  # noqa: F811
    measured = session_from_truth(tmp_path / "evening", ["eveningA_01", "eveningA_04"]) / "measured"
    calibrations = read_calibrations(measured / "calibration.json")
    how = "found in the picture by 18 sights, 2 nose lines and 0 cloth ends"  # as long as they come
    write_calibrations(measured / "calibration.json", [replace(one, how=how) for one in calibrations])
    shots = pd.read_csv(measured / "shots.csv")
    numbers = [column.name for column in SHOTS.columns if column.kind == "number" and column.name in shots]
    shots.loc[1, [name for name in numbers if name not in ("start_s", "end_s")]] = None
    shots.to_csv(measured / "shots.csv", index=False)
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(write_report(measured).as_uri())
    rows = page.locator(".setup tbody tr").all()
    tables = [section.locator("table").count() for section in page.locator("section.shot").all()]
    line = page.evaluate("() => parseFloat(getComputedStyle(document.querySelector('.setup td')).lineHeight)")
    heights = [row.bounding_box()["height"] / line for row in rows]
    wide = page.evaluate("() => document.documentElement.scrollWidth")
    page.close()
    assert len(heights) == 2
    assert max(heights) < 3
    assert tables == [1, 0]
    assert wide <= 390  # a table that is wider scrolls by itself
