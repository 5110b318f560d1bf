"""What a path means: a clip, a folder of clips, a session folder, a folder of sessions."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.measured_session import locate
from pipeline.sessions import check_names, find_sessions
from shared.errors import SettingsError


def lay(folder: Path, *names: str) -> Path:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")
    return folder


def test_clips_lie_in_the_folder_or_under_clips(tmp_path):
    lay(tmp_path / "s", "b.MP4", "clips/a10.mov", "clips/a9.mov", "measured/old.mp4", "._b.mp4")
    (session,) = find_sessions([tmp_path / "s"])
    assert session.name == "s"
    assert [clip.name for clip in session.clips] == ["a9.mov", "a10.mov", "b.MP4"]
    assert session.measured == tmp_path / "s" / "measured"


def test_cameras_clips_are_found_and_what_they_write_beside_them_is_not(tmp_path):
    names = ["a.MOD", "b.TOD", "c.3g2", "d.vob", "e.m2v", "f.dv", "g.asf", "h.mpe", "i.divx", "j.f4v"]
    (session,) = find_sessions([lay(tmp_path / "disc", *names, "a.MOI", "k.LRV", "k.THM", "._b.TOD")])
    assert [clip.name for clip in session.clips] == names


@pytest.mark.parametrize("point_at", ["s", "s/clips", "s/clips/a.mp4"])
def test_a_sessions_folder_clips_belongs_to_the_session(tmp_path, point_at):
    lay(tmp_path / "s", "clips/a.mp4")
    (tmp_path / "s" / "session.toml").write_text("[conditions]\ncloth = 'new'\n")
    (session,) = find_sessions([tmp_path / point_at])
    assert session.folder == tmp_path / "s"
    assert session.settings.conditions == {"cloth": "new"}


def test_a_folder_called_clips_on_its_own_is_a_session(tmp_path):
    lay(tmp_path, "clips/a.mp4")
    for path in (tmp_path / "clips", tmp_path / "clips" / "a.mp4"):
        (session,) = find_sessions([path])
        assert session.folder == tmp_path / "clips"


def test_a_folder_of_sessions_is_each_of_them(tmp_path):
    lay(tmp_path, "monday/a.mp4", "tuesday/clips/a.mp4", "empty/notes.txt")
    assert [session.name for session in find_sessions([tmp_path])] == ["monday", "tuesday"]


def test_clips_given_one_by_one_are_one_session_and_know_the_others(tmp_path):
    lay(tmp_path, "a.mp4", "b.mp4", "c.mp4")
    (session,) = find_sessions([tmp_path / "c.mp4", tmp_path / "a.mp4", tmp_path / "a.mp4"])
    assert [clip.name for clip in session.clips] == ["a.mp4", "c.mp4"]
    assert [clip.name for clip in session.present] == ["a.mp4", "b.mp4", "c.mp4"]


def test_a_clip_linked_into_a_session_belongs_to_it(tmp_path):
    lay(tmp_path / "archive", "a.mp4")
    (tmp_path / "s").mkdir()
    (tmp_path / "s" / "a.mp4").symlink_to(tmp_path / "archive" / "a.mp4")
    (session,) = find_sessions([tmp_path / "s" / "a.mp4"])
    assert session.name == "s"


def test_a_clip_linked_to_what_is_not_there_is_named(tmp_path):
    lay(tmp_path, "week/monday/a.mp4", "week/tuesday/notes.txt")
    for day in ("monday", "tuesday"):
        (tmp_path / "week" / day / "b.mp4").symlink_to("/mnt/card/b.mp4")
    monday, tuesday = find_sessions([tmp_path / "week"])
    assert [clip.name for clip in monday.clips] == ["a.mp4"]
    for session in (monday, tuesday):
        (line,) = session.problems
        assert line.startswith("b.mp4: links to /mnt/card/b.mp4, which isn't there; ")
    with pytest.raises(SettingsError, match=r"holds no clip; .*\(b\.mp4: links to /mnt/card/b\.mp4"):
        find_sessions([tmp_path / "week" / "tuesday"])


def test_folders_with_clips_beside_a_stray_clip_are_named(tmp_path):
    lay(tmp_path, "stray.mp4", "clips/b.mp4", "monday/a.mp4", "tuesday/clips/a.mp4", "notes/a.txt", "measured/a.mp4")
    (session,) = find_sessions([tmp_path])
    (line,) = session.remarks
    assert "those in its folders (monday, tuesday) are not measured" in line
    assert find_sessions([tmp_path / "stray.mp4"])[0].remarks == ()  # the only one asked for


def test_two_sessions_of_one_name_would_share_their_results(tmp_path):
    lay(tmp_path, "january/mon/a.mp4", "february/Mon/a.mp4", "february/tue/a.mp4")
    sessions = find_sessions([tmp_path / "january", tmp_path / "february"])
    with pytest.raises(SettingsError, match=r"january/mon and .*february/Mon are both called Mon, .*--out of its own"):
        check_names(sessions)
    check_names(find_sessions([tmp_path / "january" / "mon", tmp_path / "february" / "tue"]))


def test_two_clips_whose_shots_would_share_names(tmp_path):
    lay(tmp_path, "a.mov", "a.mp4")
    (session,) = find_sessions([tmp_path])
    assert [clip.name for clip in session.clips] == ["a.mov"]
    (line,) = session.problems
    assert "a.mp4: has the same name as a.mov" in line
    assert "rename one" in line
    assert session.left_out == (("a.mp4", line),)


def test_clips_of_one_name_in_two_folders_are_told_apart_and_counted_once(tmp_path):
    lay(tmp_path, "a.mov", "a.mp4", "clips/a.mp4", "clips/b.mp4")
    (session,) = find_sessions([tmp_path])
    assert [place for place, _ in session.left_out] == ["a.mp4", "clips/a.mp4"]
    assert [line.split(": ")[0] for line in session.problems] == ["a.mp4", "clips/a.mp4"]
    assert [clip.name for clip in session.present] == ["a.mov", "b.mp4"]
    (session,) = find_sessions([tmp_path / "a.mp4"])
    assert session.problems == ()
    assert [clip.name for clip in session.present] == ["a.mp4", "b.mp4"]  # the one that was asked for
    assert any("a.mov: has the same name as a.mp4" in line for line in session.remarks)


def test_clips_without_a_row_are_named_and_no_problem(tmp_path):
    lay(tmp_path, "a.mp4", "b.mp4", "c.mp4")
    assert find_sessions([tmp_path])[0].remarks == ()
    (tmp_path / "takes.csv").write_text("clip,shot,cloth\na.mp4,first,new\n")
    (session,) = find_sessions([tmp_path])
    assert session.remarks == ("takes.csv: has no row for b.mp4, c.mp4; what was meant there is not declared.",)
    assert len(session.problems) == 1  # of the shot called first
    assert find_sessions([tmp_path / "a.mp4"])[0].remarks == ()


def test_what_the_take_sheet_remarks_is_the_sessions_to_say(tmp_path):
    lay(tmp_path, "a.mp4")
    (tmp_path / "takes.csv").write_text("clip,patern\na.mp4,long\n")
    (session,) = find_sessions([tmp_path])
    assert session.remarks == ("takes.csv: column 'patern' is taken as a condition; is it 'pattern'?",)
    assert session.problems == ()


def test_a_humidity_given_as_a_share_is_remarked(tmp_path):
    lay(tmp_path, "a.mp4", "b.mp4", "c.mp4")
    (tmp_path / "takes.csv").write_text("clip,humidity_pct\na.mp4,45\nb.mp4,0.45\nc.mp4,0.45\n")
    (session,) = find_sessions([tmp_path])
    assert session.remarks == ("takes.csv row 3: humidity_pct = 0.45 is less than any room's; if it is a share, write "
                               "45.",)


def test_a_sheet_that_names_other_clips_of_the_session_is_no_problem_for_one_clip(tmp_path):
    lay(tmp_path, "a.mp4", "b.mp4")
    (tmp_path / "takes.csv").write_text("clip,cloth\na.mp4,new\nb.mp4,worn\n")
    (session,) = find_sessions([tmp_path / "a.mp4"])
    assert session.problems == ()


def test_a_session_file_is_not_a_clip(tmp_path):
    lay(tmp_path, "a.mp4", "session.toml")
    with pytest.raises(SettingsError, match="give the folder it lies in"):
        find_sessions([tmp_path / "session.toml"])


@pytest.mark.parametrize(("here", "given"), [("s", "."), ("s/measured", ".."), ("s/measured", "../a.mp4"),
                                             ("s", "measured/.."), ("s/measured", "../../s")])
def test_a_session_is_called_by_its_folder_however_that_is_pointed_at(tmp_path, monkeypatch, here, given):
    lay(tmp_path, "s/a.mp4", "s/measured/shots.csv")
    monkeypatch.chdir(tmp_path / here)
    (session,) = find_sessions([Path(given)])
    assert (session.name, session.folder) == ("s", tmp_path / "s")
    if not given.endswith(".mp4"):
        assert locate(Path(given))[0] == tmp_path / "s"


def test_a_linked_session_keeps_its_name_and_what_lies_above_a_link_is_found(tmp_path):
    lay(tmp_path, "disk/far/a.mp4", "disk/b.mp4", "disk/far/measured/shots.csv")
    (tmp_path / "here").symlink_to(tmp_path / "disk" / "far")
    assert find_sessions([tmp_path / "here"])[0].folder == tmp_path / "here"
    assert find_sessions([tmp_path / "here" / ".."])[0].name == "disk"  # as the system has it
    assert locate(tmp_path / "here")[0] == tmp_path / "here"
