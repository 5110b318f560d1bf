"""Cushions and balls met so soon one after the other that hardly a frame lies between: measured rightly, or told."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import numpy as np
import pytest

from calibration.store import Calibration
from fixtures.synthetic import Filming, Scene, Surface, bank_shot, kick_shot, overhead_camera
from fixtures.synthetic.clip import frame_times
from fixtures.synthetic.truth import truth_record
from pipeline.motions import STRAINED
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings
from tests.bench.random_clips import RATES, STANDARDS, play_anywhere
from tests.bench.score import score_clip
from tests.bench.simulated import detections
from tests.bench.truth import ClipTruth

TABLE = standard_table()
UNLIKELY = 4.0


def seen_as(play, table, rng, *, frame_rate, noise_mm, shutter_s=0.002, seconds=3.6, target=None, learnt=None):
    """What is measured of a play that is seen with white noise, and the errors over their uncertainties."""
    filming = Filming(seconds=seconds, frame_rate=frame_rate, shutter_s=shutter_s)
    scene = Scene(table=table, camera=overhead_camera(table))
    record = truth_record("close", scene, play, filming, frame_times(filming), about="", target=target)
    truth = ClipTruth(Path("close.truth.json"), Path("close.mp4"), record)
    noise = noise_mm if noise_mm is not None else float(np.exp(rng.uniform(math.log(0.15), math.log(0.8))))
    found = measure_shots(
        detections(truth, rng, noise), calibration=Calibration("close.mp4", scene.camera, table, 0.0, "exact"),
        settings=SessionSettings(table=table, camera=CameraSettings(shutter_s=shutter_s)), clip="close.mp4",
        targets={None: target} if target else None, learnt=learnt,
    )
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        found.shots.to_csv(base / "shots.csv", index=False)
        found.contacts.to_csv(base / "contacts.csv", index=False)
        found.tracks.assign(clip="close.mp4").to_parquet(base / "tracks.parquet")
        errors = score_clip(truth, base).errors
    return found, errors.assign(z=errors["error"] / errors["error_u"])


def drawn(seed):
    """Any table, layout, speed, spin and frame rate."""
    rng = np.random.default_rng([78, seed])
    table = standard_table(str(rng.choice(STANDARDS)))
    rate = float(rng.choice(RATES))
    shutter = float(rng.uniform(0.1, 0.5)) / rate
    play = play_anywhere(table, rng)
    return seen_as(play, table, rng, frame_rate=rate, noise_mm=None, shutter_s=shutter)


def kinds(found):
    rows = found.contacts.fillna({"other": ""})
    return [f"{row.kind} {row.ball} {row.other}".strip() for row in rows.itertuples() if row.kind != "rest"]


@pytest.mark.parametrize("frame_rate", [30.0, 60.0])
@pytest.mark.parametrize("gap_mm", [4.0, 12.0, 30.0])
def test_a_double_kiss(gap_mm, frame_rate):
    """Straight at a cushion that lies close behind: the object ball comes back to the cue ball."""
    reach = TABLE.contact_distance_mm(TABLE.ball.radius_mm)
    share = 1 - (reach + gap_mm) / TABLE.width_mm
    play = bank_shot(TABLE, direction_deg=90.0, cut_deg=1.0, object_share=(0.35, share), speed_mps=2.0, roll_ratio=0.3)
    balls = [event for event in play.events if event["kind"] == "ball_ball"]
    assert len(balls) == 2
    found, errors = seen_as(play, TABLE, np.random.default_rng(1), frame_rate=frame_rate, noise_mm=0.3, seconds=2.6,
                            target="side-right")
    (row,) = found.shots.to_dict("records")
    assert row["miss_mm"] != row["miss_mm"]
    assert "double kiss" in row["notes"] or "no path leads towards" in row["notes"]
    assert kinds(found)[:4] == ["strike cue", "ball cue object", "cushion object left", "ball cue object"]
    assert errors["z"].abs().max() < UNLIKELY
    cue = errors[errors["measure"] == "cue_impact_speed_mps"].iloc[0]
    assert abs(cue["error"]) < 0.02 * cue["true"]


@pytest.mark.parametrize("speed_mps", [1.5, 5.0])
@pytest.mark.parametrize("gap_mm", [30.0, 100.0])
def test_a_kick_from_close_to_its_cushion(gap_mm, speed_mps):
    place = (0.3, (TABLE.contact_distance_mm(TABLE.ball.radius_mm) + gap_mm) / TABLE.width_mm)
    play = kick_shot(TABLE, direction_deg=-65.0, place_share=place, speed_mps=speed_mps)
    found, errors = seen_as(play, TABLE, np.random.default_rng(2), frame_rate=30.0, noise_mm=0.3, seconds=2.6)
    assert kinds(found)[:2] == ["strike cue", "cushion cue right"]
    assert "jaw" not in set(found.contacts["kind"])  # it bends slowly off the far cushion
    assert errors["z"].abs().max() < UNLIKELY


def test_a_cushion_met_at_its_very_end_is_part_of_the_arrival():
    """The end of the foot cushion, a few mm from the mouth of the target: the path that led there counts."""
    end_mm = TABLE.corner_mouth_mm / np.sqrt(2)
    for direction in np.linspace(52.8, 53.5, 120):
        play = bank_shot(TABLE, direction_deg=direction, speed_mps=3.2, object_share=(0.52, 0.6), until_s=4.0)
        met = [(e["cushion"], e["pos_mm"]["1"]) for e in play.events if e["kind"] == "cushion" and "1" in e["pos_mm"]]
        if len(met) > 1 and met[1][0] == "foot" and 2.0 < met[1][1][1] - end_mm < 5.0:
            break
    else:
        pytest.fail("no such bank among those tried")
    found, _ = seen_as(play, TABLE, np.random.default_rng(5), frame_rate=60.0, noise_mm=0.3, target="foot-right")
    (row,) = found.shots.to_dict("records")
    assert next(kind for kind in kinds(found) if "object foot" in kind) in ("cushion object foot", "jaw object foot")
    assert 20 < row["miss_mm"] < 60  # it came to the foot cushion, past the pocket's middle


# 42, 66, 87, 90: double kisses; 1006, 1213, 9763: near ones that were none;
# 1032, 1090: a cushion within a frame of the hit; 1105, 1152, 1158: of the strike; 1010: of another cushion;
# 1012, 1025, 1098: fits that were caught far from the best, 1098 off a cushion, by how some processors round;
# 9235: the cue ball touches the cushion that it lies at, softly, and no frame lies far off a path without that;
# 9223: it runs along a cushion for a second, two millimetres off, before it touches it; 10055: nine contacts;
# 10180: struck and at the other ball between two frames
@pytest.mark.parametrize(
    "seed", [42, 66, 87, 1006, 1010, 1012, 1025, 1032, 1090, 1098, 1105, 1152, 1158, 1213, 9201, 9223, 9235,
             9763, 10055, 10180])
def test_shots_from_anywhere(seed):
    found, errors = drawn(seed)
    assert [shot.followed.lost for shot in found.measured] == [""]
    assert errors["z"].abs().max() < UNLIKELY


@pytest.mark.parametrize("seed", [18, 43, 90, 1036, 1104, 1118, 1195])
def test_what_hardly_shows_is_right_or_told(seed):
    """Three and more contacts within two frames: wrong once, a cue ball of 100 m/s for one of 2.6."""
    found, errors = drawn(seed)
    measured = errors[~errors["measure"].str.contains(" ")]  # contacts.csv shows what was guessed
    assert measured["z"].abs().max() < UNLIKELY or measured.empty
    for row, shot in zip(found.shots.to_dict("records"), found.measured, strict=True):
        assert bool(shot.followed.lost) == ("overlooked" in row["notes"])


def test_a_cushion_that_would_answer_as_none_does_is_told():
    """The frames fit, but only with cushions that give back half as much again as they get."""
    play = bank_shot(TABLE, surface=Surface(cushion_restitution=1.55), direction_deg=65.0, cut_deg=2.0,
                     object_share=(0.45, 0.5), speed_mps=3.0, roll_ratio=0.2)
    found, _ = seen_as(play, TABLE, np.random.default_rng(2), frame_rate=60.0, noise_mm=0.3)
    (shot,) = found.measured
    assert shot.followed.motion.strains[:, 1].max() > STRAINED
    assert not shot.followed.motion.poor
    (row,) = found.shots.to_dict("records")
    assert "answer as none does" in row["notes"]
    assert row["cue_roll_ratio"] is None or row["cue_roll_ratio"] != row["cue_roll_ratio"]
