"""The run over a session: what is done again, what is kept, what a bad clip costs. The stages are stand-ins."""

from __future__ import annotations

import json
import shutil
import threading
import unicodedata
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calibration.store import read_calibrations
from pipeline import clip_job, compiled_place
from pipeline.camera_watch import Remark
from pipeline.compare.conditions import read_factor
from pipeline.compiled_place import FIRST_RUN
from pipeline.corrections import Correction, keep_corrections, read_corrections
from pipeline.ctrl_c import STOPPED
from pipeline.executor import InProcess
from pipeline.measured_session import read_measured
from pipeline.paths import Seen
from pipeline.pool_read import read_session_tables
from pipeline.run import RunOptions, Silent, measure_session
from pipeline.sessions import find_sessions
from pipeline.shots import ClipMeasures
from pipeline.shutter import READ_OFFSET
from pipeline.streaks import streak_words
from pipeline.terminal import exit_status, run_sessions, show_all
from pipeline.work import Entry, Work
from shared.columns import CONTACTS, DETECTIONS, SHOTS, TRACKS
from shared.errors import CalibrationError, SettingsError
from shared.files import file_sha256
from tests.shell.clips import FakeStages, SteadyCamera, write_clip

ROOT = Path(__file__).parents[2]


class Lines(Silent):
    """Keeps what is said."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def say(self, line: str) -> None:
        self.lines.append(line)


@pytest.fixture
def stages(monkeypatch):
    return FakeStages(monkeypatch)


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "monday"
    place.mkdir()
    for n in (1, 2, 10):
        write_clip(place / f"c{n}.mp4", seed=n)
    return place


def run(path, lines=None, **options):
    (session,) = find_sessions([path] if not isinstance(path, list) else path)
    return measure_session(session, options=RunOptions(diagrams=False, **options), progress=lines or Lines(),
                           executor=InProcess())


def test_windows_of_balls_are_read_when_the_balls_are(folder, stages, monkeypatch):
    """By a camera that reads its lines one after the other."""
    def found(frames, *_, pictures, **__):
        rows = stages.detect(frames)
        pictures.keep(float(rows["t_s"].iloc[3]), (80.0, 71.5), (900.0, 300.0), 64, 56, np.zeros((32, 32), np.uint8))
        return rows.assign(x_px=80.0, y_px=71.5)

    monkeypatch.setattr("pipeline.clip_job.detect_balls", found)
    (folder / "session.toml").write_text("[camera]\nreadout_s = 0.016\n")
    run(folder)
    entry = Work(folder / "measured" / ".work").entry(folder / "c1.mp4")
    (offset,) = entry.table("pictures")[READ_OFFSET]
    assert offset == pytest.approx(0.016 * (72 / 96 - 0.5))
    assert entry.table("detections")[READ_OFFSET].tolist() == [offset] * 20


def test_a_readout_longer_than_a_frame_is_not_used_and_said(folder, stages, monkeypatch):
    """Clips of 30 frames/s; a typed 0.0340 is no mistake, only rounded."""
    monkeypatch.setattr("pipeline.clip_job.detect_balls",
                        lambda frames, *_, **__: stages.detect(frames).assign(x_px=80.0, y_px=71.5))
    entry = Work(folder / "measured" / ".work").entry(folder / "c1.mp4")
    for readout_s, used in ((0.034, True), (0.05, False)):
        (folder / "session.toml").write_text(f"[camera]\nreadout_s = {readout_s}\n")
        lines = Lines()
        run(folder, lines)
        assert (READ_OFFSET in entry.table("detections")) == used
        said = [line for line in lines.lines if "a read-out of 50 ms is longer than a frame of 33 ms: not used" in line]
        assert len(said) == (0 if used else 1)
        assert all(line.endswith("(3 clips: c1.mp4, c2.mp4, c10.mp4)") for line in said)


def test_a_shutter_longer_than_a_frame_is_not_used_and_said(folder, stages, monkeypatch):
    """Neither for the blur of balls nor by the shots' fits: it is as if none were given."""
    used = []

    def found(frames, *_, settings, **__):
        used.append(settings.shutter_s)
        return stages.detect(frames)

    monkeypatch.setattr("pipeline.clip_job.detect_balls", found)
    measure = clip_job._shots
    monkeypatch.setattr("pipeline.clip_job._shots", lambda task, prior, alone, looked: (
        used.append(clip_job._as_filmed(task, looked).camera.shutter_s), measure(task, prior, alone, looked))[1])
    for shutter_s, then in ((0.034, [0.034, 0.034]), (0.25, [0.25, None, None])):
        (folder / "session.toml").write_text(f"[camera]\nshutter_s = {shutter_s}\n")
        used.clear()
        lines = Lines()
        run(folder / "c1.mp4", lines)
        assert used[: len(then)] == then
        assert set(used[len(then) :]) <= {then[-1]}
        said = [line for line in lines.lines if "a shutter of 1/4 s is longer than a frame of 33 ms: not used" in line]
        assert len(said) == (0 if shutter_s < 0.1 else 1)


def test_a_clip_of_which_much_was_left_out_is_a_problem_and_its_other_shots_stay(folder, stages, monkeypatch):
    words = "from 1.20 s on the rails are no longer where they were: nothing after that is measured"
    monkeypatch.setattr(SteadyCamera, "remarks", lambda _: [Remark(words, 1.2, left_out=True)])
    for _ in range(2):  # the second run finds it measured
        result = run(folder)
        assert result.problems == tuple(f"{clip}: {words}" for clip in ("c1.mp4", "c2.mp4", "c10.mp4"))
        assert exit_status([result]) == 1
        assert len(result.shots) == 3
        logged = [json.loads(line) for line in (folder / "measured" / "log.jsonl").read_text().splitlines()]
        assert [(line["status"], line["problem"]) for line in logged] == 3 * [("measured", words)]


def test_what_the_camera_did_is_noted_of_the_shots_since_then(folder, stages, monkeypatch):
    remark = Remark("the camera moved from 1.60 s on; it was followed", 1.6)
    monkeypatch.setattr(SteadyCamera, "remarks", lambda _: [remark])
    stages.shots_in["c1.mp4"] = 2  # until 1.5 s and until 2.5 s
    result = run(folder)
    assert result.problems == ()
    notes = result.shots.set_index("shot_id")["notes"].fillna("")
    assert "the camera moved" not in notes["c1-01"]
    assert "the camera moved from 1.60 s on, it was followed" in notes["c1-02"]


