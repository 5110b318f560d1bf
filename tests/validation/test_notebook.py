"""The validation notebook runs from top to bottom on a few of the fixtures."""

from __future__ import annotations

import os
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "validation.ipynb"


@pytest.mark.filterwarnings("ignore")  # of the notebook machinery, not of ours
def test_validation_notebook_runs_and_its_errors_are_small(monkeypatch):
    book = nbformat.read(NOTEBOOK, as_version=4)
    root = str(NOTEBOOK.parents[1])
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([root, os.environ.get("PYTHONPATH", "")]))
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    monkeypatch.setenv("VALIDATION_CLIPS", "eveningA_02")
    NotebookClient(book, timeout=300, kernel_name="python3", resources={"metadata": {"path": root}}).execute()
    outputs = [o for cell in book.cells for o in cell.get("outputs", [])]
    text = "".join(o.get("text", "") for o in outputs)
    assert not [o for o in outputs if o["output_type"] == "error"]
    assert sum("image/png" in o.get("data", {}) for o in outputs) >= 4
    rms_mm = float(text.split("rms of all seen balls: ")[1].split(" mm")[0])
    assert rms_mm < 1.0  # the published yardstick for one camera on snooker balls
