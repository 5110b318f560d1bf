"""A cue ball struck so hard that no frame shows it on its way to the ball it hits, and which creeps thereafter."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.store import Calibration
from fixtures.synthetic import bank_shot, overhead_camera
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings
from tests.tracking.seen import Look, detections_of

TABLE = standard_table()
WHITE, STRIPED, RED = (200.0, 0.0, 0.0, 0.95), (190.0, -15.0, -10.0, 0.75), (90.0, -15.0, 60.0, 0.05)


def measured(strike_s, colour):
    """The shot as found, in the frames that show no ball on its way to the hit."""
    play = bank_shot(TABLE, speed_mps=5.3, roll_ratio=-0.47, cut_deg=0.3, direction_deg=63.0, run_mm=281.0,
                     object_share=(0.574, 0.558), strike_s=strike_s, until_s=2.6)
    look = Look(frame_rate=25.0, noise_mm=0.4, lost=0.0, strays=0.0, colours={"cue": WHITE, "1": colour})
    rows = detections_of(play, TABLE, 2.6, look)
    hit_s = next(event["t"] for event in play.events if event["kind"] == "ball_ball")
    cue_lay = play.at("cue", 0.0).at(0.0)[0]
    near_cue = np.hypot(*(rows[["x_mm", "y_mm"]].to_numpy(float) - cue_lay).T) < 5
    rows = rows[near_cue | ~rows["t_s"].between(strike_s, hit_s)]
    found = measure_shots(
        rows, calibration=Calibration("hard.mp4", overhead_camera(TABLE), TABLE, 0.0, "exact"),
        settings=SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.002)), clip="hard.mp4")
    (shot,) = found.shots.to_dict("records")
    return shot, found


@pytest.mark.parametrize("colour", [WHITE, STRIPED, RED], ids=["also white", "striped", "red"])
@pytest.mark.parametrize("strike_s", [0.372, 0.379, 0.386])
def test_it_is_the_struck_ball_though_another_shows_the_start(strike_s, colour):
    shot, found = measured(strike_s, colour)
    assert shot["kind"] == "bank"
    contacts = [f"{r.kind} {r.ball}" for r in found.contacts.head(3).itertuples()]
    assert contacts == ["strike cue", "ball cue", "cushion object"]
    assert abs(shot["cue_speed_mps"] - 5.3) < 3 * shot["cue_speed_mps_u"]
    assert shot["cue_speed_mps_u"] < 0.4
