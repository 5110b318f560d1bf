"""takes.csv as spreadsheets write it."""

from __future__ import annotations

import math
import unicodedata
from pathlib import Path

import pytest

from shared.errors import SettingsError
from shared.take_sheet import read_takes

CLIPS = ["a_01.mp4", "a_02.mp4", "B 3.MOV"]
ROWS = [["clip", "pattern", "target", "temperature_c", "cloth"], ["a_01.mp4", "long", "foot-right", "24,5", "neu"],
        ["a_02.mp4", "long", "", "23", "müde"]]


def sheet(folder: Path, content: str | bytes) -> Path:
    path = folder / "takes.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def joined(delimiter: str, end: str = "\n") -> str:
    quoted = [[f'"{cell}"' if delimiter in cell else cell for cell in row] for row in ROWS]
    return end.join(delimiter.join(row) for row in quoted) + end


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_every_way_a_spreadsheet_saves_gives_the_same_rows(tmp_path, delimiter, encoding, end):
    takes = read_takes(sheet(tmp_path, joined(delimiter, end).encode(encoding)), CLIPS)
    assert takes.problems == ()
    assert takes.condition_names == ("temperature_c", "cloth")
    assert takes.conditions("a_01.mp4", 1) == {"temperature_c": 24.5, "cloth": "neu"}
    assert takes.conditions("a_02.mp4", 7) == {"temperature_c": 23.0, "cloth": "müde"}
    assert takes.declared("a_01.mp4", 1) == {"pattern": "long", "target": "foot-right"}
    assert takes.declared("a_02.mp4", 1) == {"pattern": "long"}


def test_empty_columns_without_a_name_are_no_trouble(tmp_path):
    takes = read_takes(sheet(tmp_path, "clip;;cloth;;\na_01.mp4;;new;;\n"), CLIPS)
    assert (takes.conditions("a_01.mp4", 1), takes.condition_names) == ({"cloth": "new"}, ("cloth",))


def test_a_separator_line_as_spreadsheets_put_it_first_is_understood(tmp_path):
    takes = read_takes(sheet(tmp_path, "sep=;\r\nclip;cloth\r\na_01.mp4;new\r\n"), CLIPS)
    assert takes.conditions("a_01.mp4", 1) == {"cloth": "new"}


def test_a_shot_row_wins_over_its_clips_row(tmp_path):
    takes = read_takes(sheet(tmp_path, "clip,shot,pattern,cloth\na_01.mp4,,p,new\na_01.mp4,2,q,\n"), CLIPS)
    assert takes.problems == ()
    assert takes.declared("a_01.mp4", 1) == {"pattern": "p"}
    assert takes.declared("a_01.mp4", 2) == {"pattern": "q"}
    assert takes.conditions("a_01.mp4", 2) == {"cloth": "new"}


@pytest.mark.parametrize("written", ["a_01", "A_01.MP4", "C:\\clips\\a_01.mp4", "clips/a_01.mp4", "a_01.mov"])
def test_a_clip_is_found_however_its_name_was_typed(tmp_path, written):
    takes = read_takes(sheet(tmp_path, f"clip,cloth\n{written},new\n"), CLIPS)
    assert takes.conditions("a_01.mp4", 1) == {"cloth": "new"}


@pytest.mark.parametrize(("clips", "written", "meant"), [
    (["A1.mp4", "A1.2.mp4"], "A1.2", "A1.2.mp4"),
    (["A1.mp4", "A1.2.mp4"], "a1.2.mov", "A1.2.mp4"),
    (["A1.mp4", "A1.2.mp4"], "A1", "A1.mp4"),
    (["shot.mp4", "shot.1.mp4"], "shot.2", None),
    (["a.mp4", "a.mov"], "a", None),
])
def test_what_stands_behind_a_point_is_no_extension_unless_it_is_a_videos(tmp_path, clips, written, meant):
    takes = read_takes(sheet(tmp_path, f"clip,cloth\n{written},new\n"), clips)
    assert {clip: takes.conditions(clip, 1) for clip in clips if takes.conditions(clip, 1)} == (
        {meant: {"cloth": "new"}} if meant else {})
    assert ("is not among the clips" in "".join(takes.problems)) == (meant is None)