def test_every_file_of_the_contract_is_written(folder, stages):
    (folder / "takes.csv").write_text("clip,pattern,target,cloth\nc1.mp4,long,foot-right,new\nc10.mp4,long,,worn\n")
    (folder / "session.toml").write_text("[conditions]\ntemperature_c = 20\nhumidity_pct = 50\nroom = 'hall'\n")
    result = run(folder)
    assert result.problems == ()
    out = folder / "measured"
    shots = pd.read_csv(out / "shots.csv")
    assert list(shots["shot_id"]) == ["c1-01", "c2-01", "c10-01"]  # clip 2 before clip 10
    at = list(shots.columns).index("target")
    assert list(shots.columns[at + 1 : at + 7]) == ["cloth", "temperature_c", "humidity_pct", "room", "dew_point_c",
                                                   "absolute_humidity_gm3"]
    assert [c for c in shots.columns if c in SHOTS.names] == SHOTS.names
    assert list(shots["session"].unique()) == ["monday"]
    assert list(shots["cloth"].fillna("")) == ["new", "", "worn"]
    # Magnus formula (WMO-No. 8): 20 degC at 50 % has its dew point at 9.2552 degC and holds 8.6206 g/m3
    assert shots["dew_point_c"].iloc[0] == pytest.approx(9.2552, abs=1e-3)
    assert shots["absolute_humidity_gm3"].iloc[0] == pytest.approx(8.6206, abs=1e-3)
    assert list(pd.read_csv(out / "contacts.csv").columns) == CONTACTS.names
    assert list(pd.read_parquet(out / "tracks.parquet").columns) == TRACKS.names
    assert [found.clip for found in read_calibrations(out / "calibration.json")] == ["c1.mp4", "c2.mp4", "c10.mp4"]
    log = [json.loads(line) for line in (out / "log.jsonl").read_text().splitlines()]
    assert {line["status"] for line in log} == {"measured"}
    assert not list(out.rglob("*.part"))


def test_a_clip_declared_twice_differently_is_left_blank(folder, stages):
    (folder / "takes.csv").write_text("clip,cloth,temperature_c\nc1.mp4,new,25\nc1.mp4,new,30\nc2.mp4,new,25\n")
    (folder / "session.toml").write_text("[conditions]\ntemperature_c = 20\nhumidity_pct = 50\nroom = 'hall'\n"
                                         "pattern = 'long'\ntarget = 'foot-right'\n")
    run(folder)
    shots = pd.read_csv(folder / "measured" / "shots.csv").set_index("clip")
    blank = ["pattern", "target", "cloth", "temperature_c", "humidity_pct", "room", "dew_point_c",
             "absolute_humidity_gm3"]
    assert shots.loc["c1.mp4", blank].isna().all()
    assert shots.loc["c2.mp4", blank].notna().all()
    assert "declared twice in takes.csv, differently: left blank" in shots.loc["c1.mp4", "notes"]


def test_a_shot_declared_twice_differently_leaves_the_clips_other_shots_as_declared(folder, stages):
    stages.shots_in["c1.mp4"] = 3
    (folder / "takes.csv").write_text("clip,shot,cloth,target\nc1.mp4,,worn,foot-right\nc1.mp4,1,new,\n"
                                      "c1.mp4,2,new,\nc1.mp4,2,old,side-left\n")
    (folder / "session.toml").write_text("[conditions]\nroom = 'hall'\n")
    run(folder)
    shots = pd.read_csv(folder / "measured" / "shots.csv").set_index("shot_id")
    assert shots.loc["c1-02", ["cloth", "target", "room"]].isna().all()  # not the clip's either
    assert list(shots.loc["c1-01", ["cloth", "target", "room"]]) == ["new", "foot-right", "hall"]
    assert list(shots.loc["c1-03", ["cloth", "target", "room"]]) == ["worn", "foot-right", "hall"]
    noted = shots["notes"].fillna("").str.contains("declared twice in takes.csv, differently: left blank")
    assert list(shots.index[noted]) == ["c1-02"]
    told = next(targets for clip, _, targets in stages.measured if clip == "c1.mp4")
    assert told == {None: "foot-right", 1: "foot-right", 2: ""}


def test_the_data_package_describes_every_column_of_every_table(folder, stages):
    (folder / "session.toml").write_text("[conditions]\ntemperature_c = 20\nroom = 'hall'\n")
    run(folder)
    package = json.loads((folder / "measured" / "datapackage.json").read_text())
    tables = {resource["name"]: resource for resource in package["resources"]}
    header = list(pd.read_csv(folder / "measured" / "shots.csv", nrows=0).columns)
    fields = {field["name"]: field for field in tables["shots"]["schema"]["fields"]}
    assert list(fields) == header
    assert (fields["temperature_c"]["type"], fields["temperature_c"]["unit"]) == ("number", "degC")
    assert fields["room"]["type"] == "string"
    assert fields["incoming_angle_deg"]["unit"] == "deg"


def test_the_take_sheet_and_settings_that_were_used_are_kept_by_their_hashes(folder, stages):
    """As they were when the run began: it may take hours."""
    (folder / "takes.csv").write_text("clip,cloth\nc1.mp4,new\n")
    used = file_sha256(folder / "takes.csv")
    (session,) = find_sessions([folder])
    (folder / "takes.csv").write_text("clip,cloth\nc1.mp4,worn\n")
    measure_session(session, options=RunOptions(diagrams=False), executor=InProcess())
    package = json.loads((folder / "measured" / "datapackage.json").read_text())
    assert package["settings_sha256"] == {"session.toml": "", "takes.csv": used}
    assert read_session_tables(folder).behind == (
        "takes.csv was changed after measuring; measure again, then pool.",)
    run(folder)
    assert read_session_tables(folder).behind == ()


