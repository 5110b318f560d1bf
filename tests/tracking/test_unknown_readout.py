"""Without a read-out time: what a usual one would change is said, and is what measuring with it does change."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from fixtures.synthetic import bank_shot
from pipeline.learning import ClothAndBalls
from pipeline.physics import Friction
from pipeline.shots import measure_shots
from pipeline.shutter import READ_OFFSET, speed_factor, usual_readout_s
from pipeline.unknown_readout import changes_by_readout, say_what_a_readout_changes
from shared.equipment import standard_table
from shared.settings import SessionSettings
from tests.shell.clips import FakeStages, write_clip
from tests.shell.test_run import Lines, run
from tests.tracking.seen import Look, detections_of, overhead

TABLE = standard_table()
SPEEDS = ("cue_speed_mps", "cue_impact_speed_mps", "object_speed_mps", "speed_at_impact_mps")
HELD = ("incoming_angle_deg", "rebound_settled_angle_deg")  # there the ball rolls, or slides straight on
ANGLES = (*HELD, "rebound_angle_deg", "cut_angle_deg", "throw_deg")
MOVED = ("rebound_angle_deg", "cue_roll_ratio")


def measure(rows):
    return measure_shots(rows, calibration=overhead(TABLE), settings=SessionSettings(table=TABLE), clip="test.mp4")


@pytest.fixture(scope="module")
def read_slowly():
    """A bank up the picture and back, its detections, and it measured as if all lines were read at once."""
    rows = detections_of(bank_shot(TABLE, cut_deg=4.0, roll_ratio=0.3, speed_mps=2.6, until_s=4.0), TABLE, 2.6,
                         Look(readout_s=0.015, noise_mm=0.1, strays=0.0))
    return rows, measure(rows.drop(columns=READ_OFFSET))


def foretold(measures, readout_s=0.015, rotation_deg=0):
    known = ClothAndBalls(Friction())
    shots = {str(shot.number): changes_by_readout(shot, overhead(TABLE), known, rotation_deg=rotation_deg,
                                                  readout_s=readout_s) for shot in measures.measured}
    return {"test.mp4": {"readout_s": readout_s, "shots": shots}}


def test_what_is_said_is_what_a_read_out_that_is_given_changes(read_slowly):
    rows, without = read_slowly
    true, wrong = measure(rows).shots.iloc[0], without.shots.iloc[0]
    said = foretold(without)["test.mp4"]["shots"]["1"]
    assert set(said) >= {*SPEEDS, "rebound_speed_mps", "restitution", "tangential_ratio", *ANGLES, "cue_roll_ratio",
                         "cue_cross_ratio"}
    for name, change in said.items():
        changed = true[name] - wrong[name]
        assert change == pytest.approx(changed, abs=0.1 * wrong[f"{name}_u"] + 0.05 * abs(changed)), name
    assert all(abs(true[name] - wrong[name]) > wrong[f"{name}_u"] for name in (*SPEEDS, *MOVED))
    noted, (line,) = say_what_a_readout_changes(without.shots, foretold(without))
    (note,) = [note for note in noted["notes"].iloc[0].split("; ") if note.startswith("readout_s not given")]
    assert "15 ms" in note
    assert all(name in note for name in (*SPEEDS, *MOVED))
    assert not any(name in note for name in HELD)
    assert f"cue_speed_mps {100 * said['cue_speed_mps'] / wrong['cue_speed_mps']:+.2g} %" in note
    turned = said["rebound_angle_deg"]
    assert f"rebound_angle_deg {turned:+.2g} deg" in note
    largest = max(abs(change / wrong[name]) for name, change in said.items() if name.endswith("_mps"))
    assert (f"up to {100 * largest:.2g} %, rebound_angle_deg up to {abs(turned):.2g} deg and times up to 7.5 ms off, "
            "in 1 of 1 shots by more than is stated") in line
    assert "table.csv" in line


def test_no_measure_and_no_uncertainty_changes_by_it(read_slowly):
    _, without = read_slowly
    noted, _ = say_what_a_readout_changes(without.shots, foretold(without))
    pd.testing.assert_frame_equal(noted.drop(columns="notes"), without.shots.drop(columns="notes"))


def test_a_shot_is_noted_only_where_its_own_uncertainty_is_exceeded(read_slowly):
    _, without = read_slowly
    noted, (line,) = say_what_a_readout_changes(without.shots, foretold(without, readout_s=1e-5))
    assert "readout_s" not in (noted["notes"].iloc[0] or "")
    assert "in no shot by more than is stated" in line


@pytest.mark.parametrize(("rotation_deg", "sign", "across"), [(0, 1, False), (180, -1, False), (90, 1, True),
                                                              (270, -1, True)])
def test_the_way_the_sensor_reads_counts(read_slowly, rotation_deg, sign, across):
    """By the speed factor, worked out from the velocity of the cue ball and the scale of the picture."""
    _, without = read_slowly
    (shot,) = without.measured
    strike = next(i for i, event in enumerate(shot.motion.events) if event.kind == "strike")
    vx, vy = shot.motion.path().after["cue", strike][1][0] / 1000
    pose = overhead(TABLE).pose
    along, lines = (-vx, pose.width_px) if across else (-vy, pose.height_px)  # y grows up the picture
    mm_per_px = (pose.centre_mm[2] - TABLE.ball.radius_mm) / pose.K[0, 0]
    true = speed_factor(speed_mps=-sign * along, mm_per_px=mm_per_px, height_px=lines, readout_s=0.015)
    said = foretold(without, rotation_deg=rotation_deg)["test.mp4"]["shots"]["1"]["cue_speed_mps"]
    assert said / shot.launch.cue_speed_mps.value == pytest.approx(true - 1, rel=0.15)


def test_a_read_out_lasts_no_longer_than_a_frame():
    assert usual_readout_s(1 / 30) == 0.015
    assert usual_readout_s(1 / 240) == pytest.approx(1 / 240)


@pytest.fixture
def folder(tmp_path, monkeypatch, read_slowly):
    """Three clips of that shot; finding and detecting are stand-ins, measuring is not asked again."""
    stages = FakeStages(monkeypatch)
    _, without = read_slowly

    def measured(*_, clip: str, **__):
        stages.measured.append((clip, None, None))
        return named(without, clip, f"{Path(clip).stem}-01")

    monkeypatch.setattr("pipeline.shots.measure_shots", measured)
    place = tmp_path / "monday"
    place.mkdir()
    for n in (1, 2, 3):
        write_clip(place / f"c{n}.mp4", seed=n)
    return place, stages


def named(measures, clip, shot_id):
    return replace(
        measures, shots=measures.shots.assign(clip=clip, shot_id=shot_id), told={},
        contacts=measures.contacts.assign(shot_id=shot_id), tracks=measures.tracks.assign(clip=clip, shot_id=shot_id),
    )


def test_a_bare_folder_of_clips_hears_it_once_and_the_package_and_the_report_keep_it(folder):
    place, _ = folder
    lines = Lines()
    result = run(place, lines)
    (said,) = [line for line in lines.lines if "readout_s" in line]
    assert said.startswith("monday: no [camera] readout_s in session.toml: ")
    assert "in 3 of 3 shots" in said
    assert result.problems == ()
    assert (place / "measured" / "datapackage.json").read_text().count("no [camera] readout_s") == 1
    assert len((place / "measured" / "log.jsonl").read_text().splitlines()) == 3  # one a clip
    assert (place / "measured" / "report.html").read_text().count("no [camera] readout_s") == 1
    assert result.shots["notes"].str.contains("readout_s not given").all()
    table = pd.read_csv(place / "measured" / "table.csv")
    uncertain = table["value_u"].notna()
    assert uncertain.any()
    assert table["note"].fillna("").str.contains("readout_s not given").tolist() == uncertain.tolist()


def test_that_it_is_negligible_ends_it_and_nothing_is_measured_anew(folder):
    place, stages = folder
    run(place)
    looked, measured = list(stages.looked), list(stages.measured)
    for given, silent in (("0", True), (None, False)):
        (place / "session.toml").write_text(f"[camera]\nreadout_s = {given}\n" if given else "")
        lines = Lines()
        result = run(place, lines)
        assert any("readout_s" in line for line in lines.lines) is not silent
        assert result.shots["notes"].fillna("").str.contains("readout_s").any() != silent
        assert ("readout_s" in (place / "measured" / "report.html").read_text()) is not silent
        assert ("readout_s" in (place / "measured" / "table.csv").read_text()) is not silent
        assert (stages.looked, stages.measured) == (looked, measured)


def test_a_read_out_longer_than_a_frame_leaves_what_is_unknown_to_be_said_of_its_clips_and_their_levels_alone(
    folder, monkeypatch
):
    """Of 30 frames/s but the third, of 15, in which it may be."""
    place, stages = folder
    monkeypatch.setattr("pipeline.clip_job.detect_balls",
                        lambda frames, *_, **__: stages.detect(frames).assign(x_px=80.0, y_px=71.5))
    write_clip(place / "c3.mp4", seed=3, rate=15)
    (place / "session.toml").write_text("[camera]\nreadout_s = 0.05\n")
    (place / "takes.csv").write_text("clip,cloth\nc1.mp4,worn\nc2.mp4,worn\nc3.mp4,new\n")
    for again in (False, True):
        lines = Lines()
        result = run(place, lines, again=again)
        (said,) = [line for line in lines.lines if "if this camera reads" in line]
        assert said.startswith("monday: [camera] readout_s in session.toml is longer than a frame of 2 clips, and not")
        assert "in 2 of 2 shots" in said
        by_clip = result.shots.set_index("clip")["notes"]
        assert by_clip.str.contains("readout_s not used: one of 15 ms would change").to_dict() == {
            "c1.mp4": True, "c2.mp4": True, "c3.mp4": False}
        assert not by_clip.str.contains("readout_s not given").any()
        table = pd.read_csv(place / "measured" / "table.csv").dropna(subset="value_u")
        assert {"cloth = worn", "cloth = new"} <= set(table["condition"].dropna())
        noted = table["note"].fillna("").str.contains("readout_s not used")
        assert noted.tolist() == (table["condition"] != "cloth = new").tolist()