@pytest.mark.parametrize(("cells", "line"), [
    (("1.200", "900"), "takes.csv row 2: shots_old = '1.200' is read as 1.2; if it is 1200, write 1200."),
    (("900", "12,500"), "takes.csv row 3: shots_old = '12,500' is read as 12.5; if it is 12500, write 12500."),
    (("1.200", "0.900"), ""), (("1.200", "1.25"), ""), (("1.200", "900.5"), ""), (("1.200", "2"), ""),
    (("1.200", "900 new"), ""),
])
def test_a_number_that_may_have_its_thousands_parted_is_asked_about(tmp_path, cells, line):
    takes = read_takes(sheet(tmp_path, f"clip;shots_old\na_01.mp4;{cells[0]}\na_02.mp4;{cells[1]}\n"), CLIPS)
    assert takes.remarks == ((line,) if line else ())
    if line:
        read = [takes.conditions(clip, 1)["shots_old"] for clip in ("a_01.mp4", "a_02.mp4")]
        assert read == [float(cell.replace(",", ".")) for cell in cells]


def test_our_columns_are_known_in_any_spelling(tmp_path):
    takes = read_takes(sheet(tmp_path, "Clip;Speed Class;PLAYER;Cloth\na_01.mp4;slow;A;new\n"), CLIPS)
    assert takes.declared("a_01.mp4", 1) == {"speed_class": "slow", "player": "A"}
    assert takes.condition_names == ("Cloth",)


@pytest.mark.parametrize(("written", "ours"), [
    ("patern", "pattern"), ("Taget", "target"), ("palyer", "player"), ("speedclass", "speed_class"), ("shots", "shot"),
])
def test_a_column_nearly_called_as_one_of_ours_is_asked_about(tmp_path, written, ours):
    takes = read_takes(sheet(tmp_path, f"clip,{written}\na_01.mp4,1\n"), CLIPS)
    assert takes.remarks == (f"takes.csv: column '{written}' is taken as a condition; is it '{ours}'?",)
    assert (takes.condition_names, takes.problems) == ((written,), ())
    takes = read_takes(sheet(tmp_path, f"clip,{written},{ours}\na_01.mp4,1,1\n"), CLIPS)
    assert takes.remarks == ()  # ours is there


def test_ordinary_conditions_raise_no_question(tmp_path):
    names = ("cloth,balls,cushions,chalk,humidity,temperature,humidity_pct,temperature_c,oil,lamp,tip,rubber,time,date,"
             "room,heating,cue,player_age,hand,speed,spin,target_distance,plate,start,place,shaft,age_h,nap,light")
    takes = read_takes(sheet(tmp_path, f"clip,{names}\na_01.mp4,1\n"), CLIPS)
    assert (takes.remarks, takes.problems) == ((), ())
    assert takes.condition_names == tuple(names.split(","))


@pytest.mark.parametrize("name", [
    "restitution", "Restitution", "VERDICT", "rail_sight_u", "Dew_Point_C", "Table", "ball_diameter_mm", "stratum",
    "tip_u", "level of play", "speed_kept_2", "vapour_pressure_hpa",
])
def test_a_column_that_the_program_writes_is_refused_in_any_case(tmp_path, name):
    with pytest.raises(SettingsError, match=f"column '{name}' is one the program writes itself; rename it"):
        read_takes(sheet(tmp_path, f"clip,{name}\na_01.mp4,x\n"), CLIPS)


def test_a_number_too_large_for_one_is_none(tmp_path):
    takes = read_takes(sheet(tmp_path, "clip,shot,chalk\na_01.mp4,1e400,1\na_02.mp4,1,1e999\n"), CLIPS)
    (line,) = takes.problems
    assert line == "takes.csv row 2: shot '1e400' of a_01.mp4 is not a whole number from 1; correct it."
    assert takes.conditions("a_02.mp4", 1) == {"chalk": "1e999"}


