"""A pattern's file tells the pocket, whether the pattern is declared or matched by where the balls lay."""

import shutil
from pathlib import Path

import pandas as pd
import pytest

from pipeline.executor import InProcess
from pipeline.patterns import read_patterns
from pipeline.run import RunOptions, measure_session
from pipeline.sessions import find_sessions
from pipeline.targets import declared_targets
from shared.errors import SettingsError

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "pipeline" / "pattern_examples" / "cross-corner.toml"
CLIP = ROOT / "fixtures" / "evenings" / "eveningA" / "eveningA_06.mp4"  # lies so, and falls


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "evening"
    (place / "patterns").mkdir(parents=True)
    shutil.copy(EXAMPLE, place / "patterns")
    shutil.copy(CLIP, place / "a.mp4")
    return place


def measured(folder):
    (session,) = find_sessions([folder])
    result = measure_session(session, options=RunOptions(diagrams=False), executor=InProcess())
    return result.shots.iloc[0], (folder / "measured" / ".work" / "a.mp4")


def test_a_shot_that_lies_as_a_pattern_has_its_target_and_its_miss(folder):
    shot, kept = measured(folder)
    assert shot["pattern"] == "cross-corner"
    assert "pattern: matched by where the balls lay" in shot["notes"].split("; ")
    assert abs(shot["aim_error_deg"]) < 1.0
    assert (shot["target"], shot["outcome"]) == ("foot-right", "pocketed")
    assert abs(shot["miss_mm"]) < 20
    before = (kept / "detections.parquet").stat().st_mtime_ns, (kept / "shots.parquet").stat().st_mtime_ns
    again, _ = measured(folder)
    assert again["miss_mm"] == shot["miss_mm"]
    assert before == ((kept / "detections.parquet").stat().st_mtime_ns, (kept / "shots.parquet").stat().st_mtime_ns)
    (folder / "takes.csv").write_text("clip,target\na.mp4,head-left\n")  # what is declared wins
    shot, _ = measured(folder)
    assert (shot["pattern"], shot["target"]) == ("cross-corner", "head-left")
    assert pd.isna(shot["miss_mm"])
    (folder / "takes.csv").write_text("clip,pattern\na.mp4,cross-corner\n")
    assert "matched" not in measured(folder)[0]["notes"]


@pytest.mark.parametrize(("sheet", "expected"), [
    ("clip,pattern\na.mp4,cross-corner\n", {None: "foot-right"}),
    ("clip,pattern,target\na.mp4,cross-corner,side-left\n", {None: "side-left"}),
    ("clip,shot,pattern,target\na.mp4,,,side-left\na.mp4,2,cross-corner,\n", {None: "side-left", 2: "side-left"}),
    ("clip,shot,pattern\na.mp4,2,cross-corner\n", {2: "foot-right"}),
    ("clip,pattern\na.mp4,Cross Corner\n", {None: "foot-right"}),
    ("clip,pattern\na.mp4,other\n", {}),
])
def test_what_is_declared_wins_over_the_file_of_the_pattern(folder, sheet, expected):
    (folder / "takes.csv").write_text(sheet)
    (session,) = find_sessions([folder])
    assert declared_targets(session, "a.mp4", read_patterns(folder)) == expected


def test_a_pattern_whose_name_is_a_number_is_found(folder):
    (folder / "patterns" / EXAMPLE.name).write_text(EXAMPLE.read_text().replace('name = "cross-corner"', 'name = "12"'))
    (folder / "session.toml").write_text("[conditions]\npattern = 12\n")
    (session,) = find_sessions([folder])
    assert declared_targets(session, "a.mp4", read_patterns(folder)) == {None: "foot-right"}


def test_a_clip_declared_twice_differently_has_no_target_not_even_the_session_s(folder):
    (folder / "session.toml").write_text('[conditions]\ntarget = "foot-left"\n')
    shutil.copy(folder / "a.mp4", folder / "b.mp4")
    (folder / "takes.csv").write_text("clip,target\na.mp4,side-left\na.mp4,side-right\n")
    (session,) = find_sessions([folder])
    assert declared_targets(session, "a.mp4", {}) == {}
    assert declared_targets(session, "b.mp4", {}) == {None: "foot-left"}


def test_a_pattern_for_a_pocket_that_is_none_is_refused(folder):
    (folder / "patterns" / EXAMPLE.name).write_text(EXAMPLE.read_text().replace('"foot-right"', '"foot-middle"'))
    with pytest.raises(SettingsError, match=r"foot-middle.*is no pocket"):
        read_patterns(folder)
