"""What people drop in by mistake: one clear line each, the right exit status, and the good clip measured as ever."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import av
import pandas as pd
import pytest

from tests.shell.clips import write_clip, write_sound

ROOT = Path(__file__).resolve().parents[2]
GOOD = ROOT / "fixtures" / "evenings" / "eveningA" / "eveningA_01.mp4"


pytestmark = pytest.mark.xdist_group("bad input")  # one run over the mixed folder, not one a worker


class Ran(NamedTuple):
    """What a call of the command left."""

    status: int
    out: str
    lines: list[str]
    folder: Path

    def naming(self, word: str) -> str:
        """The one line on stderr that names a file."""
        (line,) = [line for line in self.lines if word in line]
        return line


def reboundry(*arguments: object, cwd: Path) -> Ran:
    ran = subprocess.run([sys.executable, "-c", f"import sys; sys.path.insert(0, {str(ROOT)!r}); "
                          "from pipeline.cli import main; main(sys.argv[1:])", *map(str, arguments)],
                         capture_output=True, text=True, check=False, cwd=cwd)
    assert "Traceback" not in ran.stderr
    return Ran(ran.returncode, ran.stdout, ran.stderr.strip().splitlines(), cwd)


def cut_short(clip: Path, target: Path, share: float) -> None:
    """The first part of a clip, in a container that can be read without its end, cut in the middle of a packet."""
    whole = target.with_suffix(".whole.mkv")
    with av.open(str(clip)) as source, av.open(str(whole), "w", format="matroska") as copy:
        stream = copy.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None:
                packet.stream = stream
                copy.mux(packet)
    content = whole.read_bytes()
    whole.unlink()
    target.write_bytes(content[: int(share * len(content))])


def one_frame(clip: Path, target: Path) -> None:
    """The first frame of a clip, as a clip."""
    with av.open(str(clip)) as source, av.open(str(target), "w") as copy:
        frame = next(source.decode(video=0))
        stream = copy.add_stream("libx264", rate=60)
        stream.width, stream.height, stream.pix_fmt = frame.width, frame.height, "yuv420p"
        copy.mux(stream.encode(frame.reformat(format="yuv420p")))
        copy.mux(stream.encode())


@pytest.fixture(scope="module")
def mixed(tmp_path_factory) -> Ran:
    """One run over a folder that holds everything at once."""
    folder = tmp_path_factory.mktemp("evening")
    shutil.copy(GOOD, folder / "good.mp4")
    write_clip(folder / "floor.mp4")
    one_frame(GOOD, folder / "single.mp4")
    write_sound(folder / "voice.wav")
    write_sound(folder / "sound.mp4")
    (folder / "empty.mp4").write_bytes(b"")
    (folder / "letter.mov").write_text("Dear diary, no clip here.\n" * 40)
    (folder / "torn.mp4").write_bytes(GOOD.read_bytes()[: GOOD.stat().st_size // 2])
    cut_short(GOOD, folder / "short.mkv", 0.8)
    (folder / "notes.txt").write_text("not a clip, not our business\n")
    (folder / ".hidden.mp4").write_bytes(b"x")
    (folder / "takes.csv").write_text("clip;cloth\ngood.mp4;new\ngone.mp4;worn\nfloor.mp4;new\nfloor.mp4;new\n"
                                      "single.mp4;\nsound.mp4;\nempty.mp4;\nletter.mov;\ntorn.mp4;\nshort.mkv;\n")
    return reboundry("measure", folder, "--no-diagrams", cwd=folder)


def test_some_were_measured_and_some_not(mixed):
    assert mixed.status == 1


def test_the_good_clip_is_measured_all_the_same(mixed):
    shots = pd.read_csv(mixed.folder / "measured" / "shots.csv")
    good = shots[shots["clip"] == "good.mp4"]
    assert len(good) == 1
    assert list(good["cloth"]) == ["new"]
    assert good["incoming_angle_deg"].notna().all()


@pytest.mark.parametrize(("name", "words"), [
    ("floor.mp4: ", "table"),
    ("single.mp4: ", "film from before the strike"),
    ("voice.wav", "sound file"),
    ("sound.mp4", "no picture"),
    ("empty.mp4", "empty file"),
    ("letter.mov", "not a clip that can be read"),
    ("letter.mov, torn.mp4)", "copy it from the camera again"),
    ("short.mkv", "could be read"),
    ("gone.mp4", "takes.csv row 3"),
    ("takes.csv row 5: floor.mp4 already stands in row 4", "remove one"),
])
def test_each_gets_one_line_that_names_it(mixed, name, words):
    assert words in mixed.naming(name)


def test_files_that_are_no_clips_are_passed_over(mixed):
    assert not [line for line in mixed.lines if "notes.txt" in line or ".hidden" in line]


def test_what_could_be_decoded_of_a_clip_cut_short_is_measured_and_marked(mixed):
    shots = pd.read_csv(mixed.folder / "measured" / "shots.csv")
    short = shots[shots["clip"] == "short.mkv"]
    assert len(short) == 1
    assert "could be read" in short["notes"].iloc[0]


@pytest.mark.parametrize(("files", "arguments", "words"), [
    ({}, ["measure", "."], "holds no clip"),
    ({"a.txt": "x"}, ["measure", "."], "holds no clip"),
    ({}, ["measure", "gone.mp4"], "gone.mp4: no such file or folder"),
    ({"c.mp4": None, "session.toml": "[table]\nlenght_mm = 3\n"}, ["measure", "."], "did you mean 'length_mm'"),
    ({"c.mp4": None, "session.toml": "[tolerances]\nangel = 3\n"}, ["measure", "."], "'angel'"),
    ({"c.mp4": None, "takes.csv": "film\nc.mp4\n"}, ["measure", "."], "no column clip"),
    ({"c.mp4": None}, ["measure", "takes.csv"], "takes.csv: no such file"),
    ({"c.mp4": None, "lens.json": "{}", "session.toml": "[camera]\nlens = 'lens.json'\n"}, ["measure", "."],
     "lens.json is no lens file"),
    ({"c.mp4": None, "session.toml": "[table]\nhead = 'picture-right'\n[camera]\n"
      "corners_px = [[9, 80], [150, 80], [150, 9], [9, 9]]\n"}, ["measure", "."], "head says picture-right"),
    ({}, ["calibrate", "nope.jpg"], "nope.jpg: no such file"),
    ({}, ["calibrate", "nope.mp4"], "nope.mp4: no such file"),
    ({}, ["calibrate", "."], "a folder, not a clip"),
    ({"c.mp4": None}, ["calibrate", "c.mp4", "--corners", "0,0", "9,9", "20,20", "0,20"], "lie on one line"),
    ({"c.mp4": None}, ["calibrate", "c.mp4", "--head", "picture-top", "--corners", "9,80", "150,80", "150,9", "9,9"],
     "corners_px put the head at picture-left"),
])
def test_settings_of_no_use_end_with_two_and_one_line(tmp_path, files, arguments, words):
    for name, text in files.items():
        if text is None:
            write_clip(tmp_path / name)
        else:
            (tmp_path / name).write_text(text)
    ran = reboundry(*arguments, cwd=tmp_path)
    assert ran.status == 2
    assert ran.out == ""
    (line,) = ran.lines
    assert line.startswith("reboundry: ")
    assert words in line


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    write_clip(tmp_path / "c.mp4")
    (tmp_path / "results").write_text("a file, not a folder")
    ran = reboundry("measure", "c.mp4", "--out", "results", cwd=tmp_path)
    assert ran.status == 2
    assert "--out" in ran.naming("results")


def test_a_result_that_cannot_be_replaced_is_named(tmp_path):
    write_clip(tmp_path / "c.mp4")
    (tmp_path / "measured" / "shots.csv").mkdir(parents=True)
    ran = reboundry("measure", "c.mp4", cwd=tmp_path)
    assert ran.status == 1
    assert "check the disk and the file's permissions" in ran.naming("shots.csv")


def test_an_unknown_option_ends_with_two(tmp_path):
    assert reboundry("measure", "--fast", "x", cwd=tmp_path).status == 2
    assert reboundry("mesure", "x", cwd=tmp_path).status == 2