def test_a_second_run_decodes_and_measures_nothing(folder, stages):
    assert run(folder).problems == ()
    first = (folder / "measured" / "shots.csv").read_bytes()
    stages.looked.clear()
    stages.measured.clear()
    run(folder)
    assert (stages.looked, stages.measured) == ([], [])
    assert (folder / "measured" / "shots.csv").read_bytes() == first


def test_only_the_clip_that_changed_is_decoded_again(folder, stages):
    run(folder)
    stages.looked.clear()
    write_clip(folder / "c2.mp4", seed=77)
    run(folder)
    assert stages.looked == ["c2.mp4"]


def test_a_changed_tolerance_is_judged_anew_without_decoding_or_measuring(folder, stages):
    run(folder)
    stages.looked.clear()
    stages.measured.clear()
    (folder / "session.toml").write_text("[tolerances]\nmax_residual_mm = 0.1\n")
    result = run(folder)
    assert (stages.looked, stages.measured) == ([], [])
    assert set(result.shots["verdict"]) == {"unusable"}


def test_the_speed_of_a_class_that_no_shot_has_is_a_remark(folder, stages):
    (folder / "session.toml").write_text("[tolerances]\nspeed_medum_mps = 2.2\nspeed_soft_mps = 1.3\n")
    (folder / "takes.csv").write_text("clip,speed_class\nc1.mp4,Medium\nc2.mp4,Soft\nc10.mp4,Soft\n")
    lines = Lines()
    result = run(folder, lines)
    (line,) = [line for line in lines.lines if "class" in line]
    assert line.startswith("[tolerances]: speed_medum_mps: ")
    assert line.endswith("The nearest is 'Medium'.")
    assert result.problems == ()


def test_a_pattern_that_no_file_describes_is_a_remark(folder, stages, matched):
    (folder / "session.toml").write_text('[conditions]\npattern = "crosscorner"\n')
    (folder / "takes.csv").write_text("clip,pattern\nc1.mp4,Cross Corner\nc2.mp4,other\nc10.mp4,\n")
    lines = Lines()
    assert run(folder, lines).problems == ()
    assert [line.split(":")[0] for line in lines.lines if "no file" in line] == [
        "pattern 'other'", "pattern 'crosscorner'"]
    shutil.rmtree(folder / "patterns")
    lines = Lines()
    run(folder, lines)
    assert [line for line in lines.lines if "no file" in line] == []


def test_what_is_declared_of_the_whole_session_is_that_of_each_row(folder, stages):
    """A number as a cell of takes.csv has it; and a class of it has shots."""
    (folder / "session.toml").write_text('[conditions]\nplayer = 3\nspeed_class = "medium"\nballs = 3\n'
                                         "[tolerances]\nspeed_medium_mps = 2.2\n")
    (folder / "takes.csv").write_text("clip,player\nc1.mp4,3\nc2.mp4,\nc10.mp4,\n")
    lines = Lines()
    shots = run(folder, lines).shots
    assert [line for line in lines.lines if "class" in line] == []
    assert (set(shots["player"]), set(shots["speed_class"]), set(shots["balls"])) == ({"3"}, {"medium"}, {3})


def test_a_condition_that_session_file_and_sheet_spell_differently_is_one_column_and_the_sheet_wins(folder, stages):
    (folder / "session.toml").write_text('[conditions]\ncloth = "new"\n"ball set" = "old"\n')
    (folder / "takes.csv").write_text("clip,Cloth,Ball-Set\nc1.mp4,worn,x\nc2.mp4,,y\nc10.mp4,torn,\n")
    shots = run(folder).shots.set_index("clip")
    assert shots["Cloth"].to_dict() == {"c1.mp4": "worn", "c2.mp4": "new", "c10.mp4": "torn"}
    assert shots["Ball-Set"].to_dict() == {"c1.mp4": "x", "c2.mp4": "y", "c10.mp4": "old"}
    assert not {"cloth", "ball set"} & set(shots)


def test_another_table_is_decoded_again(folder, stages):
    run(folder)
    stages.looked.clear()
    (folder / "session.toml").write_text("[table]\nstandard = 'pool-8ft'\n")
    run(folder)
    assert len(stages.looked) == 3


def test_again_does_all_again(folder, stages):
    run(folder)
    stages.looked.clear()
    run(folder, again=True)
    assert len(stages.looked) == 3


def test_each_shot_is_measured_with_the_others_friction_the_second_time(folder, stages):
    run(folder)
    first, second = stages.measured[:3], stages.measured[3:]
    assert [learnt for _, learnt, _ in first] == [None] * 3
    assert len(second) == 3
    for _, learnt, _ in second:  # from the two others, which each say 0.2 with 0.01
        assert learnt[1].friction.sliding == pytest.approx(0.2, rel=0.02)
        assert learnt[1].friction.sliding_u == pytest.approx(0.01 / 2**0.5, rel=0.05)


def test_shots_of_one_clip_learn_from_each_other(folder, stages):
    for clip in ("c2.mp4", "c10.mp4"):
        (folder / clip).unlink()
    stages.shots_in["c1.mp4"] = 3
    run(folder)
    (_, alone, _), (_, learnt, _) = stages.measured
    assert alone is None
    for shot in (1, 2, 3):
        assert learnt[shot].friction.sliding_u == pytest.approx(0.01 / 2**0.5, rel=0.05)


def test_friction_fixed_in_the_session_file_stays_fixed(folder, stages):
    (folder / "session.toml").write_text("[friction]\nsliding = 0.25\n")
    run(folder)
    for _, learnt, _ in stages.measured[3:]:
        assert learnt[1].friction.sliding == pytest.approx(0.25, abs=1e-3)
    table = pd.read_csv(folder / "measured" / "table.csv").set_index("quantity")
    assert table.loc["sliding_friction", "value"] == 0.25
    assert pd.isna(table.loc["sliding_friction", "value_u"])
    assert table.loc["rolling_resistance", "value_u"] > 0


def test_the_declared_target_reaches_the_measuring(folder, stages):
    (folder / "takes.csv").write_text("clip,shot,target\nc1.mp4,,foot-right\nc1.mp4,2,side-left\n")
    run(folder)
    told = next(targets for clip, _, targets in stages.measured if clip == "c1.mp4")
    assert told == {None: "foot-right", 2: "side-left"}


