"""What gets installed: the three packages, the front door, the demo's footage, and nothing else."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> list[str]:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run([sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)], cwd=ROOT, check=True,
                   capture_output=True)
    (built,) = folder.glob("*.whl")
    return zipfile.ZipFile(built).namelist()


def test_the_wheel_carries_the_packages_and_the_demos_footage(wheel):
    assert "reboundry.py" in wheel
    assert "pipeline/cli.py" in wheel
    for evening in ("eveningA", "eveningB"):
        clips = [name for name in wheel if name.startswith(f"pipeline/demo_footage/evenings/{evening}/") and
                 name.endswith(".mp4")]
        assert len(clips) == 6
        for declared in ("takes.csv", "session.toml"):
            assert f"pipeline/demo_footage/evenings/{evening}/{declared}" in wheel


def test_the_wheel_carries_pages_and_patterns_that_are_no_code(wheel):
    data = [path for path in (ROOT / "pipeline").rglob("*") if path.suffix in {".html", ".js", ".css", ".toml"}]
    assert {str(path.relative_to(ROOT)) for path in data} <= set(wheel)


def test_tests_fixtures_and_notebooks_are_never_installed(wheel):
    tops = {name.split("/")[0] for name in wheel if ".dist-info/" not in name}
    assert tops == {"shared", "calibration", "pipeline", "reboundry.py"}
