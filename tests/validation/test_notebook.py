"""The validation notebook runs from top to bottom on a few of the fixtures, and finds small and honest errors."""

from __future__ import annotations

import os
import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "validation.ipynb"
#: three cushions by a kick, a hit with follow and a cue ball with dots, two banks of one session
FEW = "o01_kick_straight,o03_bank_follow,eveningA_02,eveningA_05"

pytestmark = pytest.mark.xdist_group("validation notebook")  # groups begin before single tests: it would end last


@pytest.mark.filterwarnings("ignore")  # of the notebook machinery, not of ours
def test_validation_notebook_runs_and_its_errors_are_small(monkeypatch):
    book = nbformat.read(NOTEBOOK, as_version=4)
    root = str(NOTEBOOK.parents[1])
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([root, os.environ.get("PYTHONPATH", "")]))
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    monkeypatch.setenv("VALIDATION_CLIPS", FEW)
    NotebookClient(book, timeout=600, kernel_name="python3", resources={"metadata": {"path": root}}).execute()
    outputs = [o for cell in book.cells for o in cell.get("outputs", [])]
    text = "".join(o.get("text", "") for o in outputs)
    assert not [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"]
    assert sum("image/png" in o.get("data", {}) for o in outputs) == 6
    assert "4 clips, 4 shots" in text
    assert _number(r"rms of all seen balls: (\S+) mm", text) < 1.0  # the yardstick for one camera on snooker balls
    # it is 0.75 for these clips: uncertainties half or twice what they are would give 1.5 or 0.4
    assert 0.5 < _number(r"all: n \d+, rms of error/u (\S+),", text) < 1.4
    assert _number(r"all: n \d+, .* within 2u (\S+) %", text) >= 90
    assert _number(r"half-ball hit: turned (\S+) deg", text) == pytest.approx(33.67050, abs=0.25)  # Coriolis, 1835


def _number(pattern, text):
    return float(re.search(pattern, text).group(1))


def test_what_is_stored_is_of_every_clip_that_the_repository_carries():
    book = nbformat.read(NOTEBOOK, as_version=4)
    outputs = [o for cell in book.cells for o in cell.get("outputs", [])]
    text = "".join(o.get("text", "") for o in outputs)
    clips = {path.name for path in (NOTEBOOK.parents[1] / "fixtures").rglob("*.mp4")}
    assert clips == set(re.findall(r"^(\S+\.mp4) ", text, re.MULTILINE))
    assert f"{len(clips)} clips, " in text
    assert text.count("-ball hit: turned") == 3
    assert sum("image/png" in o.get("data", {}) for o in outputs) == 6
