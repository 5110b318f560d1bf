"""`reboundry compare` from wherever it is called."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.command_group import app


@pytest.mark.parametrize(("here", "given", "out"), [
    (".", "data", "data-comparison"), ("data", ".", "/data-comparison"), ("data/shots", "..", "/data-comparison"),
])
def test_a_comparison_lies_beside_its_dataset(tmp_path, monkeypatch, here, given, out):
    (tmp_path / "data" / "shots").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / here)
    asked: list[Path] = []

    def compared(_: Path, target: Path, **__: object) -> None:
        asked.append(target)
        raise SystemExit(0)

    monkeypatch.setattr("pipeline.compare.dataset.compare_dataset", compared)
    result = CliRunner().invoke(app, ["compare", given])
    assert result.exit_code == 0
    assert asked == [Path(f"{tmp_path}{out}") if out.startswith("/") else Path(out)]