def test_a_target_of_the_whole_session_reaches_the_measuring(folder, stages):
    (folder / "session.toml").write_text("[conditions]\ntarget = 'Foot Right'\n")
    (folder / "takes.csv").write_text("clip,target\nc2.mp4,side-left\n")
    shots = run(folder).shots.set_index("clip")
    told = {clip: targets for clip, _, targets in stages.measured}
    assert told == {"c1.mp4": {None: "foot-right"}, "c2.mp4": {None: "side-left"}, "c10.mp4": {None: "foot-right"}}
    assert shots["target"].to_dict() == {"c1.mp4": "foot-right", "c2.mp4": "side-left", "c10.mp4": "foot-right"}


@pytest.fixture
def matched(folder, monkeypatch):
    """Every shot's balls lie as a pattern has them whose target is foot-right."""
    (folder / "patterns").mkdir()
    shutil.copy(ROOT / "pipeline" / "pattern_examples" / "cross-corner.toml", folder / "patterns")
    monkeypatch.setattr("pipeline.run.matched_targets", lambda *_: {1: "foot-right"})


def test_targets_that_patterns_gave_are_no_reason_to_measure_again(folder, stages, matched):
    run(folder)
    assert [targets for _, _, targets in stages.measured] == [{}] * 3 + [{1: "foot-right"}] * 3
    stages.measured.clear()
    run(folder)
    assert stages.measured == []


def test_a_pattern_tells_the_target_of_a_shot_that_is_declared_twice_differently(folder, stages, matched):
    (folder / "takes.csv").write_text("clip,shot,target\nc1.mp4,1,side-left\nc1.mp4,1,side-right\n")
    run(folder)
    told = [targets for clip, _, targets in stages.measured if clip == "c1.mp4"]
    assert told == [{1: ""}, {1: "foot-right"}]  # as of a clip that is


def test_another_target_makes_the_clips_tables_anew_and_no_fit_of_the_others(folder, stages):
    run(folder)
    stages.measured.clear()
    (folder / "takes.csv").write_text("clip,target\nc2.mp4,side-left\n")
    run(folder)
    ((clip, learnt, targets),) = stages.measured
    assert (clip, targets) == ("c2.mp4", {None: "side-left"})
    assert learnt is not None  # what it says by itself is kept


def test_a_row_for_a_shot_that_is_not_there_is_named(folder, stages):
    (folder / "takes.csv").write_text("clip,shot,cloth\nc1.mp4,1,new\nc1.mp4,7,worn\n")
    result = run(folder)
    assert result.problems == ("monday: takes.csv row 3: c1.mp4 has no shot 7 (found: 1); correct the number or remove "
                               "the row.",)


def test_a_clip_without_a_table_is_named_and_the_others_are_measured(folder, stages):
    stages.fault["c2.mp4"] = CalibrationError("no table was found in the picture.")
    lines = Lines()
    result = run(folder, lines)
    assert result.problems == ("c2.mp4: no table was found in the picture.",)
    assert lines.lines == ["c2.mp4: no table was found in the picture."]
    assert list(result.shots["clip"]) == ["c1.mp4", "c10.mp4"]


def test_a_copy_of_a_clip_is_named(folder, stages):
    (folder / "c3.mp4").write_bytes((folder / "c1.mp4").read_bytes())
    lines = Lines()
    result = run(folder, lines)
    assert lines.lines == ["c3.mp4: is the same recording as c1.mp4, so its shots stand twice; take one of them out."]
    assert result.problems == ()
    assert len(result.shots) == 4


def test_a_fault_of_ours_in_one_clip_is_one_line_and_its_traceback_goes_to_the_log(folder, stages):
    stages.fault["c2.mp4"] = KeyError("x")
    result = run(folder)
    (line,) = result.problems
    assert line.startswith("c2.mp4: could not be measured, through a fault of the program (KeyError")
    assert "\n" not in line
    log = {entry["clip"]: entry for entry in map(json.loads, (folder / "measured/log.jsonl").read_text().splitlines())}
    assert "Traceback" in log["c2.mp4"]["details"]
    assert len(result.shots) == 2


def test_a_clip_in_which_nothing_was_struck_is_named(folder, stages):
    stages.shots_in["c1.mp4"] = 0
    result = run(folder)
    (line,) = result.problems
    assert "c1.mp4: no shot was found" in line
    assert "film from before the strike" in line
    again = run(folder)
    assert again.problems == result.problems  # remembered, not forgotten


def test_a_clip_whose_balls_smear_too_far_is_told_to_be_filmed_with_a_shorter_shutter(folder, stages, monkeypatch):
    words = streak_words([Seen("a", np.arange(3) / 30, np.array([[0.0, 0], [100, 0], [200, 0]]), np.zeros((3, 2, 2)),
                               np.zeros((3, 2, 0)))], 1 / 33, 28.6)
    monkeypatch.setattr("pipeline.shots.measure_shots", lambda *_, **__: ClipMeasures(
        SHOTS.empty(), CONTACTS.empty(), TRACKS.empty(), notes=(words,)))
    (line,) = run(folder / "c1.mp4").problems
    assert line == ("c1.mp4: no shot was found (balls smear over 91 mm, more than their width, in a shutter of about "
                    "1/33 s, and can't be followed); film with a shorter shutter, and more light.")


def test_a_shot_of_which_nothing_could_be_measured_is_named_with_its_reason_in_every_run(folder, stages):
    stages.lost["c2.mp4"] = "a ball was overlooked"
    lines = Lines()
    result = run(folder, lines)
    told = ("c2-01: nothing could be measured of this shot: a ball was overlooked.",)
    assert result.problems == told
    assert tuple(lines.lines) == told
    assert exit_status([result]) == 1
    assert list(result.shots["reasons"].fillna(""))[1] == "the shot could not be followed: a ball was overlooked"
    assert run(folder).problems == told


