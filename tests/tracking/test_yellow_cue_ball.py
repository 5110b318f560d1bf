"""Carom: the yellow ball may be the one that is struck, and the white one only hit."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.store import Calibration
from fixtures.synthetic import bank_shot, overhead_camera
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import SessionSettings
from tests.tracking.seen import Look, detections_of

TABLE = standard_table("carom-284")
WHITE, YELLOW, RED = (215.0, 0.0, 0.0, 0.9), (190.0, -60.0, 10.0, 0.05), (90.0, -15.0, 60.0, 0.05)


@pytest.mark.parametrize("hits", ["white", "red, which hits the white"])
def test_what_the_yellow_ball_sets_going_is_its_shot(hits):
    shot = {"cut_deg": 6.0, "direction_deg": 62.0, "speed_mps": 2.5}
    lies = (2300.0, 300.0)
    if hits != "white":
        alone = bank_shot(TABLE, until_s=2.6, **shot)
        met_s = next(event["t"] for event in alone.events if event["kind"] == "ball_ball")
        lies = tuple(alone.at("1", met_s + 0.3).at(met_s + 0.3)[0])
    play = bank_shot(TABLE, until_s=2.6, others={"2": lies}, **shot)
    colours = {"cue": YELLOW, "1": WHITE, "2": RED} if hits == "white" else {"cue": YELLOW, "1": RED, "2": WHITE}
    got = measure_shots(
        detections_of(play, TABLE, 2.4, Look(strays=0.0, colours=colours)),
        calibration=Calibration("x.mp4", overhead_camera(TABLE), TABLE, 0.0, "exact"),
        settings=SessionSettings(table=TABLE), clip="x.mp4")
    (found,) = got.shots.to_dict("records")
    assert found["kind"] == "bank"
    assert [f"{r.kind} {r.ball}" for r in got.contacts.head(2).itertuples()] == ["strike cue", "ball cue"]
    strike = play.events[0]
    assert found["start_s"] == pytest.approx(strike["t"], abs=0.005)
    assert abs(found["cue_speed_mps"] - 2.5) < 3 * found["cue_speed_mps_u"]
    assert np.isfinite(found["rebound_angle_deg"]) == (hits == "white")