@pytest.mark.parametrize(("one", "other"), [("Cloth", "cloth"), ("Ball set", "ball_set"), ("ball-set", "ball set")])
def test_columns_that_differ_by_case_spaces_or_hyphens_alone_are_refused(tmp_path, one, other):
    with pytest.raises(SettingsError, match=f"{other!r} twice"):
        read_takes(sheet(tmp_path, f"clip,{one},{other}\na_01.mp4,new,worn\n"), CLIPS)


@pytest.mark.parametrize("written", ["Foot Right", "foot_right", "right-foot", " foot-right "])
def test_a_pocket_is_known_however_it_was_written(tmp_path, written):
    takes = read_takes(sheet(tmp_path, f"clip,target\na_01.mp4,{written}\n"), CLIPS)
    assert takes.problems == ()
    assert takes.declared("a_01.mp4", 1) == {"target": "foot-right"}


def test_a_target_that_is_no_pocket_is_named(tmp_path):
    takes = read_takes(sheet(tmp_path, "clip,target\na_01.mp4,foot-lefft\n"), CLIPS)
    assert "takes.csv row 2: target 'foot-lefft' is no pocket" in takes.problems[0]
    assert takes.declared("a_01.mp4", 1) == {"target": "foot-lefft"}


def test_a_column_with_one_text_in_it_is_text(tmp_path):
    takes = read_takes(sheet(tmp_path, "clip,chalk\na_01.mp4,24\na_02.mp4,24 B\n"), CLIPS)
    assert takes.conditions("a_01.mp4", 1) == {"chalk": "24"}


@pytest.mark.parametrize(("cells", "read"), [
    (("007", "7"), ("007", "7")),  # two batches, not one
    (("05", ""), ("05", None)),
    (("0", "10"), (0.0, 10.0)),
    (("0,5", "0.25"), (0.5, 0.25)),
    (("-0.5", "1e2"), (-0.5, 100.0)),
])
def test_what_would_be_written_otherwise_as_a_number_stays_as_declared(tmp_path, cells, read):
    takes = read_takes(sheet(tmp_path, f"clip;chalk\na_01.mp4;{cells[0]}\na_02.mp4;{cells[1]}\n"), CLIPS)
    found = tuple(takes.conditions(clip, 1).get("chalk") for clip in ("a_01.mp4", "a_02.mp4"))
    assert found == read
    assert list(map(type, found)) == list(map(type, read))


def test_one_bad_temperature_is_named_and_leaves_the_others_numbers(tmp_path):
    text = "clip,temperature_c,humidity_pct\na_01.mp4,n/a,45\na_02.mp4,022,45\n"
    takes = read_takes(sheet(tmp_path, text), CLIPS)
    assert takes.problems == ("takes.csv row 2: temperature_c = 'n/a' is no number, so it is left empty for a_01.mp4; "
                              "write the number alone.",)
    assert takes.conditions("a_02.mp4", 1) == {"temperature_c": 22.0, "humidity_pct": 45.0}
    assert math.isnan(takes.conditions("a_01.mp4", 1)["temperature_c"])


def test_a_sheet_with_the_line_ends_of_an_old_mac_is_read(tmp_path):
    takes = read_takes(sheet(tmp_path, joined(";", "\r")), CLIPS)
    assert takes.conditions("a_01.mp4", 1) == {"temperature_c": 24.5, "cloth": "neu"}
    assert takes.conditions("a_02.mp4", 1) == {"temperature_c": 23.0, "cloth": "müde"}


@pytest.mark.parametrize(("on_disk", "written"), [("NFD", "NFC"), ("NFC", "NFD")])
def test_a_clip_is_found_however_its_letters_are_composed(tmp_path, on_disk, written):
    clip = unicodedata.normalize(on_disk, "müde_é.mp4")
    text = unicodedata.normalize(written, "clip,cloth\nmüde_é.mp4,neü\n")
    takes = read_takes(sheet(tmp_path, text), [clip])
    assert takes.problems == ()
    assert takes.conditions(clip, 1) == {"cloth": unicodedata.normalize("NFC", "neü")}