@pytest.mark.parametrize(("name", "looked"), [
    ("shots.parquet", []), ("tracks.parquet", []), ("contacts.parquet", []), ("calibration.json", ["c2.mp4"]),
])
@pytest.mark.parametrize("content", [b"PAR1 half of it", None])
def test_what_is_damaged_or_gone_of_what_was_kept_is_made_again(folder, stages, name, looked, content):
    run(folder)
    files = [folder / "measured" / file for file in ("shots.csv", "contacts.csv", "calibration.json")]
    before = [file.read_bytes() for file in files]
    stages.looked.clear()
    (folder / "measured" / ".work" / "c2.mp4" / name).unlink()
    if content is not None:
        (folder / "measured" / ".work" / "c2.mp4" / name).write_bytes(content)
    assert run(folder).problems == ()
    assert stages.looked == looked
    assert [file.read_bytes() for file in files] == before
    stages.looked.clear()
    stages.measured.clear()
    run(folder)
    assert (stages.looked, stages.measured) == ([], [])


@pytest.mark.parametrize("name", ["detections.parquet", "pictures.parquet"])
def test_what_was_seen_in_a_clip_is_looked_for_again_where_it_is_gone(folder, stages, name):
    run(folder)
    stages.looked.clear()
    (folder / "measured" / ".work" / "c2.mp4" / name).unlink()
    (folder / "session.toml").write_text("[friction]\nsliding = 0.25\n")
    result = run(folder)
    assert result.problems == ()
    assert len(result.shots) == 3
    assert stages.looked == ["c2.mp4"]


def test_a_clip_in_which_nothing_was_struck_keeps_its_calibration(folder, stages):
    stages.shots_in["c2.mp4"] = 0
    for _ in range(2):
        run(folder)
        found = read_calibrations(folder / "measured" / "calibration.json")
        assert [calibration.clip for calibration in found] == ["c1.mp4", "c2.mp4", "c10.mp4"]


def test_settings_of_no_use_in_any_session_are_told_before_one_is_measured(folder, stages, tmp_path):
    (tmp_path / "tuesday").mkdir()
    write_clip(tmp_path / "tuesday" / "c.mp4")
    (tmp_path / "tuesday" / "session.toml").write_text("[tolerances]\nangel = 3\n")
    with pytest.raises(SettingsError, match=r"tuesday/session\.toml: \[tolerances\]: 'angel'"):
        run_sessions(find_sessions([tmp_path]), RunOptions(diagrams=False), executor=InProcess())
    assert stages.looked == []


def test_a_session_all_of_whose_clips_are_gone_says_so(tmp_path):
    for day in ("monday", "tuesday"):
        (tmp_path / day).mkdir()
        (tmp_path / day / "b.mp4").symlink_to("/mnt/card/b.mp4")
    results = run_sessions(find_sessions([tmp_path]), RunOptions(), executor=InProcess())
    assert exit_status(results) == 1
    assert [len(result.shots) for result in results] == [0, 0]


def test_sessions_of_one_name_are_not_measured_into_one_folder(stages, tmp_path):
    for month in ("january", "february"):
        (tmp_path / month / "mon").mkdir(parents=True)
        write_clip(tmp_path / month / "mon" / "c.mp4")
    sessions = find_sessions([tmp_path / "january", tmp_path / "february"])
    with pytest.raises(SettingsError, match="both called mon"):
        run_sessions(sessions, RunOptions(out=tmp_path / "both", diagrams=False), executor=InProcess())
    assert stages.looked == []
    results = run_sessions(sessions, RunOptions(diagrams=False), executor=InProcess())
    assert [len(result.shots) for result in results] == [1, 1]


def test_one_clip_measured_later_keeps_the_others_in_the_tables(folder, stages):
    run(folder)
    stages.looked.clear()
    result = run(folder / "c2.mp4", again=True)
    assert stages.looked == ["c2.mp4"]
    assert list(result.shots["shot_id"]) == ["c1-01", "c2-01", "c10-01"]


def test_one_clip_measured_later_says_what_becomes_of_the_others(folder, stages):
    """They are done where the chosen one is done, and none of them goes without a word."""
    run(folder)
    stages.fault["c10.mp4"] = CalibrationError("no table was found in the picture.")
    (folder / "session.toml").write_text("[camera]\nreadout_s = 0.001\n")
    handed: list[str] = []

    class Watched(InProcess):
        def run(self, work, tasks):
            handed.extend(task.clip.name for task in tasks)
            yield from super().run(work, tasks)

    (session,) = find_sessions([folder / "c2.mp4"])
    lines = Lines()
    result = measure_session(session, options=RunOptions(diagrams=False), progress=lines, executor=Watched())
    told = "c10.mp4: no table was found in the picture."
    assert (result.problems, lines.lines) == ((told,), [told])
    assert handed[:3] == ["c2.mp4", "c1.mp4", "c10.mp4"]
    assert list(result.shots["shot_id"]) == ["c1-01", "c2-01"]
    assert log_of(folder) == {"c2.mp4": "measured", "c1.mp4": "measured", "c10.mp4": "failed"}
    write_clip(folder / "c1.mp4", seed=77)
    run(folder / "c2.mp4", lines)
    assert lines.lines[1:] == ["c1.mp4: has changed since it was measured, so its shots are left out; measure it "
                               "again."]


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="wants a file that can't be read")
@pytest.mark.parametrize("stopped", [False, True])
def test_another_clip_that_cannot_be_read_is_named_and_the_rest_goes_on(folder, stages, stopped):
    run(folder)
    (folder / "c1.mp4").unlink()
    (folder / "c1.mp4").symlink_to("/proc/self/mem")
    result = stop(folder / "c2.mp4", 0) if stopped else run(folder / "c2.mp4")
    (line,) = result.problems
    assert line.startswith("c1.mp4: is left out of the tables: ")
    assert list(result.shots["shot_id"]) == ["c2-01", "c10-01"]


class Elsewhere:
    """Workers for whom the folder of results is another one, which each is given as ``folder``."""

    def __init__(self, folder) -> None:
        self.folder = folder

    def run(self, work, tasks):
        theirs = [replace(task, entry=Entry(self.folder / task.clip.name)) for task in tasks]
        yield from InProcess().run(work, theirs)


