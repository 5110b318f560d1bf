"""A lamp or an arm hides part of the table: what happened there is measured rightly or not at all."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from calibration.store import Calibration
from fixtures.synthetic import bank_shot, overhead_camera
from pipeline.rehearsal import bank, detections
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings
from tests.bench.simulated import detections as true_places
from tests.bench.truth import find_truths
from tests.tracking.seen import Look, detections_of

FIXTURES = Path(__file__).parents[2] / "fixtures"
TABLE = standard_table()
CALIBRATION = Calibration("x", overhead_camera(TABLE), TABLE, 0.0, "exact")
SETTINGS = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))


def measured(hidden, speed_mps: float, white: bool = True):
    """The bank with what lies between two lines across the table hidden; the SHOTS row, and why it is lost."""
    played = bank(TABLE, speed_mps)
    rows = detections(played, CALIBRATION, noise_px=0.1, frame_rate=60.0, shutter_s=0.004)
    low, high = hidden
    rows = rows[(rows["y_mm"] < low) | (rows["y_mm"] > high)]
    if not white:
        rows = rows[rows["white_share"] < 0.5]
    found = measure_shots(rows, calibration=CALIBRATION, settings=SETTINGS, clip="x")
    return played, found.shots, [shot.followed.lost for shot in found.measured]


LOWS_MM, WIDE_MM, SPEEDS_MPS = (150, 300, 450, 550, 600, 700, 900, 1100), (80, 160, 300), (0.7, 1.5, 3.0)


@pytest.mark.parametrize(("low_mm", "wide_mm", "speed_mps"), [
    (low, WIDE_MM[(i + k) % 3], speed) for i, low in enumerate(LOWS_MM) for k, speed in enumerate(SPEEDS_MPS)])
def test_a_strip_across_the_table(low_mm, wide_mm, speed_mps):
    played, shots, lost = measured((low_mm, low_mm + wide_mm), speed_mps)
    home = played.object[1]
    rebound = math.degrees(math.atan2(home.velocity[0], -home.velocity[1]))
    true = {"incoming_angle_deg": 30.0, "speed_at_impact_mps": speed_mps, "rebound_angle_deg": rebound,
            "rebound_speed_mps": float(np.hypot(*home.velocity)) / 1000, "rail_s": home.since_s}
    for _, row in shots.iterrows():
        for measure, value in true.items():
            if not math.isnan(row[measure]):
                assert abs(row[measure] - value) < 5 * row[f"{measure}_u"], (measure, row[measure], lost)


@pytest.mark.parametrize("strip_mm", [(1200, 1530), (1250, 1450), (1150, 1400)])
def test_where_the_hit_is_hidden_nothing_is_told_of_it(strip_mm):
    """The object ball lies under the strip and is hit there; the cue ball follows and comes out of it slower."""
    truth = next(t for t in find_truths(FIXTURES / "clips") if t.clip.stem == "o03_bank_follow")
    rows = true_places(truth, np.random.default_rng(3), 0.25)
    low, high = strip_mm
    rows = rows[(rows["x_mm"] < low) | (rows["x_mm"] > high)]
    shots = measure_shots(rows, calibration=CALIBRATION, settings=SETTINGS, clip="x").shots
    assert shots[["kind", "speed_at_impact_mps", "incoming_angle_deg"]].isna().all(axis=None)
    told = shots.dropna(subset=["cue_speed_mps"])  # where the cue ball isn't seen again
    assert (np.abs(told["cue_speed_mps"] - 2.6) < 4 * told["cue_speed_mps_u"]).all()


def test_a_coloured_ball_that_a_hidden_one_hits_is_not_struck():
    _, shots, lost = measured((2000, 2100), 1.5, white=False)
    assert len(shots) == 1
    assert "no white one lies in sight" in lost[0]
    assert shots["speed_at_impact_mps"].isna().all()
    assert shots["notes"].iloc[0].startswith("all measures: ")


def test_nothing_hidden_nothing_lost():
    _, shots, lost = measured((2000, 2100), 1.5)
    assert lost == [""]
    assert shots["kind"].tolist() == ["bank"]


@pytest.mark.parametrize("until_s", [0.05, 0.3, 9.0])  # after the hit
def test_a_dull_cue_ball_that_is_lost_as_it_is_struck_makes_no_kick_of_the_ball_it_hits(until_s):
    play = bank_shot(TABLE, cut_deg=8.0, speed_mps=2.4, until_s=4.0)
    dull = {"cue": (140.0, -3.0, 1.0, 1.0), "1": (97.0, 17.0, -6.0, 1.0)}
    rows = detections_of(play, TABLE, 2.5, Look(frame_rate=30.0, strays=0.0, colours=dull))
    hidden = rows["t_s"].between(play.events[0]["t"], play.events[1]["t"] + until_s) & (rows["luma"] > 120)
    shots = measure_shots(rows[~hidden], calibration=CALIBRATION, settings=SETTINGS, clip="x").shots
    (shot,) = shots.to_dict("records")
    if np.isnan(shot["cue_speed_mps"]):
        assert shot["notes"].startswith("all measures: ")
    else:
        assert shot["kind"] == "bank"
        assert abs(shot["cue_speed_mps"] - 2.4) < 4 * shot["cue_speed_mps_u"]
