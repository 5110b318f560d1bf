"""Imports go one way; the front door holds what it lists; nothing reaches outside the repository."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
LAYERS = ("shared", "calibration", "pipeline")  # each may import itself and those before it
SOURCES = sorted(path for layer in LAYERS for path in (ROOT / layer).rglob("*.py"))


def imported(path: Path) -> set[str]:
    """First parts of every module that a file imports, wherever in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import"
            found.add((node.module or "").split(".")[0])
    return found


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_go_one_way(path):
    layer = path.relative_to(ROOT).parts[0]
    allowed = LAYERS[: LAYERS.index(layer) + 1]
    ours = imported(path) & {*LAYERS, "reboundry", "tests", "fixtures", "notebooks"}
    assert ours <= set(allowed)


def test_the_verdict_knows_nothing_of_the_rebound():
    text = (ROOT / "pipeline" / "verdict.py").read_text(encoding="utf-8")
    modules = {name for node in ast.walk(ast.parse(text)) if isinstance(node, ast.ImportFrom) for name in [node.module]}
    assert not modules & {"pipeline.rebound", "pipeline.shots", "pipeline.results"}


def test_the_front_door_holds_exactly_what_it_lists():
    import reboundry

    assert {name for name in dir(reboundry) if not name.startswith("_")} == set(reboundry.__all__)


def test_every_command_exists():
    from pipeline.cli import COMMANDS

    missing = [name for name in COMMANDS if not (ROOT / "pipeline" / "commands" / f"{name}.py").is_file()]
    assert missing == []


def heavy_loaded_by(*lines: str) -> list[str]:
    """What costs time to import and is there after these lines in a process of their own."""
    heavy = ("numpy", "pandas", "cv2", "av", "scipy", "matplotlib", "filterpy", "numba")
    code = "\n".join([*lines, "import sys", f"print(*[m for m in {heavy} if m in sys.modules])"])
    ran = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    return ran.stdout.split()


def test_command_modules_are_light():
    """What is imported at the top of a command is imported by --help."""
    assert heavy_loaded_by(
        "from pipeline.cli import COMMANDS", "from importlib import import_module",
        "for name in COMMANDS: import_module(f'pipeline.commands.{name}')",
    ) == []
    assert heavy_loaded_by("import pandas") != []


def test_a_clip_is_opened_before_what_only_fitting_needs_is_loaded():
    loaded = heavy_loaded_by("import pipeline.run")
    assert "pandas" in loaded
    assert not {"scipy", "filterpy", "numba", "matplotlib"} & set(loaded)


def test_sessions_are_found_before_anything_heavy_is_loaded():
    """`measure` starts its workers' processes once it knows the clips: what it imports till then delays them."""
    assert heavy_loaded_by(
        "from pipeline.executor import get_ready", "from pipeline.sessions import find_sessions") == []


def tracked() -> list[Path]:
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    return [ROOT / name for name in listed.stdout.split("\0") if name]


def test_nothing_points_outside_the_repository():
    words = ["/" + "work/", "/" + "tmp/team", "FACTS" + ".md", "CONTRACT" + ".md", "STYLE" + ".md",
             r"\.\./" + "shared", r"https?://[^\s\"')]*(pypi|npmjs|registry)", "python" + "hosted"]
    outside = re.compile("|".join(words))
    found = []
    for path in tracked():
        if path.suffix in {".mp4", ".jpg", ".png", ".parquet"} or not path.is_file():
            continue
        text = path.read_text(encoding="utf-8", errors="replace")
        found += [f"{path.relative_to(ROOT)}: {match[0]}" for match in outside.finditer(text)]
    assert found == []


def test_only_the_agreed_things_lie_at_the_top():
    agreed = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "Makefile", "pyproject.toml", "constraints.txt",
              ".ci", "pipeline", "calibration", "tests", "fixtures", "notebooks", "shared", "reboundry.py",
              ".gitignore"}
    assert {path.relative_to(ROOT).parts[0] for path in tracked()} <= agreed


def test_the_fixtures_stay_small():
    size = sum(path.stat().st_size for path in tracked() if "fixtures" in path.relative_to(ROOT).parts[:1])
    assert size < 15e6