@pytest.mark.parametrize("again", [False, True])
def test_what_workers_kept_in_a_folder_that_is_not_shared_is_named_and_never_taken_for_new(
    folder, stages, matched, tmp_path, monkeypatch, again,
):
    """Where nothing lies here, and where there is what was measured with another friction."""
    monkeypatch.setattr("pipeline.run._ARRIVES_WITHIN_S", 0.0)
    stages.shots_in["c10.mp4"] = 0
    if again:
        run(folder)
        (folder / "session.toml").write_text("[friction]\nsliding = 0.25\n")
    (session,) = find_sessions([folder])
    result = measure_session(session, executor=Elsewhere(tmp_path / "theirs"))
    named = [line for line in result.problems if "did not arrive" in line]
    assert [line.split(":")[0] for line in named] == ["c1.mp4", "c2.mp4", "c10.mp4"]
    assert named[0] == (f"c1.mp4: what the worker measured did not arrive in {folder}/measured/.work; is this folder "
                        "shared with the workers?")
    assert len(result.problems) == len(named) + 1  # in one of them nothing was struck
    assert len(result.shots) == 0
    assert set(log_of(folder).values()) == {"failed"}
    assert exit_status([result]) == 1


def test_what_workers_kept_may_be_seen_here_late(folder, stages, tmp_path, monkeypatch):
    theirs, ours = tmp_path / "theirs", folder / "measured" / ".work"

    class Late(Elsewhere):
        def run(self, work, tasks):
            yield from super().run(work, tasks)
            threading.Timer(0.2, lambda: shutil.copytree(theirs, ours, dirs_exist_ok=True)).start()

    (session,) = find_sessions([folder])
    result = measure_session(session, options=RunOptions(diagrams=False), executor=Late(theirs))
    assert result.problems == ()
    assert len(result.shots) == 3


def test_decisions_of_people_survive_measuring_again(folder, stages):
    from pipeline.review_file import Review, append_reviews, now

    result = run(folder)
    row = result.shots.iloc[1]
    append_reviews(folder / "measured", Review(decided_at=now(), shot_id=row["shot_id"], clip=row["clip"],
                                              start_s=float(row["start_s"]), reviewer="kim", decision="reject"))
    result = run(folder, again=True)
    assert list(result.shots["review"].fillna("")) == ["", "reject", ""]
    assert result.shots["counted"].iloc[1] == False  # noqa: E712  a pandas boolean


def test_ctrl_c_keeps_what_is_done_and_the_next_run_goes_on(folder, stages):
    class Interrupted(InProcess):
        def run(self, work, tasks):
            for index, result in super().run(work, tasks):
                yield index, result
                if index == 1:
                    raise KeyboardInterrupt

    (session,) = find_sessions([folder])
    result = measure_session(session, options=RunOptions(diagrams=False), executor=Interrupted())
    assert result.stopped
    assert list(pd.read_csv(folder / "measured" / "shots.csv")["shot_id"]) == ["c1-01", "c2-01"]
    (note,) = read_session_tables(folder).notes
    assert note == "monday: its last run was stopped, so clips are missing (1, c10.mp4 among them); measure it again."
    stages.looked.clear()
    assert not run(folder).stopped
    assert stages.looked == ["c10.mp4"]


class Stopped(InProcess):
    """Ctrl-C once so many clips are done."""

    def __init__(self, after: int) -> None:
        super().__init__()
        self.after = after

    def run(self, work, tasks):
        if not self.after:
            raise KeyboardInterrupt
        for index, result in super().run(work, tasks):
            yield index, result
            if index + 1 == self.after:
                raise KeyboardInterrupt


def stop(path, after, **options):
    (session,) = find_sessions([path])
    result = measure_session(session, options=RunOptions(diagrams=False, **options), executor=Stopped(after))
    assert result.stopped
    return result


def log_of(folder):
    lines = (folder / "measured" / "log.jsonl").read_text().splitlines()
    return {line["clip"]: line["status"] for line in map(json.loads, lines)}


@pytest.mark.parametrize(("what", "after"), [("", 0), ("", 1), ("c2.mp4", 0)])
def test_ctrl_c_while_measuring_again_keeps_the_rows_of_clips_not_yet_redone(folder, stages, what, after):
    before = run(folder).shots
    result = stop(folder / what, after, again=True)
    kept = pd.read_csv(folder / "measured" / "shots.csv")
    assert list(kept["shot_id"]) == list(before["shot_id"]) == list(result.shots["shot_id"])
    assert len(pd.read_parquet(folder / "measured" / "tracks.parquet")) == 9
    assert log_of(folder) == dict.fromkeys(["c1.mp4", "c2.mp4", "c10.mp4"], "measured")
    stages.measured.clear()
    assert len(run(folder, again=True).shots) == 3
    assert len(stages.measured) == 6  # all of them really measured again, each alone and then together


def test_a_clip_stopped_while_it_is_looked_at_again_keeps_its_rows(folder, stages):
    run(folder)
    stages.fault["c2.mp4"] = KeyboardInterrupt()
    (session,) = find_sessions([folder])
    result = measure_session(session, options=RunOptions(diagrams=False, again=True), executor=InProcess())
    assert result.stopped
    assert list(result.shots["shot_id"]) == ["c1-01", "c2-01", "c10-01"]


def test_a_clip_measured_together_just_before_ctrl_c_keeps_its_rows(folder, stages):
    """Its tables are whole; only nobody has heard of it."""
    class Unheard(InProcess):
        def run(self, work, tasks):
            for index, result in super().run(work, tasks):
                if tasks[index].learnt is not None:
                    raise KeyboardInterrupt
                yield index, result

    (session,) = find_sessions([folder])
    result = measure_session(session, options=RunOptions(diagrams=False), executor=Unheard())
    assert result.stopped
    assert (folder / "measured" / ".work" / "c1.mp4" / "together.json").is_file()
    assert list(result.shots["shot_id"]) == ["c1-01", "c2-01", "c10-01"]


RESULTS = ("shots.csv", "contacts.csv", "table.csv", "tracks.parquet", "calibration.json", "datapackage.json")
LEFT = ("monday: stopped before all clips were measured anew, so the results are still those of the run before; run it "
        "again to the end.")


