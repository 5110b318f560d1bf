"""Fits that could end where the cost is low, but not lowest, or could be surer of a slip than the frames are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calibration.store import Calibration
from fixtures.synthetic import Filming, Scene, kick_shot, overhead_camera
from fixtures.synthetic.clip import frame_times
from fixtures.synthetic.truth import truth_record
from pipeline.descent import descend
from pipeline.first_guess import first_guess
from pipeline.knowledge import Knowledge
from pipeline.motion_problem import MotionProblem
from pipeline.paths import Layout, MotionEvent, Seen
from pipeline.physics import Friction
from pipeline.shots import measure_shots
from shared.columns import DETECTIONS
from shared.equipment import standard_table
from shared.settings import SessionSettings
from tests.bench.random_clips import STANDARDS, play_by_lot
from tests.bench.simulated import detections
from tests.bench.truth import ClipTruth, event_table, shot_measures
from tests.tracking.seen import Look, detections_of, overhead
from tests.tracking.test_motions import seen_of

TABLE = standard_table()
# speed m/s, roll over speed, direction, strike s; 30 frames/s, 1 mm of noise. The first two hardly slip at first, the
# last two give six frames of rest before the strike shows in the slopes.
KICKS = [(4.33, 0.97, 68.0, 0.29), (3.85, 1.03, 62.0, 0.33), (5.32, 0.97, 43.0, 0.268), (3.95, -0.19, 63.0, 0.272)]


@pytest.mark.parametrize("kick", KICKS, ids=str)
def test_cue_speed_of_a_kick_with_few_frames(kick):
    """Where slipping at first and rolling from the start leave nearly the same few frames, u tells so."""
    speed, roll, direction, strike = kick
    play = kick_shot(TABLE, speed_mps=speed, direction_deg=direction, roll_ratio=roll, strike_s=strike, until_s=3.0)
    for seed in range(3):
        rows = detections_of(play, TABLE, 2.4, Look(noise_mm=1.0, seed=seed, frame_rate=30.0, strays=0))
        found = measure_shots(rows, calibration=overhead(TABLE), settings=SessionSettings(table=TABLE), clip="kick.mp4")
        (row,) = found.shots.to_dict("records")
        assert abs(row["cue_speed_mps"] - speed) < 3.5 * row["cue_speed_mps_u"]
        assert row["cue_speed_mps_u"] < 0.08 * speed


def _drawn_by_lot(seed):
    """Any table, speed, spin, frame rate; white noise as stated. Returns what was measured, and the truth."""
    rng = np.random.default_rng([77, seed])
    table = standard_table(str(rng.choice(STANDARDS)))
    rate = float(rng.choice([25.0, 30.0, 50.0, 60.0, 60.0, 120.0]))
    shutter = float(rng.uniform(0.1, 0.5)) / rate
    play = play_by_lot(table, rng)
    filming = Filming(seconds=2.6, frame_rate=rate, shutter_s=shutter)
    scene = Scene(table=table, camera=overhead_camera(table))
    record = truth_record("lot", scene, play, filming, frame_times(filming), about="", target=None)
    truth = ClipTruth(Path("lot.truth.json"), Path("lot.mp4"), record)
    rows = detections(truth, rng, float(np.exp(rng.uniform(np.log(0.15), np.log(0.8)))))
    calibration = Calibration("lot.mp4", scene.camera, table, 0.0, "exact")
    found = measure_shots(rows, calibration=calibration, settings=SessionSettings(table=table), clip="lot.mp4")
    return found, truth


@pytest.mark.parametrize("seed", [3101, 3465, 3748, 4590, 4804])
def test_balls_that_met_and_no_others(seed):
    """3101: 4.5 mm between two balls that the fit once drew together for 500 of chi squared; 3465, 4804: less than a
    millimetre; 3748: a ball is touched and rolls 4 mm; 4590: one rolls off so slowly that it seems to stop and to start
    again, as if taken up by a hand.
    """
    found, truth = _drawn_by_lot(seed)
    true = event_table(truth)
    met = found.contacts[found.contacts["kind"] == "ball"]
    assert len(met) == (true["kind"] == "ball").sum()


@pytest.mark.parametrize("seed", [4218, 4257])
def test_a_cushion_beside_a_pocket_is_no_jaw(seed):
    """30 and 25 frames/s: the frame nearest to the contact shows the ball in the pocket's mouth, the contact is not."""
    found, truth = _drawn_by_lot(seed)
    assert "jaw" not in set(found.contacts["kind"])
    assert found.shots["rail_s"].iloc[0] == pytest.approx(shot_measures(truth)[0]["rail_s"], abs=0.002)


def test_a_ball_and_a_cushion_within_a_frame_are_put_in_order():
    found, truth = _drawn_by_lot(3700)  # cushion, ball, cushion within 23 ms
    last, wanted = found.contacts.iloc[-3:], event_table(truth).iloc[-3:]
    assert list(last["kind"]) == list(wanted["kind"]) == ["cushion", "ball", "cushion"]
    for name in ("t_s", "speed_in_mps"):
        off = (last[name].to_numpy(float) - wanted[name].to_numpy(float)) / last[f"{name}_u"].to_numpy(float)
        assert np.nanmax(np.abs(off)) < 4