def test_clips_that_no_row_names_are_known(tmp_path):
    takes = read_takes(sheet(tmp_path, "clip,cloth\na_01.mp4,new\n"), CLIPS)
    assert takes.unnamed_clips == {"a_02.mp4", "B 3.MOV"}
    assert read_takes(tmp_path / "none.csv", CLIPS).unnamed_clips == set()


def test_a_clip_that_is_not_there_is_named_and_the_others_are_kept(tmp_path):
    takes = read_takes(sheet(tmp_path, "clip,cloth\na_09.mp4,new\na_02.mp4,worn\n"), CLIPS)
    (line,) = takes.problems
    assert "takes.csv row 2" in line
    assert "'a_09.mp4'" in line
    assert "nearest" in line
    assert takes.conditions("a_02.mp4", 1) == {"cloth": "worn"}


def test_the_same_row_twice_is_named_once_and_used(tmp_path):
    takes = read_takes(sheet(tmp_path, "clip,cloth\na_01.mp4,new\na_01.mp4,new\n"), CLIPS)
    (line,) = takes.problems
    assert "takes.csv row 3: a_01.mp4 already stands in row 2" in line
    assert takes.conditions("a_01.mp4", 1) == {"cloth": "new"}


def test_two_rows_that_contradict_each_other_leave_the_clip_blank(tmp_path):
    takes = read_takes(sheet(tmp_path, "clip,cloth\na_01.mp4,new\na_01.mp4,worn\na_02.mp4,worn\n"), CLIPS)
    assert "left blank" in takes.problems[0]
    assert takes.conditions("a_01.mp4", 1) == {}
    assert takes.conditions("a_02.mp4", 1) == {"cloth": "worn"}


def test_a_shot_number_that_is_none_is_named(tmp_path):
    takes = read_takes(sheet(tmp_path, "clip,shot,cloth\na_01.mp4,first,new\n"), CLIPS)
    assert "row 2: shot 'first' of a_01.mp4" in takes.problems[0]


@pytest.mark.parametrize(("content", "words"), [
    ("", "is empty"),
    ("film,cloth\na_01.mp4,new\n", "has no column clip"),
    ("film,\na_01.mp4,new\n", "has no column clip"),
    ("clip,cloth,cloth\na_01.mp4,new,new\n", "the column 'cloth' twice"),
    ("clip,restitution\na_01.mp4,0.8\n", "'restitution' is one the program writes itself"),
    ("clip,cloth\na_01.mp4,new,very new\n", "more cells than the header has names, so 'very new' belongs to none"),
    ("clip,cloth,\na_01.mp4,new,polished\n", "more cells than the header has names, so 'polished' belongs to none"),
    ("clip,,cloth\na_01.mp4,,new\na_02.mp4,x,new\n", "row 3: has more cells than the header has names, so 'x'"),
    (b"PK\x03\x04....", "save it as CSV"),
])
def test_a_sheet_that_cannot_be_used_is_refused_in_one_line(tmp_path, content, words):
    path = sheet(tmp_path, content)
    with pytest.raises(SettingsError, match=words) as refusal:
        read_takes(path, CLIPS)
    assert str(path) in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_no_sheet_is_no_trouble(tmp_path):
    assert read_takes(tmp_path / "takes.csv", CLIPS).takes == ()


def test_climate_columns_are_known_in_any_spelling_of_case(tmp_path):
    takes = read_takes(sheet(tmp_path, "Clip,Temperature_C,Humidity pct,Cloth\na_01.mp4,21.5,45,new\n"), CLIPS)
    assert takes.conditions("a_01.mp4", 1) == {"temperature_c": 21.5, "humidity_pct": 45.0, "Cloth": "new"}