def check_left(folder, result, files):
    """The results of the run before lie there, and everything that tells of them says so."""
    assert (result.earlier, result.problems) == (True, (LEFT,))
    assert {name: (folder / "measured" / name).read_bytes() for name in RESULTS} == files
    assert list(result.shots["shot_id"]) == ["c1-01", "c2-01", "c10-01"]
    assert read_session_tables(folder).notes == (
        "monday: its last run was stopped, so its results are those of the run before; measure it again.",)


@pytest.fixture
def files(folder, stages):
    """The results of a run, by name."""
    run(folder)
    return {name: (folder / "measured" / name).read_bytes() for name in RESULTS}


@pytest.mark.parametrize("after", [0, 1])
@pytest.mark.parametrize("change", [
    {"session.toml": "[table]\nstandard = 'pool-8ft'\n"},
    {"takes.csv": "clip,target\nc2.mp4,side-left\nc10.mp4,foot-left\n"},
    {"c2.mp4": b"another", "c10.mp4": b"too"},
])
def test_ctrl_c_leaves_the_results_of_the_run_before_where_they_no_longer_hold(folder, files, change, after, capsys):
    """They hold together; with what is measured anew alone, shots would be lost."""
    for name, content in change.items():
        (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    result = stop(folder, after)
    check_left(folder, result, files)
    show_all([result], ["there"])
    assert capsys.readouterr().out == "3 shots (3 unusable) of the run before; 1 problem named above.\nFiles: there/\n"
    assert exit_status([result]) == STOPPED
    assert "stopped" not in " ".join(read_session_tables(run(folder).folder).notes)


def test_a_clip_whose_target_changed_is_not_lost_at_ctrl_c_before_its_tables_are_made(folder, stages, files):
    (folder / "takes.csv").write_text("clip,target\nc2.mp4,side-left\n")
    check_left(folder, stop(folder, 3), files)
    stages.looked.clear()
    assert list(run(folder).shots["target"].fillna("")) == ["", "side-left", ""]
    assert stages.looked == []


def test_a_stop_while_the_last_clip_is_looked_at_anew_loses_nothing_nor_does_the_next(folder, stages, files):
    """What was kept of that clip is gone by then."""
    (folder / "session.toml").write_text("[table]\nstandard = 'pool-8ft'\n")
    stages.fault["c10.mp4"] = KeyboardInterrupt()
    for _ in range(2):
        check_left(folder, run(folder), files)
    assert stages.looked == ["c1.mp4", "c2.mp4", "c10.mp4"] * 2 + ["c10.mp4"]  # the others' are kept


def test_the_files_never_hold_less_while_clips_are_measured_again(folder, stages, monkeypatch):
    monkeypatch.setattr("pipeline.run._WRITE_EVERY_S", 0.0)
    rows = []

    class Watched(InProcess):
        def run(self, work, tasks):
            for index, result in super().run(work, tasks):
                yield index, result
                file = folder / "measured" / "shots.csv"
                rows.append(len(pd.read_csv(file)) if file.is_file() else 0)

    (session,) = find_sessions([folder])
    for again in (False, True):
        measure_session(session, options=RunOptions(diagrams=False, again=again), executor=Watched())
    assert rows[0] == 1  # a first run's files grow
    assert set(rows[6:]) == {3}


def test_results_can_go_elsewhere(folder, stages, tmp_path):
    run(folder, out=tmp_path / "there")
    assert (tmp_path / "there" / "shots.csv").is_file()
    assert not (folder / "measured").exists()


def test_a_tolerance_that_does_not_exist_is_refused_before_anything_is_decoded(folder, stages):
    (folder / "session.toml").write_text("[tolerances]\nangle = 3\n")
    with pytest.raises(SettingsError, match="angle"):
        run(folder)
    assert stages.looked == []


def test_humidity_of_no_use_is_one_line_and_an_empty_cell(folder, stages):
    (folder / "takes.csv").write_text("clip,temperature_c,humidity_pct\nc1.mp4,20,500\nc2.mp4,20,50\n")
    result = run(folder)
    (line,) = result.problems
    assert "500" in line
    assert list(result.shots["dew_point_c"].notna()) == [False, True, False]


def test_one_bad_temperature_costs_its_own_shot_alone(folder, stages):
    (folder / "session.toml").write_text("[conditions]\ntemperature_c = 25\n")
    (folder / "takes.csv").write_text("clip,temperature_c,humidity_pct\nc1.mp4,n/a,45\nc2.mp4,22,45\n")
    result = run(folder)
    (line,) = result.problems
    assert "takes.csv row 2: temperature_c = 'n/a'" in line
    shots = pd.read_csv(folder / "measured" / "shots.csv")
    assert shots["temperature_c"].fillna(-1).tolist() == [-1, 22, 25]  # n/a is not the session's 25
    # Magnus formula (WMO-No. 8): 22 degC at 45 %: ln 0.45 + 17.62 22 / 265.12 = 0.66362, so 9.515 degC
    assert shots["dew_point_c"].round(3).fillna(-99).tolist() == [-99, 9.515, -99]
    package = json.loads((folder / "measured" / "datapackage.json").read_text())
    types = {field["name"]: field["type"] for field in package["resources"][0]["schema"]["fields"]}
    assert types["temperature_c"] == "number"


def test_a_condition_with_leading_zeros_is_kept_as_declared_wherever_it_is_read(folder, stages):
    (folder / "takes.csv").write_text("clip,chalk\nc1.mp4,007\nc2.mp4,7\n")
    run(folder)
    assert read_measured(folder).shots["chalk"].fillna("").tolist() == ["007", "7", ""]
    pooled = read_session_tables(folder).shots
    assert pooled["chalk"].fillna("").tolist() == ["007", "7", ""]
    factor, _ = read_factor(pooled, "chalk")
    assert factor.levels == ("007", "7")


def test_clips_left_out_stand_in_the_log(folder, stages):
    (folder / "clips").mkdir()
    (folder / "clips" / "c1.mp4").write_bytes((folder / "c2.mp4").read_bytes())
    result = run(folder)
    log = [json.loads(line) for line in (folder / "measured/log.jsonl").read_text().splitlines()]
    assert [(line["clip"], line["status"]) for line in log if line["status"] != "measured"] == [
        ("clips/c1.mp4", "left out")]
    assert log[-1]["problem"] in result.problems
    assert list(result.shots["shot_id"]) == ["c1-01", "c2-01", "c10-01"]  # none of them twice


def test_a_clip_without_a_row_is_said_once_and_the_exit_status_is_0(folder, stages):
    (folder / "takes.csv").write_text("clip,chalk\nc1.mp4,007\nc10.mp4,7\n")
    lines = Lines()
    assert exit_status([run(folder, lines)]) == 0
    assert [line for line in lines.lines if "c2.mp4" in line] == [
        "takes.csv: has no row for c2.mp4; what was meant there is not declared."]


def test_corners_corrected_by_hand_are_found_however_letters_are_composed(folder, stages):
    composed, apart = (unicodedata.normalize(form, "é.mp4") for form in ("NFC", "NFD"))
    corners = ((0.0, 500.0), (900.0, 500.0), (900.0, 50.0), (0.0, 50.0))
    keep_corrections(folder, corners, {apart: ""})
    assert read_corrections(folder) == {composed: Correction(corners)}
    keep_corrections(folder, None, {composed: ""})
    assert read_corrections(folder) == {}


def test_corners_corrected_for_another_recording_of_the_name_are_not_used_and_that_is_said(folder, stages, monkeypatch):
    given = {}

    def calibrate(still, clip, settings):
        given.setdefault(clip, []).append(settings.camera.corners_px)
        return stages.calibrate(still, clip, settings)

    monkeypatch.setattr("pipeline.clip_job.calibrate_clip", calibrate)
    corners = ((0.0, 500.0), (900.0, 500.0), (900.0, 50.0), (0.0, 50.0))
    out = folder / "measured"
    keep_corrections(out, corners, {"c1.mp4": file_sha256(folder / "c1.mp4"), "c2.mp4": "0" * 64, "c10.mp4": ""})
    lines = Lines()
    result = run(folder, lines)
    assert given == {"c1.mp4": [corners], "c2.mp4": [None], "c10.mp4": [corners]}
    said = [line for line in lines.lines if "corrected for another recording" in line]
    assert [line.partition(":")[0] for line in said] == ["c2.mp4"]
    assert result.problems == ()
    kept = json.loads((out / "corners.json").read_text())
    del kept["recordings"]  # as an earlier version wrote it
    (out / "corners.json").write_text(json.dumps(kept))
    run(folder)
    assert given["c2.mp4"] == [None, corners]


def test_diagrams_are_drawn_once(folder, stages):
    (session,) = find_sessions([folder])
    result = measure_session(session, options=RunOptions(), executor=InProcess())
    assert result.problems == ()
    picture = folder / "measured" / "pictures" / "c1-01.png"
    assert picture.read_bytes().startswith(b"\x89PNG")
    before = picture.stat().st_mtime_ns
    measure_session(session, options=RunOptions(), executor=InProcess())
    assert picture.stat().st_mtime_ns == before


def test_pictures_of_shots_that_are_no_more_are_removed_and_nothing_else(folder, stages):
    stages.shots_in["c1.mp4"] = 2
    run(folder)
    pictures = folder / "measured" / "pictures"
    pictures.mkdir()
    mine = ["c1.png", "notes-01.png", "c2-01.jpg", "c1-mine.png", "c2-1.png"]
    for name in ("c1-02.png", "c2-01.png", "c2-11.png", *mine):
        (pictures / name).touch()
    (folder / "c2.mp4").unlink()
    write_clip(folder / "c1.mp4", seed=5)
    stages.shots_in["c1.mp4"] = 1
    run(folder)
    assert {file.name for file in pictures.iterdir()} == {*mine}


def test_a_diagram_of_an_earlier_measuring_is_neither_kept_nor_shown(folder, stages, monkeypatch):
    (session,) = find_sessions([folder])
    pictures, page = folder / "measured" / "pictures", folder / "measured" / "report.html"
    measure_session(session, options=RunOptions(), executor=InProcess())
    assert page.read_text().count("data:image/png;base64,") == 3
    write_clip(folder / "c1.mp4", seed=5)
    run(folder)
    assert {file.name for file in pictures.iterdir()} == {"c2-01.png", "c10-01.png"}
    assert page.read_text().count("data:image/png;base64,") == 2
    assert page.read_text().count("No diagram was drawn of this shot.") == 1
    write_clip(folder / "c2.mp4", seed=6)
    monkeypatch.setattr("pipeline.run.remove_old", lambda *_: None)  # and where it can't be removed, it is not shown
    run(folder)
    assert (pictures / "c2-01.png").exists()
    assert page.read_text().count("data:image/png;base64,") == 1


def test_a_first_run_says_that_it_compiles(folder, stages, tmp_path, monkeypatch):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "cache"))
    first, second = Lines(), Lines()
    run(folder, first)
    compiled_place.mark_complete()  # what the measuring does when it has compiled all
    run(folder, second)
    assert first.lines.count(FIRST_RUN) == 1
    assert FIRST_RUN not in second.lines