def test_balls_that_no_colour_tells_apart_do_not_run_through_one_another():
    """At a full hit their tracks had changed over."""
    found, truth = _drawn_by_lot(3262)
    (row,) = found.shots.to_dict("records")
    for measure in ("cue_speed_mps", "object_speed_mps", "cue_roll_ratio", "cue_cross_ratio"):
        assert abs(row[measure] - shot_measures(truth)[0][measure]) < 3 * row[f"{measure}_u"]


def test_a_ball_that_fell_is_not_seen_again():
    found, _ = _drawn_by_lot(5116)  # half a second after it fell, its track once took one find of another ball
    pockets = found.contacts[found.contacts["kind"] == "pocket"]
    assert set(pockets["other"]) <= {"side-left"}
    assert (pockets["t_s"] < 0.6).all()


def test_struck_and_hit_within_a_frame():
    found, truth = _drawn_by_lot(4533)  # the two were once taken for one ball, with a contact 50 s before the clip
    (row,) = found.shots.to_dict("records")
    assert row["kind"] == "bank"
    assert found.contacts["t_s"].between(0.0, 2.7).all()
    for measure in ("cue_speed_mps", "object_speed_mps", "cue_roll_ratio", "speed_at_impact_mps", "rebound_angle_deg"):
        assert abs(row[measure] - shot_measures(truth)[0][measure]) < 3 * row[f"{measure}_u"]


def test_a_fit_that_is_rather_bad_is_begun_anew():
    """A drawn clip: 3 of chi squared a frame, where the cloth is twice as rough and the cushion gives back all it gets;
    what lies lowest has 1.
    """
    table, rows = standard_table("pool-7ft"), pd.read_csv(Path(__file__).with_name("drawn_two_balls.csv"))
    rows = DETECTIONS.conform(rows.reindex(columns=DETECTIONS.names, fill_value=0.0))
    found = measure_shots(rows, calibration=overhead(table), settings=SessionSettings(table=table), clip="two.mp4")
    (row,) = found.shots.to_dict("records")
    assert row["object_speed_mps"] == pytest.approx(1.379, abs=3 * row["object_speed_mps_u"])
    assert row["object_speed_mps_u"] < 0.01


def test_a_struck_ball_that_nearly_rolls_may_spin_too_much_or_too_little():
    found, truth = _drawn_by_lot(3483)
    (row,) = found.shots.to_dict("records")
    assert abs(row["cue_speed_mps"] - shot_measures(truth)[0]["cue_speed_mps"]) < 3 * row["cue_speed_mps_u"]
    assert row["cue_speed_mps_u"] < 0.1 * row["cue_speed_mps"]


@pytest.mark.parametrize("seed", [15, 56, 313, 346, 385])
def test_contacts_of_shots_drawn_by_lot(seed):
    """15 once ended with a slip at the edge of a pit, 346 with a ball that had run through another before they touched,
    313 and 385 were too sure of a slip to a leg's end.
    """
    found, truth = _drawn_by_lot(seed)
    true = event_table(truth)
    met = found.contacts[found.contacts["kind"] == "cushion"]
    true = true[true["kind"] == "cushion"]
    compared = 0
    for row in met.to_dict("records"):
        near = true[(true["other"] == row["other"]) & ((true["t_s"] - row["t_s"]).abs() < 0.02)]
        if len(near) != 1:
            continue
        compared += 1
        for name in ("speed_in_mps", "speed_out_mps", "angle_in_deg", "sight"):
            assert row[f"{name}_u"] > 0
            assert abs(row[name] - near[name].iloc[0]) < 4 * row[f"{name}_u"], name
    assert compared


def test_what_lasts_over_frames_costs_what_it_is_worth():
    """Frames shifted by two standard uncertainties of a systematic effect: 4, and not what noise of that size costs."""
    play = kick_shot(TABLE, speed_mps=3.0, direction_deg=50.0, roll_ratio=0.3, strike_s=0.3, until_s=3.0)
    wave = np.array([[0.002, 0.0], [0.0, 0.0025]])

    def fields(xy):
        out = np.zeros((len(xy), 2, 2))
        out[:, 0, 0], out[:, 1, 1] = np.sin(xy @ wave[0] * 3), np.cos(xy @ wave[1] * 2)
        return out

    clean = seen_of(play, "cue", 0.9, 1e-9, np.random.default_rng(1), fields)
    noise = 0.1
    covariance = np.repeat(noise**2 * np.eye(2)[None], len(clean.t_s), axis=0)
    events = [MotionEvent("strike", 0.3, "cue")]
    layout, knowledge = Layout(["cue"], events), Knowledge(TABLE, Friction(0.2, 0.01, 0.002, 0.0005))
    before = clean.t_s < play.events[1]["t"] - 0.01
    costs = []
    for shift in (0.0, 2.0):
        xy = clean.xy_mm + shift * clean.systematic[:, :, 0]
        seen = {"cue": Seen("cue", clean.t_s, xy, covariance, clean.systematic).at(before)}
        problem = MotionProblem(layout, seen, knowledge, 100.0)
        theta, plain = descend(problem, first_guess(layout, seen, knowledge.friction), 200)
        costs.append((plain, float(problem.lasting_costs(theta[None], [])[0])))
    (plain0, lasting0), (plain2, lasting2) = costs
    assert lasting0 == pytest.approx(plain0, abs=0.5)
    assert plain2 - plain0 > 15
    assert 0 <= lasting2 - lasting0 < 4.4
