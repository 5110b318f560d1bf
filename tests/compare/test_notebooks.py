"""Both notebooks run from top to bottom and show what they promise."""

from __future__ import annotations

import os
import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"


def _run(name, monkeypatch):
    book = nbformat.read(NOTEBOOKS / name, as_version=4)
    # the notebook's own process imports the package as installed, or from this source tree
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(NOTEBOOKS.parent), os.environ.get("PYTHONPATH", "")]))
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    resources = {"metadata": {"path": str(NOTEBOOKS)}}
    NotebookClient(book, timeout=300, kernel_name="python3", resources=resources).execute()
    outputs = [o for cell in book.cells for o in cell.get("outputs", [])]
    assert not [o for o in outputs if o["output_type"] == "error"]
    return "".join(o.get("text", "") for o in outputs), outputs


def _words(text):
    """Without the figures, whose last digits may be another machine's."""
    return re.sub(r"\d[\d.]*", "0", text)


@pytest.mark.filterwarnings("ignore")  # of the notebook machinery, not of ours
def test_conditions_notebook_recovers_the_truth_it_set(monkeypatch):
    kept = nbformat.read(NOTEBOOKS / "conditions.ipynb", as_version=4)
    text, outputs = _run("conditions.ipynb", monkeypatch)
    assert _words("".join(o.get("text", "") for c in kept.cells for o in c.get("outputs", []))) == _words(text)
    assert "cloth was filmed in one session a level" in text
    assert text.count(": held") == 2
    assert any("image/png" in o.get("data", {}) for o in outputs)


@pytest.mark.filterwarnings("ignore")
def test_first_session_notebook_goes_from_clip_to_numbers(monkeypatch):
    text, outputs = _run("first-session.ipynb", monkeypatch)
    assert "rebound_settled_angle_deg" in text
    assert "verdict: clean" in text
    assert any("image/png" in o.get("data", {}) for o in outputs)


def test_notebooks_use_the_front_door_only():
    for path in NOTEBOOKS.glob("*.ipynb"):
        code = "\n".join(c.source for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code")
        for package in ("pipeline", "calibration", "shared", "fixtures", "tests"):
            assert f"from {package}" not in code, path.name
            assert f"import {package}" not in code, path.name