def test_what_a_library_warns_of_goes_to_the_log(folder, stages, monkeypatch, recwarn):
    def measure(*arguments, **named):
        warnings.warn("divide by zero", RuntimeWarning, stacklevel=1)
        return stages.measure(*arguments, **named)

    monkeypatch.setattr("pipeline.shots.measure_shots", measure)
    assert not run(folder).problems
    assert not [one for one in recwarn if "divide by zero" in str(one.message)]
    log = [json.loads(line) for line in (folder / "measured/log.jsonl").read_text().splitlines()]
    assert any("RuntimeWarning: divide by zero" in entry["details"] for entry in log)


def test_balls_out_of_sight_for_a_while_point_to_the_light(folder, stages, monkeypatch):
    def detect(frames, *_, **__):
        rows = [(frame.index, frame.index / 30.0) for frame in frames if not 5 <= frame.index < 12]
        return DETECTIONS.conform(pd.DataFrame(rows, columns=["frame", "t_s"]))

    stages.shots_in["c1.mp4"] = 0
    monkeypatch.setattr("pipeline.clip_job.detect_balls", detect)
    (line,) = run(folder).problems
    assert "c1.mp4: no shot was found" in line
    assert "in 7 of 20 frames" in line
    assert "a shadow" in line
    assert "film from before the strike" not in line
