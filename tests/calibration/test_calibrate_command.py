"""`reboundry calibrate` as a person uses it."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from pipeline.calibrating import session_settings
from pipeline.command_group import app
from pipeline.wanted import Wanted
from shared.errors import CalibrationError, SettingsError
from tests.calibration.footage import TABLES, table_picture

TWELVE_FOOT = "3569,1778,52.5"


@pytest.fixture
def picture(tmp_path):
    shutil.copy(TABLES / "table_46.jpg", tmp_path)
    return tmp_path / "table_46.jpg"


def run(*arguments):
    return CliRunner().invoke(app, ["calibrate", *map(str, arguments)], catch_exceptions=True)


def test_record_of_the_clip_as_json(picture):
    result = run(picture, "--size", TWELVE_FOOT, "--head", "picture-bottom", "--json")
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    assert not {"clock", "moves"} & set(record)  # it looks at no more than the table's picture
    truth = table_picture("table_46")
    assert np.linalg.norm(np.array(record["corners_px"]) - truth.corners_px, axis=1).max() < 0.5
    assert record["table"]["length_mm"] == 3569
    assert not list(picture.parent.glob("*.png"))


def test_drawn_picture_and_words(picture, tmp_path):
    result = run(picture, "--size", TWELVE_FOOT, "--out", tmp_path / "check.png")
    assert result.exit_code == 0, result.output
    assert cv2.imread(str(tmp_path / "check.png")).shape == (1280, 720, 3)
    assert "18 of 18 sights" in result.stdout
    assert "corners_px = [[" in result.stdout


def test_without_a_place_the_drawn_picture_lies_beside_the_input_and_help_says_so(picture):
    assert run(picture, "--size", TWELVE_FOOT).exit_code == 0
    assert (picture.parent / "table_46-table.png").is_file()
    words = " ".join(re.sub(r"[│\n]", " ", run("--help").stdout).split())
    assert "beside the input: NAME-table.png" in words


def test_session_file_beside_the_picture_is_honoured(picture):
    session = "[table]\nlength_mm = 3569.0\nwidth_mm = 1778.0\nhead = 'picture-bottom'\n[ball]\ndiameter_mm = 52.5\n"
    (picture.parent / "session.toml").write_text(session)
    record = json.loads(run(picture, "--json").stdout)
    assert record["table"]["width_mm"] == 1778
    assert record["corners_px"][0][1] > 1000  # the head at the bottom


def test_corners_by_hand(picture):
    truth = table_picture("table_46").corners_px
    words = [f"{x:.1f},{y:.1f}" for x, y in truth]
    result = run(picture, "--size", TWELVE_FOOT, "--corners", *words, "--json")
    record = json.loads(result.stdout)
    assert record["how"] == "corners given"
    assert np.linalg.norm(np.array(record["corners_px"]) - truth, axis=1).max() < 0.5
    said = run(picture, "--size", TWELVE_FOOT, "--corners", *words).stdout
    assert "corners by hand: no residual" in said
    assert "nan" not in said


@pytest.mark.parametrize("sizes", [(2840.0, 1420.0, 61.5), (2540.0, 1270.0, 57.15), (3569.0, 1778.0, 52.5)])
@pytest.mark.parametrize("before", ["", "nose_height_mm = 36.0\nsight_offset_mm = 90.0\n", 'standard = "pool-8ft"\n'])
def test_sizes_say_the_same_here_as_in_the_session_file(tmp_path, sizes, before):
    file, clip = tmp_path / "session.toml", tmp_path / "a.mp4"
    length, width, ball = sizes
    file.write_text(f"[table]\n{before}length_mm = {length}\nwidth_mm = {width}\n[ball]\ndiameter_mm = {ball}\n")
    written = session_settings(clip)
    file.write_text(f"[table]\n{before}[ball]\ndiameter_mm = 57.0\n")
    given = session_settings(clip, size=",".join(map(str, sizes)))
    assert given == replace(written, remarks=given.remarks)
    assert [("carom" in line) for line in given.remarks] == ["carom" in line for line in written.remarks]
    assert session_settings(clip, "pool-9ft", "2840,1420,61.5").table.pockets


def test_a_clip_in_a_sessions_folder_clips_has_its_settings_from_inside_there_too(tmp_path, monkeypatch):
    (tmp_path / "clips").mkdir()
    (tmp_path / "session.toml").write_text('[table]\nstandard = "pool-8ft"\n')
    monkeypatch.chdir(tmp_path / "clips")
    assert session_settings(Path("a.mp4")).table.name == "pool-8ft"


def test_a_table_taken_for_one_without_pockets_is_said_beside_the_record(picture):
    truth = table_picture("table_46").corners_px
    result = run(picture, "--size", "2840,1420,61.5", "--corners", *(f"{x:.1f},{y:.1f}" for x, y in truth), "--json")
    table = json.loads(result.stdout)["table"]
    assert (table["name"], table["pockets"], table["nose_height_mm"]) == ("carom-284", False, 37.0)
    assert "--size: taken as a carom table, without pockets" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--size", "2540,1270"], "LENGTH,WIDTH,BALL"),
        (["--size", "1270,2540,57"], "between 400 and 2500|longer"),
        (["--size", "2540,1270,570"], "between 25 and 90"),
        (["--size", "2000,1900,57"], "^--size: 2000 x 1900 mm is not the shape of a table"),
        (["--table", "pool-10ft"], "pool-10ft"),
        (["--corners", "1,2", "3,4", "5", "7,8"], "--corners: '5'"),
        (["--wanted-angle", "0"], "wanted uncertainty of angles is 0: give degrees above 0"),
        (["--wanted-speed", "nan"], "wanted uncertainty of speeds is nan: give per cent above 0"),
        (["--wanted-speed", "1", "--json"], "--json foretells no shots: leave --wanted-angle and --wanted-speed out"),
    ],
)
def test_bad_settings_are_refused_in_one_line(picture, arguments, words):
    result = run(picture, *arguments)
    assert isinstance(result.exception, SettingsError)


    assert re.search(words, str(result.exception))
    assert "\n" not in str(result.exception)


def test_a_settings_file_that_is_nearly_rightly_named_is_told_and_sheets_are_none_of_its_business(picture):
    for name in ("session.toml.txt", "Takes.csv"):
        (picture.parent / name).write_text("")
    result = run(picture, "--size", TWELVE_FOOT, "--json")
    assert result.stderr.strip() == "session.toml.txt: is not read; rename it to session.toml."


def test_a_picture_without_a_table_says_so(tmp_path):
    cv2.imwrite(str(tmp_path / "wall.png"), np.full((200, 300, 3), 120, np.uint8))
    result = run(tmp_path / "wall.png")
    assert isinstance(result.exception, CalibrationError)
    assert str(result.exception).startswith("wall.png: no table")


@pytest.mark.parametrize(("files", "first"), [
    (["d.mp4", "c.mov", "a.jpg", ".b.mp4", "a.txt"], "c.mov"), (["clips/d.mp4", "a.jpg"], "clips/d.mp4"),
    (["b.png", "a.jpg"], "a.jpg"), (["a.txt"], None),
])
def test_a_folder_is_answered_with_a_clip_in_it(tmp_path, files, first):
    (tmp_path / "clips").mkdir()
    for name in files:
        (tmp_path / name).touch()
    result = run(tmp_path)
    assert isinstance(result.exception, SettingsError)
    what = f"give one clip or picture in it, e.g. {tmp_path / first}" if first else "it holds none: give a clip"
    assert str(result.exception).startswith(f"{tmp_path}: a folder, not a clip; {what}")


@pytest.mark.parametrize(("name", "line", "lines"), [
    ("takes.csv", "clip,cloth", 1), ("session.toml", "", 0), ("notes.txt", "a line", 3000), ("noext", "", 0),
])
def test_what_is_no_video_or_picture_is_not_to_be_copied_from_the_camera_again(tmp_path, name, line, lines):
    (tmp_path / name).write_text(f"{line}\n" * lines)
    for options, wanted in ([], "a clip (.mp4"), (["--lens"], "a clip of a chessboard"):
        result = run(tmp_path / name, *options)
        assert isinstance(result.exception, SettingsError)
        assert str(result.exception).startswith(f"{tmp_path / name}: neither a clip nor a picture; give {wanted}")


def test_a_picture_or_clip_of_an_odd_name_is_looked_at(picture):
    odd = picture.rename(picture.with_suffix(".camera"))
    assert run(odd, "--size", TWELVE_FOOT, "--json").exit_code == 0


def test_of_a_picture_nothing_is_foretold_and_it_says_so_where_something_is_wanted(picture):
    result = run(picture, "--size", TWELVE_FOOT, "--wanted-angle", "0.2")
    assert result.exit_code == 0, result.output
    assert result.stderr.strip().endswith("a single picture has no frame rate.")


def test_what_is_wanted_reaches_what_is_foretold_of_a_clip(tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr("pipeline.calibrating.forecast", lambda found, wanted: asked.append(wanted))
    clip = Path(__file__).parents[2] / "fixtures" / "evenings" / "eveningA" / "eveningA_01.mp4"
    run(clip, "--out", tmp_path / "x.png", "--wanted-angle", "0.2", "--wanted-speed", "0.5")
    assert asked == [Wanted(angle_deg=0.2, speed_percent=0.5)]
