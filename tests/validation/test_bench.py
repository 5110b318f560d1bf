"""The bench itself: perfect output scores zero, spoilt output scores what was spoilt."""

import json

import numpy as np
import pandas as pd
import pytest

from fixtures.synthetic import Filming, Scene, bank_shot, kick_shot, overhead_camera
from fixtures.synthetic.clip import frame_times
from fixtures.synthetic.truth import truth_record
from shared.equipment import standard_table
from tests.bench import report
from tests.bench.score import score_clip
from tests.bench.truth import ClipTruth, as_displayed, ball_frames, event_table, shot_measures
from tests.bench.variations import VARIATIONS, draw


@pytest.fixture(scope="module")
def truth(tmp_path_factory):
    """A bank's truth, without drawing it."""
    play = bank_shot(standard_table(), cut_deg=8.0, roll_ratio=0.4, side_rad_s=10.0)
    return _truth(play, tmp_path_factory.mktemp("truth"))


def _truth(play, folder):
    table, filming = standard_table(), Filming(seconds=3.0)
    scene = Scene(table=table, camera=overhead_camera(table))
    record = truth_record("bank", scene, play, filming, frame_times(filming), about="", target="foot-right")
    return ClipTruth(folder / "bank.truth.json", folder / "bank.mp4", json.loads(json.dumps(record)))


def _write(truth, folder, *, shift_mm=0.0, angle_deg=0.0, drop_kind="", strike_s=0.0):
    measures = shot_measures(truth)[0]
    row = {"shot_id": "bank-01", "clip": "bank.mp4", **measures}
    row |= {f"{k}_u": 0.05 for k, v in measures.items() if isinstance(v, float)}
    row["incoming_angle_deg"] += angle_deg
    row["start_s"] += strike_s
    pd.DataFrame([row]).to_csv(folder / "shots.csv", index=False)
    events = event_table(truth).rename(columns={"label": "ball"}).assign(shot_id="bank-01", t_s_u=0.001)
    events[events["kind"] != drop_kind].to_csv(folder / "contacts.csv", index=False)
    frames = ball_frames(truth)
    frames = frames[frames["t_s"] >= measures["start_s"]]
    tracks = pd.DataFrame({
        "clip": "bank.mp4", "shot_id": "bank-01", "frame": frames["frame"], "ball": frames["label"],
        "x_mm": frames["x_mm"] + shift_mm, "y_mm": frames["y_mm"], "x_u_mm": 0.2, "y_u_mm": 0.2, "state": "seen",
    })  # fmt: skip
    tracks.to_parquet(folder / "tracks.parquet")
    calibration = {"clips": [{"clip": "bank.mp4", "corners_px": (truth.corners_px + np.array([0.3, 0.4])).tolist()}]}
    (folder / "calibration.json").write_text(json.dumps(calibration))


def test_perfect_output_scores_zero(truth, tmp_path):
    _write(truth, tmp_path)
    score = score_clip(truth, tmp_path)
    assert score.errors["error"].abs().max() == pytest.approx(0.0, abs=1e-9)
    assert (score.missed, score.invented, score.unmatched) == (0, 0, [])
    assert score.corner_px == pytest.approx(0.5)
    assert set(score.errors["measure"]) >= {"incoming_angle_deg", "cue_roll_ratio", "ball t_s", "cushion speed_in_mps"}


def test_rows_of_one_contact_are_told_by_its_time(tmp_path):
    truth = _truth(kick_shot(standard_table(), speed_mps=4.0, direction_deg=30.0), tmp_path)
    _write(truth, tmp_path)
    errors = score_clip(truth, tmp_path).errors
    cushions = event_table(truth).query("kind == 'cushion'").set_index("t_s")
    assert len(cushions) > 1
    for column in ("angle_in_deg", "speed_in_mps"):
        rows = errors[errors["measure"] == f"cushion {column}"].set_index("event_s")
        assert rows["true"].to_dict() == cushions[column].to_dict()
    assert errors.loc[errors["measure"] == "incoming_angle_deg", "event_s"].isna().all()


def test_spoilt_output_scores_what_was_spoilt(truth, tmp_path):
    _write(truth, tmp_path, shift_mm=0.6, angle_deg=0.1)
    score = score_clip(truth, tmp_path)
    assert np.hypot(score.positions["dx_mm"], score.positions["dy_mm"]).to_numpy() == pytest.approx(0.6)
    errors = score.errors.set_index("measure")
    assert errors.loc["incoming_angle_deg", "error"] == pytest.approx(0.1)
    assert errors.loc["incoming_angle_deg", "error"] / errors.loc["incoming_angle_deg", "error_u"] == pytest.approx(2.0)
    assert "2.00" in report.measure_lines([score])


def test_a_lost_event_is_counted_as_missed(truth, tmp_path):
    _write(truth, tmp_path, drop_kind="ball")
    score = score_clip(truth, tmp_path)
    assert score.missed == 1
    assert "ball of ball cue 1" in score.unmatched[0]


def test_a_shot_at_the_wrong_time_is_missed_and_invented(truth, tmp_path):
    _write(truth, tmp_path, strike_s=1.0)
    score = score_clip(truth, tmp_path)
    assert (score.missed, score.invented) == (1, 1)


def test_nothing_measured_is_all_missed(truth, tmp_path):
    score = score_clip(truth, tmp_path)
    assert score.missed == 1
    assert np.isnan(score.corner_px)


def test_signs_of_cut_and_throw(truth):
    """The object ball leaves to the left of the cue ball's path by the cut; friction throws it back to the right."""
    measures = shot_measures(truth)[0]
    assert measures["cut_angle_deg"] == pytest.approx(8.0, abs=1e-6)
    assert abs(measures["throw_deg"]) < 4.0


def test_a_turned_picture():
    """A point at the top left of a stored picture stands at the top right once it is turned clockwise."""
    corner = np.array([[0.0, 0.0]])
    assert as_displayed(corner, 640, 480, 90).tolist() == [[479.0, 0.0]]
    assert as_displayed(corner, 640, 480, 180).tolist() == [[639.0, 479.0]]
    assert as_displayed(corner, 640, 480, 270).tolist() == [[0.0, 639.0]]


def test_every_variation_can_be_filmed(monkeypatch, tmp_path):
    """What each asks for is what scene, shot and camera take; nothing is drawn here."""
    filmed = []
    monkeypatch.setattr("tests.bench.variations.film", lambda scene, play, path, filming, **_: filmed.append(path.stem))
    for variation in VARIATIONS:
        draw(variation, tmp_path)
    assert filmed == [v.name for v in VARIATIONS]
