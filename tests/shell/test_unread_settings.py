"""Settings under a nearly right name or in a wrong place are named, and nothing else is."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.sessions import find_sessions


def remarks(folder: Path, *names: str) -> list[str]:
    for name in ("clips/a.mp4", *names):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("clip,cloth\na,worn\n" if name.endswith("takes.csv") else "")
    return list(find_sessions([folder])[0].remarks)


@pytest.fixture
def upper_case_tells(tmp_path):
    """On disks of Mac and Windows it doesn't: there the file that differs in nothing else is read."""
    (tmp_path / "probe").touch()
    return not (tmp_path / "Probe").exists()


@pytest.mark.parametrize(("name", "todo"), [
    ("takes.csv.txt", "rename it to takes.csv"),
    ("Takes.csv", "rename it to takes.csv"),
    ("take.csv", "rename it to takes.csv"),
    ("takes (1).csv", "rename it to takes.csv"),
    ("takes.xlsx", "save it as CSV named takes.csv"),
    ("Takes.ods", "save it as CSV named takes.csv"),
    ("clips/takes.csv", "move it beside clips"),
    ("clips/takes.csv.txt", "move it beside clips and rename it to takes.csv"),
    ("clips/takes.xlsx", "save it beside clips as CSV named takes.csv"),
    ("session.toml.txt", "rename it to session.toml"),
    ("Session.toml", "rename it to session.toml"),
    ("sessions.toml", "rename it to session.toml"),
    ("clips/session.toml", "move it beside clips"),
])
def test_a_file_that_may_be_meant_is_named_with_what_to_do(tmp_path, upper_case_tells, name, todo):
    if name in ("Takes.csv", "Session.toml") and not upper_case_tells:
        pytest.skip("this disk takes the two names for one")
    assert remarks(tmp_path, name) == [f"{name}: is not read; {todo}."]
    assert remarks(tmp_path, "takes.csv", "session.toml") == []  # the right one is there


@pytest.mark.parametrize(("name", "line"), [
    ("Patterns/x.toml", "Patterns: is not read; rename it to patterns."),
    ("pattern/x.toml", "pattern: is not read; rename it to patterns."),
    ("clips/patterns/x.toml", "clips/patterns: is not read; move it beside clips."),
    ("patterns/x.toml.txt", "patterns/x.toml.txt: is not read; rename it to x.toml."),
])
def test_so_are_patterns(tmp_path, upper_case_tells, name, line):
    if name.startswith("Patterns") and not upper_case_tells:
        pytest.skip("this disk takes the two names for one")
    assert remarks(tmp_path, name) == [line]
    assert remarks(tmp_path, "patterns/x.toml") == []


def test_several_alike_are_one_line(tmp_path):
    assert remarks(tmp_path, "takes1.csv", "takes2.csv", "clips/takes.csv") == [
        "takes1.csv, takes2.csv: are not read; rename the right one to takes.csv.",
        "clips/takes.csv: is not read; move it beside clips."]


def test_other_files_and_folders_raise_no_alarm(tmp_path):
    assert remarks(
        tmp_path, "notes.txt", "session.txt", "settings.toml", "scores.csv", "stakes.docx", "runsheet.csv", "cakes.csv",
        ".takes.csv.swp", "~$takes.xlsx", "takes.csv.bak", "measured/takes.csv.txt", "patter/notes.txt", "clips/a.csv",
    ) == []
    beside = ("takes_old.csv", "takes.xlsx", "take.csv", "backup.toml", "sessions.toml")
    assert remarks(tmp_path, "takes.csv", "session.toml", *beside) == []


def test_a_folder_clips_that_stands_for_itself_has_its_own_settings(tmp_path):
    remarks(tmp_path, "clips/takes.csv")
    (session,) = find_sessions([tmp_path / "clips"])
    assert session.takes.conditions("a.mp4", 1) == {"cloth": "worn"}
    assert session.remarks == ()
